"""Differences between a ticket's latest record and its earlier ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright.ledger.encoding import from_text
from glasswright.ledger.records import ShotUse, TicketRecord

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.records import ShotRecord
    from glasswright.ledger.store import Database
    from glasswright.plugin.artefact import HandAnswer, Setting

SAME_RATIO: Final = 1.06
"""Ratio of two equal settings: 1/6 stop, the tolerance of nominal f-numbers; that of focal lengths is smaller."""


def read_earlier_records(database: Database, record: TicketRecord, manifest: int) -> tuple[TicketRecord, ...]:
    """Return the records of a ticket before a manifest, oldest first.

    Records of the tickets that it replaces come first: a new ticket number does not erase the history.
    """
    own = _read_records(database, record.ticket.number, manifest)
    return (*(each for ticket in find_replaced(database, record) for each in _read_records(database, ticket)), *own)


def find_replaced(database: Database, record: TicketRecord) -> tuple[str, ...]:
    """Return the tickets that a ticket replaces, oldest first: those that it names and whose shots it has."""
    found: list[str] = []
    replaces = record.remarks.replaces
    while replaces is not None and replaces.ticket not in (record.ticket.number, *found):
        records = _read_records(database, replaces.ticket)
        if not any(old.is_same(new) for each in records for old in each.shots for new in record.shots):
            break
        found.insert(0, replaces.ticket)
        replaces = records[-1].remarks.replaces
    return tuple(found)


def _read_records(database: Database, ticket: str, before: int | None = None) -> tuple[TicketRecord, ...]:
    sql = "SELECT DISTINCT record FROM manifest WHERE ticket = ?1 AND (?2 IS NULL OR id < ?2) ORDER BY id"
    records = [from_text(text) for (text,) in database.rows(sql, ticket, before)]
    return tuple(each for each in records if isinstance(each, TicketRecord))


def find_other_lenses(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the other lenses for which the ticket number was used before."""
    lenses = {f"{each.ticket.model}, serial {each.ticket.serial}" for each in earlier}
    return tuple(sorted(lenses - {f"{record.ticket.model}, serial {record.ticket.serial}"}))


def find_gone_shots(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the shots that an earlier run read and that are missing now, except those that the ticket sets aside.

    A renamed shot is not missing. A shot that was measured must still have the same role and setting, and must still be
    measured if any shot of its role is: otherwise it no longer supports the earlier result. A shot that could not be
    read before may be replaced by a new copy.
    """
    measured_roles = {shot.role for shot in record.shots if shot.use is ShotUse.MEASURED}
    aside = {each.file for each in record.remarks.set_aside}
    gone: dict[str, str] = {}
    for shot in (shot for each in earlier for shot in each.shots):
        if shot.use in (ShotUse.READ, ShotUse.MEASURED) and shot.name not in aside:
            now = _find_now(shot, record)
            if now is None:
                gone[shot.name] = shot.name
            elif shot.use is not ShotUse.MEASURED:
                continue
            elif now.role != shot.role:
                gone[shot.name] = f"{shot.name}, now {now.name}"
            elif _is_elsewhere(shot.setting, now.setting):
                gone[shot.name] = f"{shot.name}, measured at {shot.setting} and now said to be at {now.setting}"
            elif now.use is not ShotUse.MEASURED and now.role in measured_roles:
                gone[shot.name] = f"{shot.name}, there and no longer measured"
    return tuple(gone[name] for name in sorted(gone))


def _is_elsewhere(before: Setting | None, now: Setting | None) -> bool:
    """Return whether a setting has changed by more than the tolerance of nominal values."""
    if before is None or now is None:
        return False
    pairs = (
        (before.focal_length_mm, now.focal_length_mm),
        (before.f_number, now.f_number),
        (before.focus_distance_m, now.focus_distance_m),
    )
    return any(old is not None and new is not None and max(old, new) > SAME_RATIO * min(old, new) for old, new in pairs)


def _find_now(shot: ShotRecord, record: TicketRecord) -> ShotRecord | None:
    """Return the same shot in a later record, preferably in its own role; None if it is not there."""
    same = [each for each in record.shots if each.use is not ShotUse.ABSENT and each.is_same(shot)]
    return min(same, key=lambda each: each.role != shot.role, default=None)


def find_other_phases(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the other phases in which shots of the ticket were measured before.

    A rehearsal counts as a separate phase, because rendered frames are no evidence about a lens. Shots that the ticket
    declares shared do not belong to a single visit.
    """
    own = [shot for shot in record.shots if shot.role not in record.remarks.shared_roles]
    others = [each for each in earlier if _phase_of(each) != _phase_of(record)]
    return tuple(
        sorted({_phase_of(each) for each in others if any(old.is_same(new) for old in each.shots for new in own)})
    )


def _phase_of(record: TicketRecord) -> str:
    return f"{record.ticket.phase}, rehearsed" if record.ticket.rehearsed else record.ticket.phase


def find_earlier_answers(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[HandAnswer, ...]:
    """Return the answers to hand checks that an earlier run found and that have changed since."""
    now = set(record.ticket.hand_checks)
    before = dict.fromkeys(answer for each in earlier for answer in each.ticket.hand_checks)
    return tuple(answer for answer in before if answer not in now)
