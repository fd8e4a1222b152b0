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
"""A sixth of a stop, by which a shot may differ from the nominal f-number that it joins; a focal length less."""


def read_earlier_records(database: Database, record: TicketRecord, manifest: int) -> tuple[TicketRecord, ...]:
    """Return the records of a ticket before a manifest, the first one first.

    Those of the tickets that it stands in place of come before its own: another number makes no other past.
    """
    own = _read_records(database, record.ticket.number, manifest)
    return (*(each for ticket in find_replaced(database, record) for each in _read_records(database, ticket)), *own)


def find_replaced(database: Database, record: TicketRecord) -> tuple[str, ...]:
    """Return the tickets in whose place a ticket stands, the first one first: those that it names and has shots of."""
    found: list[str] = []
    said = record.remarks.replaces
    while said is not None and said.ticket not in (record.ticket.number, *found):
        records = _read_records(database, said.ticket)
        if not any(old.is_same(new) for each in records for old in each.shots for new in record.shots):
            break
        found.insert(0, said.ticket)
        said = records[-1].remarks.replaces
    return tuple(found)


def _read_records(database: Database, ticket: str, before: int | None = None) -> tuple[TicketRecord, ...]:
    sql = "SELECT DISTINCT record FROM manifest WHERE ticket = ?1 AND (?2 IS NULL OR id < ?2) ORDER BY id"
    records = [from_text(text) for (text,) in database.rows(sql, ticket, before)]
    return tuple(each for each in records if isinstance(each, TicketRecord))


def find_other_lenses(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the lenses that the ticket number stood for before, but for the one it stands for."""
    lenses = {f"{each.ticket.model}, serial {each.ticket.serial}" for each in earlier}
    return tuple(sorted(lenses - {f"{record.ticket.model}, serial {record.ticket.serial}"}))


def find_gone_shots(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the shots that an earlier run read and that are gone, but for those that the ticket sets aside.

    A shot under another name is still there. One that gave numbers must be in the same role and at the same setting as
    well, and give numbers still, if any shot of its role does: else it no longer speaks for what it spoke for. One that
    could not be read at all is not missed when it is copied again.
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
    """Whether a setting is another than it was, and not the same one joined to another nominal value."""
    if before is None or now is None:
        return False
    pairs = (
        (before.focal_length_mm, now.focal_length_mm),
        (before.f_number, now.f_number),
        (before.focus_distance_m, now.focus_distance_m),
    )
    return any(old is not None and new is not None and max(old, new) > SAME_RATIO * min(old, new) for old, new in pairs)


def _find_now(shot: ShotRecord, record: TicketRecord) -> ShotRecord | None:
    """Find a shot in a later record, in its own role rather than in another."""
    same = [each for each in record.shots if each.use is not ShotUse.ABSENT and each.is_same(shot)]
    return min(same, key=lambda each: each.role != shot.role, default=None)


def find_other_phases(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Return the phases in which shots of the ticket were measured before, but for the one that it is in.

    A rehearsal is a phase of its own, for rendered frames say nothing of a lens. Shots that the ticket declares shared
    belong to no one visit.
    """
    own = [shot for shot in record.shots if shot.role not in record.remarks.shared_roles]
    others = [each for each in earlier if _phase_of(each) != _phase_of(record)]
    return tuple(
        sorted({_phase_of(each) for each in others if any(old.is_same(new) for old in each.shots for new in own)})
    )


def _phase_of(record: TicketRecord) -> str:
    return f"{record.ticket.phase}, rehearsed" if record.ticket.rehearsed else record.ticket.phase


def find_earlier_answers(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[HandAnswer, ...]:
    """Return the answers to hand checks that a run found and that the ticket no longer holds as they were."""
    now = set(record.ticket.hand_checks)
    before = dict.fromkeys(answer for each in earlier for answer in each.ticket.hand_checks)
    return tuple(answer for answer in before if answer not in now)
