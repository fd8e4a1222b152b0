"""Reads rows of the ledger, each checked against its hash."""

from __future__ import annotations

import dataclasses
import json
import math
from collections import defaultdict
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.attempts import latest_attempts
from glasswright.ledger.documents import read_document
from glasswright.ledger.earlier import (
    find_earlier_answers,
    find_gone_shots,
    find_other_lenses,
    find_other_phases,
    find_replaced,
    read_earlier_records,
)
from glasswright.ledger.encoding import from_text
from glasswright.ledger.hashes import join_hashes, measurement_hash, row_hash
from glasswright.ledger.records import KeptOutcome, TicketRecord, TicketState
from glasswright.ledger.returned import latest_marks, why_came_back
from glasswright.ledger.shot_content import TwinFinder
from glasswright.ledger.writing import NAN_U, manifest_content
from glasswright.plugin.artefact import Setting
from glasswright.plugin.measurements import Measured
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from glasswright.ledger.attempts import Attempt
    from glasswright.ledger.store import Database


class OutcomeRow(NamedTuple):
    """A row of the table `outcome`, with the columns in this order."""

    id: int
    address: str
    step: str
    stage: str
    scope: int
    ticket: str
    setting: str
    shot: str
    status: str
    reason: str
    caveats: str
    notes: str
    artefact: str | None
    measured_count: int
    measured_hash: str
    seconds: float
    traceback: str
    content: str
    """Hash of the columns from `address` to `measured_hash`."""
    hash: str
    """Hash of `content`, `seconds` and `traceback`."""


OUTCOME_SQL: Final = f"SELECT {', '.join(OutcomeRow._fields)} FROM outcome"
MANIFEST_SQL: Final = (
    "SELECT manifest.id, ticket, folder, record, content, manifest.hash, started_at, versions FROM manifest "
    "JOIN run ON run.id = run "
)
MEASUREMENT_SQL: Final = (
    "SELECT outcome, path, unit, kind, value, text, u, hash FROM measurement JOIN field ON field.id = field "
)


def damaged(database: Database, what: str) -> LedgerDamagedError:
    """Return the error for a row that does not match its hash."""
    return LedgerDamagedError(f"{database.path}: {what} does not match its hash: restore the ledger from a backup")


def check_outcome(database: Database, row: OutcomeRow) -> None:
    """Check an outcome's row against its hashes."""
    if row_hash(*row[1:-4]) != row.content or row_hash(row.content, row.seconds, row.traceback) != row.hash:
        raise damaged(database, f"outcome {row.id} ({row.step} of {row.ticket or 'the night'})")


def read_outcomes(database: Database, condition: str, *values: object) -> list[OutcomeRow]:
    """Return the outcomes that meet an SQL condition, each checked against its hashes."""
    rows = [OutcomeRow(*row) for row in database.rows(f"{OUTCOME_SQL} {condition}", *values)]
    for row in rows:
        check_outcome(database, row)
    return rows


def find(database: Database, addresses: Iterable[str]) -> dict[str, Outcome]:
    """Return the latest outcome at each address that has one, without its artefact."""
    condition = "WHERE address IN (SELECT value FROM json_each(?)) ORDER BY id"
    return {row.address: _outcome(row) for row in read_outcomes(database, condition, json.dumps(list(addresses)))}


def _outcome(row: OutcomeRow) -> Outcome:
    return Outcome(
        step=row.step,
        stage=row.stage,
        item=Item(scope=Scope(row.scope), ticket=row.ticket, setting=read_setting(row.setting), shot=row.shot),
        address=row.address,
        status=Status(row.status),
        reason=row.reason,
        traceback=row.traceback,
        caveats=read_names(row.caveats),
        notes=read_names(row.notes),
        seconds=row.seconds,
    )


def find_artefact(database: Database, address: str) -> str | None:
    """Return the SHA-256 of the artefact of the latest outcome at an address."""
    rows = read_outcomes(database, "WHERE address = ? ORDER BY id DESC LIMIT 1", address)
    return rows[0].artefact if rows else None


@lru_cache(maxsize=4096)
def read_names(text: str) -> tuple[str, ...]:
    """Return the names in a row's JSON text."""
    return tuple(json.loads(text))


