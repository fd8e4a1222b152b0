"""What an earlier run said of a ticket that its latest record no longer does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.ledger.encoding import from_text
from glasswright.ledger.records import ShotUse, TicketRecord

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.records import ShotRecord
    from glasswright.ledger.store import Database
    from glasswright.plugin.artefact import HandAnswer


def read_earlier_records(database: Database, ticket: str, manifest: int) -> tuple[TicketRecord, ...]:
    """Give the records of a ticket number before a manifest, the first one first."""
    sql = "SELECT DISTINCT record FROM manifest WHERE ticket = ? AND id < ? ORDER BY id"
    records = [from_text(text) for (text,) in database.rows(sql, ticket, manifest)]
    return tuple(each for each in records if isinstance(each, TicketRecord))


def find_other_lenses(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Give the lenses that the ticket number stood for before, but for the one it stands for."""
    lenses = {f"{each.ticket.model}, serial {each.ticket.serial}" for each in earlier}
    return tuple(sorted(lenses - {f"{record.ticket.model}, serial {record.ticket.serial}"}))


def find_gone_shots(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Give the shots that an earlier run read and that are gone, but for those that the ticket sets aside.

    A shot under another name is still there. One that gave numbers must be in the same role as well: in another it
    speaks for nothing. One that could not be read at all is not missed when it is copied again.
    """
    aside = {each.file for each in record.remarks.set_aside}
    gone: dict[str, str] = {}
    for shot in (shot for each in earlier for shot in each.shots):
        if shot.use in (ShotUse.READ, ShotUse.MEASURED) and shot.name not in aside:
            now = _find_now(shot, record)
            if now is None:
                gone[shot.name] = shot.name
            elif shot.use is ShotUse.MEASURED and now.role != shot.role:
                gone[shot.name] = f"{shot.name}, now {now.name}"
    return tuple(gone[name] for name in sorted(gone))


def _find_now(shot: ShotRecord, record: TicketRecord) -> ShotRecord | None:
    """Find a shot in a later record, in its own role rather than in another."""
    same = [each for each in record.shots if each.use is not ShotUse.ABSENT and each.is_same(shot)]
    return min(same, key=lambda each: each.role != shot.role, default=None)


def find_other_phases(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Give the phases in which shots of the ticket were measured before, but for the one that it is in.

    Shots that the ticket declares shared belong to no one visit.
    """
    own = [shot for shot in record.shots if shot.role not in record.remarks.shared_roles]
    others = [each for each in earlier if each.ticket.phase != record.ticket.phase]
    return tuple(
        sorted({each.ticket.phase for each in others if any(old.is_same(new) for old in each.shots for new in own)})
    )


def find_earlier_answers(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[HandAnswer, ...]:
    """Give the answers to hand checks that a run found and that the ticket no longer holds as they were."""
    now = set(record.ticket.hand_checks)
    before = dict.fromkeys(answer for each in earlier for answer in each.ticket.hand_checks)
    return tuple(answer for answer in before if answer not in now)
