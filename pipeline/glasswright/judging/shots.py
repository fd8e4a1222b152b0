"""Findings about a ticket's shots: shared or missing shots, clocks that disagree."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Final

from glasswright.formatting import format_count
from glasswright.ledger.records import ShotUse
from glasswright.ledger.verdict import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.ledger.records import TicketState, Twin

MOST_NAMED: Final = 3
ONE_VISIT: Final = timedelta(hours=24)
"""Longest time between a shot and the median shot of a ticket."""
SOON: Final = timedelta(days=7)
"""Time within which shots are normally measured; a longer one is noted."""

SET_ASIDE: Final = "write each under `set_aside` in ticket.yaml: {file: ..., by: ..., why: ...}"

Finding = tuple[Verdict, str]


def find_about_shots(state: TicketState) -> tuple[Finding, ...]:
    """Return the reasons against releasing a ticket that concern its shots."""
    return (
        *_find_replaced(state),
        *_find_twins(state),
        *_find_gone(state),
        *_find_bad_copies(state),
        *_find_other_phases(state),
        *_find_far_shots(state),
    )


def note_shots(state: TicketState) -> tuple[str, ...]:
    """Return notes on a ticket's shots that are printed with every decision but do not affect it."""
    return (
        *state.withdrawn_returns,
        *_note_identity(state),
        *_note_replaces(state),
        *_note_shared(state),
        *_note_clock(state),
    )


def _find_replaced(state: TicketState) -> Iterator[Finding]:
    for each in state.replaced_by:
        what = f"ticket {each.ticket} replaces this one (according to {each.by}: {each.why})"
        yield Verdict.UNKNOWN, f"{what}: ask the gate about {each.ticket}"


def _find_twins(state: TicketState) -> Iterator[Finding]:
    """Yield a reason for each other ticket with the same shots; both tickets are in review."""
    number, replaces = state.record.ticket.number, state.record.remarks.replaces
    excused = {each.ticket for each in state.replaced_by} | ({replaces.ticket} if replaces is not None else set())
    twins = [twin for twin in state.twins if not twin.shared and twin.ticket not in excused]
    for ticket, same in groupby(sorted(twins, key=lambda twin: (twin.ticket, twin.shot)), lambda twin: twin.ticket):
        pairs = list({twin.shot: twin for twin in same}.values())
        if ticket == number:
            listed = _name_few([f"{twin.shot} is {twin.other_shot} again" for twin in pairs])
            yield Verdict.REVIEW, f"{listed}: a shot counts once: remove the copy, or shoot again"
        else:
            listed = _name_few([_name_pair(twin) for twin in pairs])
            yield (
                Verdict.REVIEW,
                f"ticket {ticket} has the same shots ({listed}): a shot counts once, in one ticket: shoot again, or "
                "write `replaces` into the ticket.yaml of the one that replaces the other",
            )


def _name_pair(twin: Twin) -> str:
    return twin.shot if twin.shot == twin.other_shot else f"{twin.shot}, there {twin.other_shot}"


def _find_gone(state: TicketState) -> Iterator[Finding]:
    if state.gone_shots:
        yield (
            Verdict.REVIEW,
            f"an earlier run read shots that are now missing ({_name_few(state.gone_shots)}): put them back, or "
            f"{SET_ASIDE}",
        )


def _find_bad_copies(state: TicketState) -> Iterator[Finding]:
    bad = [shot.name for shot in state.record.shots if shot.use in (ShotUse.ABSENT, ShotUse.REJECTED)]
    bad = [name for name in bad if not any(name == gone.partition(",")[0] for gone in state.gone_shots)]
    if bad:
        what = f"SHA256SUMS lists shots that are missing or changed ({_name_few(bad)})"
        yield Verdict.REVIEW, f"{what}: copy them again, or {SET_ASIDE}"


def _find_other_phases(state: TicketState) -> Iterator[Finding]:
    phase = state.record.ticket.phase
    for other in state.other_phases:
        yield (
            Verdict.REVIEW,
            f"shots of this ticket were measured in phase `{other}`, and the phase is now `{phase}`: if the lens was "
            "worked on in between, shoot it again under a new ticket number",
        )


def _find_far_shots(state: TicketState) -> Iterator[Finding]:
    """Yield a reason if shots were taken long before or after the others; a wrong clock shifts all shots alike."""
    visit = state.record.visit
    if visit is None:
        return
    far = [
        f"{shot.name}: {shot.captured_at.replace('T', ' ')}"
        for shot in state.record.shots
        if shot.captured is not None and abs(shot.captured - visit) > ONE_VISIT
    ]
    if far:
        yield (
            Verdict.REVIEW,
            f"{format_count(len(far), 'shot')} taken more than "
            f"{ONE_VISIT.total_seconds() / 3600:g} hours from the middle "
            f"of the visit, {visit.isoformat(' ')} ({_name_few(far)}): check that they belong to this visit",
        )


def _note_identity(state: TicketState) -> Iterator[str]:
    carrying, shots = state.record.lens_serials
    if shots and not carrying:
        yield "identity unchecked: the files carry no lens serial"
    elif carrying < shots:
        yield f"identity checked in part: {shots - carrying} of {shots} files carry no lens serial"


def _note_replaces(state: TicketState) -> Iterator[str]:
    replaces = state.record.remarks.replaces
    if replaces is None:
        return
    same = any(twin.ticket == replaces.ticket for twin in state.twins)
    yield f"it replaces ticket {replaces.ticket}: {replaces.why} ({replaces.by})" + (
        "" if same else ", of which it has no shot"
    )


def _note_shared(state: TicketState) -> Iterator[str]:
    shared = [twin for twin in state.twins if twin.shared]
    if shared:
        tickets, shots = {twin.ticket for twin in shared}, {twin.shot for twin in shared}
        yield f"shared with {_name_few(sorted(tickets))}, as declared: {_name_few(sorted(shots))}"


def _note_clock(state: TicketState) -> Iterator[str]:
    """Yield a note if the shots' times are far from the time of measurement; rendered frames have no clock."""
    visit, measured = state.record.visit, datetime.fromisoformat(state.measured_at).replace(tzinfo=None)
    if visit is None or state.record.ticket.rehearsed:
        return
    apart = f"shot on {visit.date()} by the body's clock, and measured on {measured.date()}"
    if visit > measured + ONE_VISIT:
        yield f"{apart}: that clock is wrong"
    elif visit < measured - SOON:
        yield f"{apart}, {(measured - visit).days} days later: check that the shots belong to this visit"


def _name_few(names: list[str] | tuple[str, ...]) -> str:
    more = len(names) - MOST_NAMED
    return "; ".join(names[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
