"""The ledger: one database file that is only ever added to, and the artefacts' files beside it."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, Self

from glasswright.encoding import decode, encode
from glasswright.errors import GlasswrightError, LedgerBusyError, LedgerDamagedError
from glasswright.ledger import (
    attempts,
    chain,
    content,
    decisions,
    judgements,
    reading,
    shot_content,
    verifying,
    writing,
)
from glasswright.ledger.attempts import AttemptState
from glasswright.ledger.files import ArtefactFiles
from glasswright.ledger.lock import WriterLock
from glasswright.ledger.place import LedgerPlaceError, check_place, find_real_path, refuse_second_name
from glasswright.ledger.schema import migrations
from glasswright.measurements import read_measurements

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from glasswright.artefact import Artefact
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.records import RunRecord, TicketRecord, TicketState
    from glasswright.outcome import Outcome

APPLICATION_ID: Final = 0x474C5752
"""Marks the file as a ledger of this program (`GLWR`)."""
SECONDS_TO_WAIT: Final = 30
MOMENT_TABLES: Final = ("manifest", "judgement", "returned", "attempt", "decision", "shot_content")
"""Of these the last row of a ticket counts, or every row up to some."""


class Database:
    """The one way to the database: its failures come out as the ledger's own."""

    def __init__(self, path: Path, *, writable: bool) -> None:
        """Open a ledger's file; a writer makes it, and brings an older one up to date."""
        self.path = path
        if not writable and not path.is_file():
            msg = f"{path}: there is no ledger here: correct --ledger, or make one with `glasswright run`"
            raise LedgerDamagedError(msg)
        mode = "rwc" if writable else "ro"
        with self.explained():
            self._connection = sqlite3.connect(
                f"{path.resolve().as_uri()}?mode={mode}", uri=True, isolation_level=None, timeout=SECONDS_TO_WAIT
            )
        try:
            self._set_up(writable)
        except BaseException:
            self._connection.close()
            raise

    def _set_up(self, writable: bool) -> None:
        if writable and self._is_empty():
            self.rows(f"PRAGMA application_id = {APPLICATION_ID}")
        found, version, latest = self._number("application_id"), self._number("user_version"), len(migrations())
        if found != APPLICATION_ID:
            msg = f"{self.path}: this file is not a ledger of this program: correct --ledger"
            raise LedgerDamagedError(msg)
        if version > latest or (version < latest and not writable):
            need = "a newer program" if version > latest else "to be brought up to date by `glasswright run`"
            msg = f"{self.path}: the ledger has schema {version}, this program knows {latest}: it needs {need}"
            raise LedgerDamagedError(msg)
        for pragma in ("foreign_keys = ON", "recursive_triggers = ON", "trusted_schema = OFF", "cell_size_check = ON"):
            self.rows(f"PRAGMA {pragma}")
        if writable:
            self.rows("PRAGMA journal_mode = WAL")
            self.rows("PRAGMA synchronous = FULL")
            self._migrate(version)
        else:
            # everything is read as it was at one moment
            self.rows("BEGIN")

    def _is_empty(self) -> bool:
        return not self.rows("SELECT 1 FROM sqlite_schema LIMIT 1") and self._number("user_version") == 0

    def _number(self, pragma: str) -> int:
        return int(self.rows(f"PRAGMA {pragma}")[0][0])

    def _migrate(self, version: int) -> None:
        steps = migrations()
        if 0 < version < len(steps):
            self.copy_to(self.path.with_name(f"{self.path.name}.schema-{version}"))
        with self.transaction():
            for number, statements in enumerate(steps[version:], version + 1):
                for statement in statements:
                    self.rows(statement)
                self.rows(f"PRAGMA user_version = {number}")

    def rows(self, sql: str, *values: object) -> list[Any]:
        """Run one statement and give its rows."""
        with self.explained():
            return self._connection.execute(sql, values).fetchall()

    def insert(self, table: str, *values: object) -> int:
        """Add one row and give its number."""
        with self.explained():
            marks = ", ".join("?" * len(values))
            return int(self._connection.execute(f"INSERT INTO {table} VALUES ({marks})", values).lastrowid or 0)

    def insert_many(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Add several rows."""
        if rows:
            with self.explained():
                marks = ", ".join("?" * len(rows[0]))
                self._connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep all that is added inside, or nothing of it."""
        self.rows("BEGIN IMMEDIATE")
        try:
            yield
            self.rows("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.rollback()
            raise

    def copy_to(self, path: Path) -> None:
        """Write a compact copy, whole or not at all."""
        temporary = path.with_name(path.name + ".part")
        temporary.unlink(missing_ok=True)
        self.rows("VACUUM INTO ?", str(temporary))
        temporary.replace(path)

    @contextmanager
    def explained(self) -> Iterator[None]:
        """Turn the database's failures into the ledger's, with what to do about them."""
        try:
            yield
        except sqlite3.IntegrityError:
            raise
        except sqlite3.OperationalError as error:
            raise self._explain(error) from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            what = f"{self.path}: the ledger is damaged, or this is none ({error})"
            msg = f"{what}: restore it from a backup, or correct --ledger"
            raise LedgerDamagedError(msg) from error

    def _explain(self, error: sqlite3.OperationalError) -> GlasswrightError:
        # what is no failure of SQLite itself, such as bytes that are no text, has no code; the low byte is the kind
        kind = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return LedgerBusyError(f"{self.path}: another program holds the ledger's database: close it and try again")
        if kind == sqlite3.SQLITE_FULL:
            return GlasswrightError(f"{self.path}: the disk is full: make room and run again; nothing kept is lost")
        if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return LedgerPlaceError(f"{self.path}: cannot be opened or written ({error}): check who may write there")
        return LedgerDamagedError(f"{self.path}: the ledger cannot be used: {error}: restore it from a backup")

    def find_schema_changes(self) -> list[str]:
        """Name the tables and triggers that are not as this program makes them: one that is gone guards nothing."""
        fresh = sqlite3.connect(":memory:", isolation_level=None)
        for statements in migrations():
            for statement in statements:
                fresh.execute(statement)
        sql = "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%'"
        expected, found = dict(fresh.execute(sql).fetchall()), dict(self.rows(sql))
        fresh.close()
        names = sorted(name for name in expected.keys() | found.keys() if expected.get(name) != found.get(name))
        return [f"{self.path}: the database's `{name}` is not as this program made it" for name in names]

    def close(self) -> None:
        """Close the file."""
        self._connection.close()


class Ledger:
    """What was measured and decided. A context manager; nothing in it is ever overwritten."""

    def __init__(self, database: Database, files: ArtefactFiles, lock: WriterLock | None) -> None:
        """Use `open_for_writing` or `open_for_reading`."""
        self.database = database
        self.files = files
        self._lock = lock

    @classmethod
    def open_for_writing(cls, path: Path) -> Self:
        """Open a ledger, or begin a new one, as its only writer.

        Raises
        ------
        LedgerPlaceError
            On a network file system, or if the file has a second name that no lock would cover.
        LedgerBusyError
            If another run holds it.
        LedgerDamagedError
            If it is newer than this program, or no ledger.
        """
        path = find_real_path(path)
        check_place(path)
        refuse_second_name(path)
        lock = WriterLock(path)
        try:
            return cls(Database(path, writable=True), ArtefactFiles(path), lock)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def open_for_reading(cls, path: Path) -> Self:
        """Open a ledger as it is at this moment; a run may go on writing."""
        path = find_real_path(path)
        check_place(path)
        return cls(Database(path, writable=False), ArtefactFiles(path), None)

    def __enter__(self) -> Self:
        """Give the ledger."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close it."""
        self.database.close()
        if self._lock is not None:
            self._lock.release()

    def begin_run(self, record: RunRecord) -> int:
        """Keep the start of a run and the documents it uses; give its number."""
        with self.database.transaction():
            chain.end_killed_runs(self.database, _now())
            return writing.add_run(self.database, record)

    def find(self, addresses: Iterable[str]) -> dict[str, Outcome]:
        """Give the latest outcome at each address that has one, without its artefact."""
        return reading.find(self.database, addresses)

    def find_contents(self, addresses: Iterable[str]) -> dict[str, str]:
        """Give address -> digest of the shot's content, for the outcomes that read a shot and named what it holds."""
        return shot_content.find_contents(self.database, addresses)

    def load_artefact(self, address: str) -> Artefact:
        """Give the artefact of the outcome at an address, checked against its hash."""
        sha256 = reading.find_artefact(self.database, address)
        if sha256 is None:
            msg = f"{self.database.path}: the ledger keeps no artefact at the address {address}"
            raise LedgerDamagedError(msg)
        return decode(self.files.read(sha256))

    def begin_ticket(self, run: int, ticket: str, folder: str) -> None:
        """Note that a ticket is about to be measured: until it is committed, nothing is known of its lens."""
        with self.database.transaction():
            attempts.add_attempt(self.database, run, ticket, AttemptState.BEGUN, folder=folder)

    def refuse_tickets(self, run: int, tickets: Iterable[str], folder: str, reason: str) -> None:
        """Note that a folder could not be taken in, and which tickets were to be measured from it."""
        with self.database.transaction():
            for ticket in tickets:
                attempts.add_attempt(
                    self.database, run, ticket, AttemptState.REFUSED, folder=folder, reason=" ".join(reason.split())
                )

    def stop_tickets(self, run: int, tickets: Iterable[str]) -> None:
        """Note that a run was stopped before it had measured tickets that it was given."""
        with self.database.transaction():
            for ticket in tickets:
                attempts.add_attempt(self.database, run, ticket, AttemptState.STOPPED)

    def keep_outcomes(self, run: int, outcomes: Iterable[Outcome]) -> None:
        """Keep outcomes of a ticket that is not measured wholly yet."""
        kept = self._write_artefacts(outcomes)
        with self.database.transaction():
            self._add_outcomes(run, kept)

    def commit_ticket(self, run: int, record: TicketRecord, outcomes: Iterable[Outcome]) -> None:
        """Keep a ticket's new outcomes and its manifest, all or nothing; what is there already is not kept twice.

        The attempt to measure it has then ended.

        Parameters
        ----------
        record
            Its manifest may name outcomes of this call and such as are kept already.
        outcomes
            New ones, in any order.
        """
        kept = self._write_artefacts(outcomes)
        with self.database.transaction():
            writing.add_manifest(self.database, run, record, self._add_outcomes(run, kept))
            if record.ticket.number:
                attempts.add_attempt(self.database, run, record.ticket.number, AttemptState.ENDED)

    def _write_artefacts(self, outcomes: Iterable[Outcome]) -> list[tuple[Outcome, str | None]]:
        """Write the files of outcomes; they come first, so that a row never names a file that is not there."""
        kept = [(each, None if each.artefact is None else self.files.write(encode(each.artefact))) for each in outcomes]
        return sorted(kept, key=lambda pair: (pair[0].step, pair[0].address))

    def _add_outcomes(self, run: int, kept: Iterable[tuple[Outcome, str | None]]) -> dict[str, int]:
        """Add the rows of outcomes; give address -> number."""
        added = {}
        for outcome, sha256 in kept:
            measured = () if outcome.artefact is None else read_measurements(outcome.artefact)
            added[outcome.address] = writing.add_outcome(self.database, run, outcome, sha256, measured)
            shot_content.add_content(self.database, run, outcome)
        return added

    def end_run(self, run: int, summary: Mapping[str, object], *, backup: bool = True) -> str:
        """Close a run, give its digest in the chain, and write a copy of the database to `<ledger>.backup`."""
        with self.database.transaction():
            digest = chain.end_run(self.database, run, _now(), True, summary)
        if backup:
            self.database.copy_to(self.database.path.with_name(self.database.path.name + ".backup"))
        return digest

    def latest_tickets(
        self, tickets: Collection[str] | None = None, measures: Collection[str] | None = None
    ) -> tuple[TicketState, ...]:
        """Give what the ledger says now of tickets (all if None), with the measurements asked for (all if None)."""
        return reading.latest_states(self.database, tickets, measures)

    def choose_new_judgements(self, judged: Iterable[Judgement]) -> tuple[Judgement, ...]:
        """Give those judgements that say something else than the latest one kept of the same ticket."""
        return judgements.choose_new(self.database, judged)

    def add_judgements(self, run: int, judged: Iterable[Judgement]) -> None:
        """Keep the judgements that are new, in one transaction."""
        with self.database.transaction():
            judgements.add_judgements(self.database, run, judged)

    def latest_judgement(self, ticket: str) -> Judgement | None:
        """Give the latest judgement of a ticket, checked against its hash."""
        return judgements.latest_judgement(self.database, ticket)

    def latest_judgements(self, tickets: Collection[str]) -> dict[str, Judgement]:
        """Give the latest judgement of each ticket that has one, checked against its hash."""
        found = {ticket: self.latest_judgement(ticket) for ticket in tickets}
        return {ticket: judgement for ticket, judgement in found.items() if judgement is not None}

    def latest_decisions(self, tickets: Collection[str]) -> Mapping[str, PersonsDecision]:
        """Give what persons last decided on tickets in review, checked against its hash."""
        return decisions.latest_decisions(self.database, tickets)

    def add_decision(self, run: int, decision: PersonsDecision) -> None:
        """Keep a person's decision on a ticket in review."""
        with self.database.transaction():
            decisions.add_decision(self.database, run, decision)

    def ticket_numbers(self) -> tuple[str, ...]:
        """Give the number of every ticket that was measured, in order."""
        sql = "SELECT DISTINCT ticket FROM manifest WHERE ticket != '' ORDER BY ticket"
        return tuple(str(ticket) for (ticket,) in self.database.rows(sql))

    def why_pending(self, ticket: str) -> str:
        """Say why the last attempt to measure a ticket has not ended; empty if it has, or there was none."""
        attempt = attempts.latest_attempts(self.database, [ticket]).get(ticket)
        return attempt.why_pending() if attempt is not None else ""

    def moment(self) -> dict[str, int]:
        """Give how far each table got that a decision rests on: table -> its highest row."""
        return {
            table: int(self.database.rows(f"SELECT coalesce(max(id), 0) FROM {table}")[0][0]) for table in MOMENT_TABLES
        }

    def has_been_at(self, moment: Mapping[str, int]) -> bool:
        """Tell whether the ledger has got as far as a moment."""
        now = self.moment()
        return now.keys() == moment.keys() and all(0 <= moment[table] <= now[table] for table in now)

    @contextmanager
    def as_of(self, moment: Mapping[str, int]) -> Iterator[None]:
        """Read the ledger inside as it was at a moment; only of one that is open for reading."""
        for table in MOMENT_TABLES:
            # a view that is temporary hides the table of its name
            view = f"SELECT * FROM main.{table} WHERE id <= {int(moment[table])}"
            self.database.rows(f"CREATE TEMP VIEW {table} AS {view}")
        try:
            yield
        finally:
            for table in MOMENT_TABLES:
                self.database.rows(f"DROP VIEW temp.{table}")

    def check_chain(self) -> None:
        """Check that no run, and nothing that a run added, has been changed or removed; raise LedgerDamagedError."""
        chain.check_chain(self.database)

    def check_artefacts(self, ticket: str) -> None:
        """Check the files of every artefact that describes a ticket now; raise LedgerDamagedError."""
        for sha256 in reading.artefacts_of(self.database, ticket):
            self.files.read(sha256)

    def verify(self) -> verifying.Verification:
        """Check everything against its hash, and give all that is wrong."""
        return verifying.verify(self.database, self.files)

    def content_digest(self) -> str:
        """Give one hash of what the ledger says now of every ticket, whatever runs it took and when they were."""
        return content.content_digest(self.database)


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
