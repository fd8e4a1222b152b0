"""Output of `check` on tickets before they are measured: limits that can be met, and missing shots."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from glasswright.formatting import format_count
from glasswright.outputs import write_text
from glasswright.run.readiness import CAN, CANNOT, NOT_APPLICABLE, REVIEW

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from glasswright.run.readiness import LimitOutlook, TicketOutlook

ORDER = {CANNOT: 0, REVIEW: 1, NOT_APPLICABLE: 2, CAN: 3}
MOST_NAMED = 4
"""Number of limits named for one reason; the others are counted."""


def code_of(outlooks: Sequence[TicketOutlook]) -> int:
    """Return the exit code of the worst outlook: 12 incomplete, 11 review at best, else 0."""
    every = {each.outlook for each in outlooks}
    return 12 if CANNOT in every else 11 if REVIEW in every else 0


def describe_outlooks(outlooks: Sequence[TicketOutlook], *, detail: bool) -> Iterator[str]:
    """Yield the lines of all tickets, worst first; a reason shared by limits is printed once."""
    for ticket in sorted(outlooks, key=lambda each: (ORDER[each.outlook], each.number)):
        good = sum(each.outlook == CAN for each in ticket.limits)
        beyond = sum(each.outlook == NOT_APPLICABLE for each in ticket.limits)
        head = f"{ticket.number}  {ticket.model}  {ticket.serial}"
        rest = f", {beyond} not applicable" if beyond else ""
        yield f"{head}: {good} of {format_count(len(ticket.limits) - beyond, 'limit')} can be met here{rest}"
        yield from (f"  {outlook}: {why}" for outlook, why in ticket.others)
        if detail:
            yield from (f"  {_describe_limit(each)}" for each in ticket.limits)
        else:
            yield from _describe_reasons(ticket)
        if ticket.missing:
            yield "  still to be shot:"
            yield from (f"    {each}" for each in ticket.missing)


def _describe_limit(limit: LimitOutlook) -> str:
    why = f", because: {'; '.join(limit.reasons)}" if limit.reasons else ""
    return f"{limit.limit}: {limit.outlook}{why}"


def _describe_reasons(ticket: TicketOutlook) -> Iterator[str]:
    by_reason: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for limit in ticket.limits:
        for reason in limit.reasons:
            by_reason[limit.outlook, reason].append(limit.limit)
    for (outlook, reason), limits in sorted(by_reason.items(), key=lambda item: (ORDER[item[0][0]], item[0][1])):
        if len(limits) == len(ticket.limits):
            named = "all limits"
        else:
            named = ", ".join(limits[:MOST_NAMED])
            named += f" and {len(limits) - MOST_NAMED} more (-v lists them)" if len(limits) > MOST_NAMED else ""
        yield f"  {outlook}, because {reason}: {named}"


def write_shooting_list(path: Path, outlooks: Sequence[TicketOutlook]) -> None:
    """Write the missing shots as plain text, with a box to tick on each line.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    lines = []
    for ticket in outlooks:
        lines += [f"Ticket {ticket.number}: {ticket.model}, {ticket.serial}", ""]
        lines += [f"[ ] {each}" for each in ticket.missing] or ["nothing is missing"]
        lines.append("")
    write_text(path, "\n".join(lines))
