"""Writes the results of a study into the stand file; comments, order and everything else stay unchanged."""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING, Any

from ruamel.yaml.comments import CommentedMap

from glasswright.config import Spread, StandWriteError, check, scan_bytes
from glasswright.config.yaml.round_trip import as_flow, edit_yaml
from glasswright.formatting import format_count

if TYPE_CHECKING:
    from glasswright.config import Document
    from glasswright.study.studying import NewSpread, Study

DIGITS = 3
MOST_TICKETS_NAMED = 4


def describe_origin(study: Study, spread: NewSpread, by: str) -> str:
    """Return one line: who found a number, when, from which tickets, with its interval."""
    fields = [field for field in study.fields if field.subject.measure == spread.measure]
    tickets = sorted({ticket for field in fields for ticket in field.crossed.tickets})
    states = [state for state in study.evidence.tickets if state.record.ticket.number in tickets]
    nights = sorted(night for state in states for night in (state.record.nights or (state.measured_at[:10],)))
    lenses, fittings, repeats = fields[0].anova.shape
    lost = f" ({fields[0].anova.missing} missing)" if fields[0].anova.missing else ""
    when = nights[0] if nights[0] == nights[-1] else f"{nights[0]} to {nights[-1]}"
    rehearsed = "REHEARSED, not measured: " if study.evidence.rehearsed else ""
    low, high = (f"{value:.2g}" for value in (spread.interval.low, spread.interval.high))
    return (
        f"{rehearsed}study of {when}, {by}; {format_count(lenses, 'lens')} x "
        f"{format_count(fittings, 'fitting')} x {format_count(repeats, 'repeat')}{lost}, "
        f"{_name_tickets(tickets)}; {spread.basis}; {100 * study.confidence:g} % {low} to {high}"
    )


def _name_tickets(tickets: list[str]) -> str:
    if len(tickets) <= MOST_TICKETS_NAMED:
        return f"tickets {', '.join(tickets)}"
    return f"tickets {tickets[0]} to {tickets[-1]} ({len(tickets)})"


def propose_text(document: Document, study: Study, by: str) -> str:
    """Return the stand file's text with the numbers of a study.

    The entry with the field's exact name is written; an entry with `*` that also matches stays, but the exact one takes
    precedence.

    Raises
    ------
    StandWriteError
        If the text would not read back as intended.
    """
    entries = [(each, _entry(each, describe_origin(study, each, by))) for each in study.spreads]

    def change(data: Any) -> None:  # noqa: ANN401 - the library's types say no more
        for spread, entry in entries:
            _write_entry(data, spread, entry)

    text = edit_yaml(document.text, change)
    expected = copy.deepcopy(document.data)
    for spread, entry in entries:
        expected[spread.table] = (expected.get(spread.table) or {}) | {spread.measure: entry}
    read = scan_bytes(document.path, text.encode())
    problems = list(read.problems)
    for table in {spread.table for spread in study.spreads}:
        problems += check(read, dict[str, Spread], table)[1]
    if problems or read.data != expected:
        why = problems[0].message if problems else "it would not read back as intended"
        raise StandWriteError(f"{document.path}: cannot be written ({why}): write the numbers by hand")
    return text


def _round(u: float) -> float:
    return float(f"{u:.{DIGITS}g}")


def _entry(spread: NewSpread, origin: str) -> dict[str, Any]:
    entry: dict[str, Any] = {"u": _round(spread.u)}
    if spread.freedom is not None:
        entry["freedom"] = math.floor(10 * spread.freedom) / 10
    if spread.with_repeats:
        entry["with_repeats"] = True
    return entry | {"origin": origin}


def _write_entry(data: Any, spread: NewSpread, entry: dict[str, Any]) -> None:  # noqa: ANN401
    if not data.get(spread.table):
        if spread.table in data:
            data[spread.table] = CommentedMap()
        else:
            data.insert(list(data).index("bodies") + 1, spread.table, CommentedMap())
    data[spread.table][spread.measure] = as_flow(entry)