@lru_cache(maxsize=4096)
def read_setting(text: str) -> Setting | None:
    """Return the setting in a row's JSON text."""
    values = json.loads(text)
    return None if values is None else Setting(**dict(zip(Setting.__dataclass_fields__, values, strict=True)))


def artefacts_of(database: Database, ticket: str) -> list[str]:
    """Return the SHA-256 of every artefact in a ticket's latest manifest."""
    sql = (
        "SELECT DISTINCT artefact FROM manifest_outcome JOIN outcome ON outcome.id = outcome "
        "WHERE artefact IS NOT NULL AND manifest = (SELECT max(id) FROM manifest WHERE ticket = ?)"
    )
    return [row[0] for row in database.rows(sql, ticket)]


def latest_states(
    database: Database, tickets: Collection[str] | None, measures: Collection[str] | None
) -> tuple[TicketState, ...]:
    """Return the current state of tickets, sorted by number.

    Parameters
    ----------
    tickets
        Ticket numbers; None for all.
    measures
        `step.field` names of the measurements to read; None for all.
    """
    sql = MANIFEST_SQL + "WHERE manifest.id IN (SELECT max(id) FROM manifest WHERE ticket != '' "
    if tickets is None:
        manifests = database.rows(sql + "GROUP BY ticket) ORDER BY ticket")
    else:
        chosen = "AND ticket IN (SELECT value FROM json_each(?)) GROUP BY ticket) ORDER BY ticket"
        manifests = database.rows(sql + chosen, json.dumps(sorted(tickets)))
    return _states(database, manifests, measures)


def _states(
    database: Database, manifests: Sequence[Sequence[Any]], measures: Collection[str] | None
) -> tuple[TicketState, ...]:
    members = _members(database, [row[0] for row in manifests])
    outcomes = {row.id: row for rows in members.values() for row in rows}
    measured = read_measured(database, outcomes, measures)
    attempts = latest_attempts(database, [row[1] for row in manifests])
    methods = dict[str, str]()
    states = [_state(database, row, members[row[0]], measured, attempts.get(row[1]), methods) for row in manifests]
    finder = TwinFinder(database, [state.record for state in states])
    return tuple(_with_twins(state, finder) for state in states)


def _with_twins(state: TicketState, finder: TwinFinder) -> TicketState:
    twins = finder.find_twins(state.record)
    return dataclasses.replace(state, twins=twins, replaced_by=finder.find_replacing(state.record, twins))


def _members(database: Database, manifests: Sequence[int]) -> Mapping[int, list[OutcomeRow]]:
    columns = ", ".join(f"outcome.{name}" for name in OutcomeRow._fields)
    sql = (
        f"SELECT manifest, {columns} FROM manifest_outcome JOIN outcome ON outcome.id = manifest_outcome.outcome "
        "WHERE manifest IN (SELECT value FROM json_each(?)) ORDER BY manifest, outcome.id"
    )
    members: dict[int, list[OutcomeRow]] = defaultdict(list)
    for manifest, *columns_of in database.rows(sql, json.dumps(list(manifests))):
        row = OutcomeRow(*columns_of)
        check_outcome(database, row)
        members[manifest].append(row)
    return members


def read_measured(
    database: Database, outcomes: Mapping[int, OutcomeRow], measures: Collection[str] | None
) -> Mapping[int, dict[str, Measured]]:
    """Return outcome -> path -> measurement, for the requested measures, after checking that none was removed."""
    if measures is None:
        check_all_measurements(database, outcomes)
        asked = None
    else:
        asked = {tuple(measure.split(".", 1)) for measure in measures}
    paths = json.dumps(None if asked is None else sorted({path for _, path in asked}))
    sql = (
        MEASUREMENT_SQL + "WHERE outcome IN (SELECT value FROM json_each(?1)) "
        "AND (?2 = 'null' OR field IN (SELECT id FROM field WHERE path IN (SELECT value FROM json_each(?2))))"
    )
    found: dict[int, dict[str, Measured]] = defaultdict(dict)
    for outcome, path, unit, kind, value, text, u, hashed in database.rows(sql, json.dumps(list(outcomes)), paths):
        row = outcomes[outcome]
        if asked is not None and (row.step, path) not in asked:
            continue
        if measurement_hash(row.address, path, unit, kind, value, u, text) != hashed:
            raise damaged(database, f"measurement {row.step}.{path} of {row.ticket} (outcome {outcome})")
        number = math.nan if kind == "nan" else value
        own_u = math.nan if u == NAN_U else u
        found[outcome][path] = Measured(path=path, value=number, text=text, u=own_u, unit=unit)
    if asked is not None:
        _explain_missing(database, outcomes, found, asked)
    return found


