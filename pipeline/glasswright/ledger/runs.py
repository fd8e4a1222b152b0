"""The runs that wrote a ledger: when, with what, which tickets they measured, and how long their stages took."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.ledger.store import Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run of a command that wrote to the ledger."""

    number: int
    command: str
    machine: str
    started_at: str
    ended_at: str
    """Empty while it runs, or if it was killed and no other run has begun since."""
    completed: bool
    versions: Mapping[str, str]
    documents: tuple[str, ...]
    """SHA-256 of the plan, stand and cards that it used."""
    tickets: tuple[str, ...]
    """Numbers of the tickets with new measurements from this run."""

    @property
    def seconds(self) -> float | None:
        """Duration; None if it has not completed."""
        if not (self.ended_at and self.completed):
            return None
        return (datetime.fromisoformat(self.ended_at) - datetime.fromisoformat(self.started_at)).total_seconds()


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTime:
    """Time that one step of the plan took in a run."""

    step: str
    outcomes: int
    done: int
    seconds: float
    """Total time on one core."""


def read_runs(ledger: Ledger) -> tuple[Run, ...]:
    """Return every run, oldest first, each checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a run does not match its hash.
    """
    sql = (
        "SELECT id, command, machine, started_at, versions, documents, run.hash, coalesce(ended_at, ''), "
        "coalesce(completed, 0) FROM run LEFT JOIN run_end ON run_end.run = run.id ORDER BY id"
    )
    tickets: dict[int, list[str]] = {}
    for run, ticket in ledger.database.rows("SELECT DISTINCT run, ticket FROM manifest WHERE ticket != '' ORDER BY id"):
        tickets.setdefault(run, []).append(ticket)
    runs = []
    for number, *values, hashed, ended_at, completed in ledger.database.rows(sql):
        if row_hash(*values) != hashed:
            msg = f"{ledger.database.path}: run {number} does not match its hash: restore the ledger from a backup"
            raise LedgerDamagedError(msg)
        command, machine, started_at, versions, documents = values
        runs.append(
            Run(
                number=number,
                command=command,
                machine=machine,
                started_at=started_at,
                ended_at=ended_at,
                completed=bool(completed),
                versions=json.loads(versions),
                documents=tuple(json.loads(documents)),
                tickets=tuple(dict.fromkeys(tickets.get(number, ()))),
            )
        )
    return tuple(runs)


def read_step_times(ledger: Ledger, runs: Sequence[int]) -> tuple[StepTime, ...]:
    """Return the time that each step took in runs, longest first."""
    sql = (
        "SELECT step, count(*), sum(status = 'done'), sum(seconds) FROM outcome "
        "WHERE run IN (SELECT value FROM json_each(?)) GROUP BY step ORDER BY sum(seconds) DESC, step"
    )
    return tuple(
        StepTime(step=step, outcomes=outcomes, done=done, seconds=seconds)
        for step, outcomes, done, seconds in ledger.database.rows(sql, json.dumps(list(runs)))
    )
