"""Adds rows to the ledger, with their hashes."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import TYPE_CHECKING, Any, Final

from glasswright.errors import GlasswrightError
from glasswright.ledger.encoding import to_text
from glasswright.ledger.hashes import join_hashes, measurement_hash, row_hash

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.ledger.records import Document, RunRecord, TicketRecord
    from glasswright.ledger.store import Database
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.measurements import Measured
    from glasswright.plugin.outcome import Outcome

MeasurementRow = tuple[str, str, str, float | None, str | None, float | None]
"""path, unit, kind, value, text, u"""
NAN_U: Final = -math.inf
"""Represents an uncertainty that is NaN, which the database would store as NULL, as if the stage had given none."""


def add_documents(database: Database, documents: Iterable[Document]) -> None:
    """Add the documents that are not kept yet."""
    for document in documents:
        if not database.rows("SELECT 1 FROM document WHERE sha256 = ?", document.sha256):
            hashed = row_hash(document.sha256, document.kind, document.name)
            database.insert("document", None, document.sha256, document.kind, document.name, document.text, hashed)


def end_run(database: Database, run: int, ended_at: str, completed: bool, summary: Mapping[str, object]) -> None:
    """Add the end of a run."""
    values = (ended_at, int(completed), json.dumps(summary, sort_keys=True, default=str))
    database.insert("run_end", run, *values, row_hash(*values))


def end_killed_runs(database: Database, ended_at: str) -> None:
    """Add an end for runs that were killed."""
    sql = "SELECT id FROM run WHERE NOT EXISTS (SELECT 1 FROM run_end WHERE run_end.run = run.id) ORDER BY id"
    for (run,) in database.rows(sql):
        end_run(database, int(run), ended_at, False, {"interrupted": True})


def add_run(database: Database, record: RunRecord) -> int:
    """Add the start of a run and return its number."""
    add_documents(database, record.documents)
    versions = json.dumps(dict(record.versions), sort_keys=True)
    documents = json.dumps(sorted(document.sha256 for document in record.documents))
    values = (record.command, record.machine, record.started_at, versions, documents)
    return database.insert("run", None, *values, row_hash(*values))


def setting_text(setting: Setting | None) -> str:
    """Return a setting as JSON for a row."""
    return json.dumps(
        None if setting is None else [None if v is None else float(v) for v in dataclasses.astuple(setting)]
    )


def measurement_rows(measured: Iterable[Measured]) -> list[MeasurementRow]:
    """Return the measurements as rows, sorted by path."""
    return sorted((_measurement_row(each) for each in measured), key=lambda row: row[0])


def _measurement_row(measured: Measured) -> MeasurementRow:
    # adding 0 makes a negative zero positive, because the database keeps no negative zero
    value = None if measured.value is None or math.isnan(measured.value) else float(measured.value) + 0.0
    u = None if measured.u is None else NAN_U if math.isnan(measured.u) else float(measured.u) + 0.0
    kind = "number" if value is not None else "text" if measured.text is not None else "none"
    if measured.value is not None and math.isnan(measured.value):
        kind = "nan"
    return (measured.path, measured.unit, kind, value, measured.text, u)


def outcome_values(outcome: Outcome, artefact: str | None, measurements: Sequence[MeasurementRow]) -> tuple[Any, ...]:
    """Return the hashes of an outcome's measurements, followed by its columns `address` to `hash`."""
    hashes = [
        measurement_hash(outcome.address, path, unit, kind, value, u, text)
        for path, unit, kind, value, text, u in measurements
    ]
    item = outcome.item
    values = (
        outcome.address, outcome.step, outcome.stage, int(item.scope), item.ticket, setting_text(item.setting),
        item.shot, str(outcome.status), outcome.reason, json.dumps(outcome.caveats), json.dumps(outcome.notes),
        artefact, len(hashes), join_hashes(hashes),
    )  # fmt: skip
    content = row_hash(*values)
    seconds = float(outcome.seconds)
    return (hashes, *values, seconds, outcome.traceback, content, row_hash(content, seconds, outcome.traceback))


def add_outcome(
    database: Database, run: int, outcome: Outcome, artefact: str | None, measured: Iterable[Measured]
) -> int:
    """Add an outcome and its measurements, unless an equal one (apart from its duration) is kept; return its number."""
    measurements = measurement_rows(measured)
    hashes, *values = outcome_values(outcome, artefact, measurements)
    content = values[-2]
    there = database.rows("SELECT id FROM outcome WHERE address = ? AND content = ?", outcome.address, content)
    if there:
        return int(there[-1][0])
    number = database.insert("outcome", None, run, *values)
    rows = [
        (number, _field_number(database, path, unit), kind, value, text, u, hashed)
        for (path, unit, kind, value, text, u), hashed in zip(measurements, hashes, strict=True)
    ]
    database.insert_many("measurement", rows)
    return number


def _field_number(database: Database, path: str, unit: str) -> int:
    there = database.rows("SELECT id FROM field WHERE path = ? AND unit = ?", path, unit)
    return int(there[0][0]) if there else database.insert("field", None, path, unit)


def add_manifest(database: Database, run: int, record: TicketRecord, added: dict[str, int]) -> None:
    """Add the manifest of a ticket, unless it equals the latest one.

    Parameters
    ----------
    added
        Address -> number, for the outcomes added in this transaction.
    """
    numbers = sorted({added.get(each) or _find_number(database, each, record) for each in record.manifest})
    listed = json.dumps(numbers)
    sql = "SELECT content, hash FROM outcome WHERE id IN (SELECT value FROM json_each(?)) ORDER BY content"
    outcomes = database.rows(sql, listed)
    text = to_text(dataclasses.replace(record, folder="", manifest=()))
    content = manifest_content(text, [row[0] for row in outcomes])
    number = record.ticket.number
    last = database.rows("SELECT content FROM manifest WHERE ticket = ? ORDER BY id DESC LIMIT 1", number)
    if last and last[0][0] == content:
        return
    hashed = row_hash(number, content, record.folder)
    manifest = database.insert("manifest", None, run, number, record.folder, text, content, hashed)
    database.insert_many("manifest_outcome", [(manifest, outcome) for outcome in numbers])
    _add_raw_files(database, run, record)


def _add_raw_files(database: Database, run: int, record: TicketRecord) -> None:
    """Add the raw files that a ticket was measured from, once each; the table is an index for searching."""
    hashes = sorted({shot.sha256 for shot in record.shots if shot.sha256})
    there = database.rows(
        "SELECT sha256 FROM raw_file WHERE ticket = ? AND sha256 IN (SELECT value FROM json_each(?))",
        record.ticket.number,
        json.dumps(hashes),
    )
    for sha256 in hashes if record.ticket.number else ():
        if (sha256,) not in there:
            database.insert("raw_file", None, run, record.ticket.number, sha256)


def manifest_content(record: str, outcomes: list[str]) -> str:
    """Return the hash of a ticket's measurements, from its record and its outcomes' contents."""
    return row_hash(record, sorted(outcomes))


def _find_number(database: Database, address: str, record: TicketRecord) -> int:
    """Return the latest outcome at an address, preferably of this ticket."""
    sql = "SELECT id FROM outcome WHERE address = ? ORDER BY ticket IN (?, '') DESC, id DESC LIMIT 1"
    found = database.rows(sql, address, record.ticket.number)
    if not found:
        msg = f"ticket {record.ticket.number}: its manifest names the address {address}, at which there is no outcome"
        raise GlasswrightError(msg)
    return int(found[0][0])
