"""Digests of shots' pixels, and other places in the ledger with the same pixels."""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from glasswright.ledger.encoding import from_text
from glasswright.ledger.records import Replaces, ShotUse, TicketRecord, Twin

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from glasswright.ledger.records import ShotRecord
    from glasswright.ledger.store import Database
    from glasswright.plugin.outcome import Outcome

ONE_NIGHT: Final = timedelta(hours=24)
"""Longest time between the visits of two tickets that may share shots."""

SEVERAL_SQL: Final = (
    "SELECT digest FROM shot_content WHERE digest != '' AND digest IN (SELECT value FROM json_each(?)) "
    "GROUP BY digest HAVING count(DISTINCT ticket) > 1"
)
PLACES_SQL: Final = (
    f"SELECT digest, ticket, shot FROM shot_content WHERE digest != '' AND digest IN ({SEVERAL_SQL}) "
    "GROUP BY digest, ticket, shot ORDER BY min(run), ticket, shot"
)

Place = tuple[str, str]
"""Ticket and shot."""


def add_content(database: Database, run: int, outcome: Outcome) -> None:
    """Add the content digest of a shot, once per address."""
    sql = "SELECT 1 FROM shot_content WHERE address = ? AND digest = ?"
    if outcome.content_digest is None or database.rows(sql, outcome.address, outcome.content_digest):
        return
    values = (outcome.address, outcome.item.ticket, outcome.item.shot, outcome.content_digest)
    database.insert("shot_content", None, run, *values)


def find_contents(database: Database, addresses: Iterable[str]) -> dict[str, str]:
    """Return address -> content digest, for the outcomes that have one."""
    sql = "SELECT address, digest FROM shot_content WHERE address IN (SELECT value FROM json_each(?)) ORDER BY id"
    return dict(database.rows(sql, json.dumps(list(addresses))))


class TwinFinder:
    """Finds other places of some tickets' shots, by an index, so that the ledger's length does not matter."""

    def __init__(self, database: Database, records: Iterable[TicketRecord]) -> None:
        """Look up the shots of the given tickets in one query."""
        self._database = database
        self._records: dict[str, TicketRecord | None] = {}
        self._places: dict[str, list[Place]] = defaultdict(list)
        wanted = {shot.content_digest for record in records for shot in record.shots if shot.content_digest}
        if wanted:
            for digest, ticket, shot in database.rows(PLACES_SQL, json.dumps(sorted(wanted))):
                self._places[digest].append((ticket, shot))

    def find_twins(self, record: TicketRecord) -> tuple[Twin, ...]:
        """Return the shots of a ticket that also exist elsewhere: twice in it, or in another ticket at any time.

        Earlier records of the same ticket do not count.
        """
        twins = list(_find_own_twins(record))
        for shot in record.shots:
            for ticket, other_shot in self._places.get(shot.content_digest, ()):
                if _is_other(ticket, record):
                    shared = self._is_shared(record, ticket, shot.role, other_shot)
                    twins.append(Twin(shot=shot.name, ticket=ticket, other_shot=other_shot, shared=shared))
        return tuple(twins)

    def find_replacing(self, record: TicketRecord, twins: Iterable[Twin]) -> tuple[Replaces, ...]:
        """Return the tickets that have shots of this one and declare that they replace it."""
        number = record.ticket.number
        found = []
        for ticket in sorted({twin.ticket for twin in twins if twin.ticket != number}):
            other = self._latest(ticket)
            replaces = other.remarks.replaces if other is not None else None
            if replaces is not None and replaces.ticket == number:
                found.append(Replaces(ticket=ticket, by=replaces.by, why=replaces.why))
        return tuple(found)

    def _is_shared(self, record: TicketRecord, ticket: str, role: str, other_shot: str) -> bool:
        """Return whether one of two tickets declares a role shared, and both were shot within 24 hours (if times are
        known)."""
        other = self._latest(ticket)
        if other is None or other_shot.partition("/")[0] != role:
            return False
        if role not in (*record.remarks.shared_roles, *other.remarks.shared_roles):
            return False
        return record.visit is None or other.visit is None or abs(record.visit - other.visit) <= ONE_NIGHT

    def _latest(self, ticket: str) -> TicketRecord | None:
        if ticket not in self._records:
            sql = "SELECT record FROM manifest WHERE ticket = ? ORDER BY id DESC LIMIT 1"
            found = [from_text(text) for (text,) in self._database.rows(sql, ticket)]
            self._records[ticket] = found[0] if found and isinstance(found[0], TicketRecord) else None
        return self._records[ticket]


def _is_other(ticket: str, record: TicketRecord) -> bool:
    return ticket != record.ticket.number


def _find_own_twins(record: TicketRecord) -> Iterator[Twin]:
    """Yield each shot that has the content of an earlier shot of the same ticket."""
    first: dict[str, ShotRecord] = {}
    for shot in record.shots:
        if shot.content_digest and shot.use is not ShotUse.ABSENT:
            other = first.setdefault(shot.content_digest, shot)
            if other is not shot:
                yield Twin(shot=shot.name, ticket=record.ticket.number, other_shot=other.name)
