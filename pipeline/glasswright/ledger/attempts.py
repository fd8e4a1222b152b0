"""Attempts to measure a ticket: until the last one has ended, earlier measurements of the ticket do not count.

An attempt begins before the first shot is opened, and ends in the transaction that writes its manifest. A ticket that a
run refused, or did not reach before it was stopped, has an attempt without a beginning.
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
"""The part of `folder` after the last slash; the index `manifest_by_folder_name` uses the same expression."""


class AttemptState(StrEnum):
    """How far an attempt to measure a ticket got."""

    BEGUN = "begun"
    REFUSED = "refused"
    """The ticket's folder could not be read."""
    STOPPED = "stopped"
    """The run was stopped before the ticket was measured."""
    ENDED = "ended"
    """The measurements are in the ledger, or there was nothing new to measure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """The last attempt to measure a ticket."""

    state: AttemptState
    folder: str
    reason: str
    """Why it was refused."""
    started_at: str
    """Start time of its run."""

    def why_pending(self) -> str:
        """Explain why earlier measurements do not count now; empty if they do."""
        match self.state:
            case AttemptState.BEGUN:
                what = "began to measure this ticket and has not ended"
                return f"the run of {self.started_at} {what}: if it is no longer under way, run again"
            case AttemptState.STOPPED:
                return f"the run of {self.started_at} was stopped before this ticket was measured: run again"
            case AttemptState.REFUSED:
                why = f"{self.folder}: {self.reason}"
                return f"the run of {self.started_at} could not read this ticket: {why}; correct that and run again"
            case AttemptState.ENDED:
                return ""


def latest_attempts(database: Database, tickets: Collection[str]) -> Mapping[str, Attempt]:
    """Return the last attempt of each ticket that has one, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If an attempt does not match its hash.
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
    """Add the state of an attempt, unless it is already the ticket's latest."""
    last = latest_attempts(database, [ticket]).get(ticket)
    if last is None and state is AttemptState.ENDED:
        return
    previous = None if last is None else (last.state, last.folder, last.reason)
    if previous == (state, folder, reason) and state is not AttemptState.BEGUN:
        return
    values = (ticket, str(state), folder, reason)
    database.insert("attempt", None, run, *values, row_hash(*values))


def tickets_measured_from(database: Database, folder_name: str) -> tuple[str, ...]:
    """Return the tickets that were last measured from a folder with that name."""
    sql = (
        f"SELECT ticket FROM manifest WHERE {FOLDER_NAME} = ? AND ticket != '' "
        "AND id = (SELECT max(id) FROM manifest AS last WHERE last.ticket = manifest.ticket) ORDER BY ticket"
    )
    return tuple(str(ticket) for (ticket,) in database.rows(sql, folder_name))


def tickets_of_shots(database: Database, hashes: Collection[str]) -> Mapping[str, int]:
    """Return ticket -> number of these raw files (given by SHA-256) that it was last measured from."""
    sql = (
        "SELECT ticket, count(DISTINCT json_extract(shot.value, '$.fields.sha256')) FROM manifest, "
        "json_each(manifest.record, '$.fields.shots.tuple') AS shot "
        "WHERE manifest.id IN (SELECT (SELECT max(id) FROM manifest AS last WHERE last.ticket = raw_file.ticket) "
        "FROM raw_file WHERE sha256 IN (SELECT value FROM json_each(?1))) "
        "AND json_extract(shot.value, '$.fields.sha256') IN (SELECT value FROM json_each(?1)) GROUP BY ticket"
    )
    return {str(ticket): int(count) for ticket, count in database.rows(sql, json.dumps(list(hashes)))}


def known_tickets(database: Database, tickets: Collection[str]) -> frozenset[str]:
    """Return those of the given tickets that were measured."""
    sql = "SELECT value FROM json_each(?) WHERE value != '' AND EXISTS (SELECT 1 FROM manifest WHERE ticket = value)"
    return frozenset(str(ticket) for (ticket,) in database.rows(sql, json.dumps(sorted(tickets))))