def _explain_missing(
    database: Database,
    outcomes: Mapping[int, OutcomeRow],
    found: Mapping[int, Mapping[str, Measured]],
    asked: Collection[tuple[str, ...]],
) -> None:
    """Check outcomes that lack a requested field: it was never measured, or its row was removed (an error)."""
    paths: dict[str, set[str]] = defaultdict(set)
    for step, path in asked:
        paths[step].add(path)
    short = {
        number: row
        for number, row in outcomes.items()
        if row.measured_count and row.step in paths and not paths[row.step] <= found.get(number, {}).keys()
    }
    check_all_measurements(database, short)


def check_all_measurements(database: Database, outcomes: Mapping[int, OutcomeRow]) -> None:
    """Check every measurement of outcomes against its hash, and that none is missing."""
    sql = MEASUREMENT_SQL + "WHERE outcome IN (SELECT value FROM json_each(?)) ORDER BY outcome, path"
    hashes: dict[int, list[bytes]] = defaultdict(list)
    for outcome, path, unit, kind, value, text, u, hashed in database.rows(sql, json.dumps(list(outcomes))):
        if measurement_hash(outcomes[outcome].address, path, unit, kind, value, u, text) != hashed:
            raise damaged(database, f"measurement {path} of outcome {outcome}")
        hashes[outcome].append(hashed)
    for number, row in outcomes.items():
        if (len(hashes[number]), join_hashes(hashes[number])) != (row.measured_count, row.measured_hash):
            raise damaged(database, f"the list of measurements of outcome {number} ({row.step} of {row.ticket})")


def _state(
    database: Database,
    manifest: Sequence[Any],
    members: Sequence[OutcomeRow],
    measured: Mapping[int, Mapping[str, Measured]],
    attempt: Attempt | None,
    methods: dict[str, str],
) -> TicketState:
    number, ticket, folder, text, content, hashed, started_at, versions = manifest
    expected = manifest_content(text, [row.content for row in members])
    record = from_text(text)
    if content != expected or row_hash(ticket, content, folder) != hashed or not isinstance(record, TicketRecord):
        raise damaged(database, f"manifest {number} of ticket {ticket}")
    earlier = read_earlier_records(database, record, number)
    past = (ticket, *find_replaced(database, record))
    marks = latest_marks(database, past)
    marked = [marks[each] for each in past if each in marks]
    came_back = filter(None, (why_came_back(database, mark, record) for mark in marked))
    return TicketState(
        record=dataclasses.replace(record, folder=folder),
        content=content,
        measured_at=started_at,
        outcomes=tuple(_kept(row, measured.get(row.id, {})) for row in members),
        other_lenses=find_other_lenses(record, earlier),
        gone_shots=find_gone_shots(record, earlier),
        other_phases=find_other_phases(record, earlier),
        earlier_answers=find_earlier_answers(record, earlier),
        method=_read_method(database, record, methods),
        program=json.loads(versions).get("glasswright", ""),
        pending=attempt.why_pending() if attempt is not None else "",
        came_back=next(came_back, ""),
        withdrawn_returns=tuple(str(mark) for mark in marked if not mark.came_back),
    )


def _read_method(database: Database, record: TicketRecord, known: dict[str, str]) -> str:
    """Return the method of a ticket as JSON (empty if none is kept); `known` caches methods of many tickets."""
    sha256 = record.method_sha256
    if sha256 and sha256 not in known:
        document = read_document(database, sha256)
        if document is None:
            msg = f"{database.path}: the method by which ticket {record.ticket.number} was measured is missing"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        known[sha256] = document.text
    return known[sha256] if sha256 else ""


def _kept(row: OutcomeRow, measured: Mapping[str, Measured]) -> KeptOutcome:
    return KeptOutcome(
        step=row.step,
        scope=Scope(row.scope),
        setting=read_setting(row.setting),
        shot=row.shot,
        status=Status(row.status),
        reason=row.reason,
        caveats=read_names(row.caveats),
        measured=measured,
        address=row.address,
        has_artefact=row.artefact is not None,
        notes=read_names(row.notes),
    )
