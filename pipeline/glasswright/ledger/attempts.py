"""Attempts to measure a ticket: while the last one has not ended, what was measured before says nothing of the lens.

An attempt is begun before the first shot is opened, and ended in the same transaction as the manifest that it led to.
A ticket that a run was given and could not take in, or that it was stopped before, has an attempt without a beginning.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.ledger.store import Database

FOLDER_NAME: Final = "substr(folder, 1 + length(rtrim(folder, replace(folder, '/', ''))))"
"""What follows the last slash, as the index `manifest_by_folder_name` has it."""


class AttemptState(StrEnum):
    """How far an attempt to measure a ticket got."""

    BEGUN = "begun"
    REFUSED = "refused"
    """The ticket could not be taken in."""
    STOPPED = "stopped"
    """The run was stopped before the ticket was measured."""
    ENDED = "ended"
    """What was measured is in the ledger, or there was nothing new to measure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """The last attempt to measure a ticket."""

    state: AttemptState
    folder: str
    reason: str
    """Why it was refused."""
    started_at: str
    """When its run started."""

    def why_pending(self) -> str:
        """Say why what was measured before does not count now; empty where it does."""
        match self.state:
            case AttemptState.BEGUN:
                what = "began to measure this ticket and has not ended"
                return f"the run of {self.started_at} {what}: if it is no longer under way, run again"
            case AttemptState.STOPPED:
                return f"the run of {self.started_at} was stopped before this ticket was measured: run again"
            case AttemptState.REFUSED:
                why = f"{self.folder}: {self.reason}"
                return f"the run of {self.started_at} could not take this ticket in: {why}; correct that and run again"
            case AttemptState.ENDED:
                return ""


def latest_attempts(database: Database, tickets: Collection[str]) -> Mapping[str, Attempt]:
    """Return the last attempt of each ticket that has one, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If an attempt is not what it was.
    """
    sql = (
        "SELECT attempt.id, ticket, state, folder, reason, attempt.hash, started_at FROM attempt "
        "JOIN run ON run.id = run WHERE attempt.id IN (SELECT max(id) FROM attempt "
        "WHERE ticket IN (SELECT value FROM json_each(?)) GROUP BY ticket)"
    )
    found = {}
    for number, ticket, state, folder, reason, hashed, started_at in database.rows(sql, json.dumps(list(tickets))):
        if row_hash(ticket, state, folder, reason) != hashed:
            msg = f"{database.path}: attempt {number} at ticket {ticket} does not match its hash"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        found[ticket] = Attempt(state=AttemptState(state), folder=folder, reason=reason, started_at=started_at)
    return found


def add_attempt(
    database: Database, run: int, ticket: str, state: AttemptState, *, folder: str = "", reason: str = ""
) -> None:
    """Note how far an attempt got, unless that is what the ledger says of the ticket already."""
    last = latest_attempts(database, [ticket]).get(ticket)
    if last is None and state is AttemptState.ENDED:
        return
    said = None if last is None else (last.state, last.folder, last.reason)
    if said == (state, folder, reason) and state is not AttemptState.BEGUN:
        return
    values = (ticket, str(state), folder, reason)
    database.insert("attempt", None, run, *values, row_hash(*values))


def tickets_measured_from(database: Database, folder_name: str) -> tuple[str, ...]:
    """Return the tickets that were last measured from a folder of that name."""
    sql = (
        f"SELECT ticket FROM manifest WHERE {FOLDER_NAME} = ? AND ticket != '' "
        "AND id = (SELECT max(id) FROM manifest AS last WHERE last.ticket = manifest.ticket) ORDER BY ticket"
    )
    return tuple(str(ticket) for (ticket,) in database.rows(sql, folder_name))


def tickets_of_shots(database: Database, hashes: Collection[str]) -> Mapping[str, int]:
    """Count how many of these raw files, named by their SHA-256, each ticket was last measured from."""
    sql = (
        "SELECT ticket, count(DISTINCT json_extract(shot.value, '$.fields.sha256')) FROM manifest, "
        "json_each(manifest.record, '$.fields.shots.tuple') AS shot "
        "WHERE manifest.id IN (SELECT (SELECT max(id) FROM manifest AS last WHERE last.ticket = raw_file.ticket) "
        "FROM raw_file WHERE sha256 IN (SELECT value FROM json_each(?1))) "
        "AND json_extract(shot.value, '$.fields.sha256') IN (SELECT value FROM json_each(?1)) GROUP BY ticket"
    )
    return {str(ticket): int(count) for ticket, count in database.rows(sql, json.dumps(list(hashes)))}


def known_tickets(database: Database, tickets: Collection[str]) -> frozenset[str]:
    """Return those of some tickets that were measured."""
    sql = "SELECT value FROM json_each(?) WHERE value != '' AND EXISTS (SELECT 1 FROM manifest WHERE ticket = value)"
    return frozenset(str(ticket) for (ticket,) in database.rows(sql, json.dumps(sorted(tickets))))
