"""The ledger: an append-only database file, and the artefact files beside it."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections import Counter
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final, Self

from glasswright.errors import GlasswrightError, LedgerBusyError, LedgerDamagedError
from glasswright.ledger import (
    attempts,
    chain,
    content,
    decisions,
    judgements,
    reading,
    shot_content,
    stand_adoptions,
    verifying,
    writing,
)
from glasswright.ledger.attempts import AttemptState
from glasswright.ledger.backup import write_backup
from glasswright.ledger.encoding import decode, encode
from glasswright.ledger.files import ArtefactFiles
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.head import Head, HeadDamagedError, HeadFile, read_head
from glasswright.ledger.lock import WriterLock
from glasswright.ledger.place import (
    DiskFullError,
    LedgerPlaceError,
    check_place,
    find_real_path,
    refuse_other_file,
    refuse_second_name,
)
from glasswright.ledger.schema import migrations
from glasswright.plugin.measurements import read_measurements
from glasswright.signing import find_signer
from glasswright.whole_files import whole_file

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.records import RunRecord, TicketRecord, TicketState
    from glasswright.ledger.verdict import Judgement
    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Outcome

APPLICATION_ID: Final = 0x474C5752
"""SQLite application id of a ledger (`GLWR`)."""
SECONDS_TO_WAIT: Final = 30
EACH_COMMIT: Final = 0
"""Run number if each commit is a separate run; the number of a run is never 0."""
MOMENT_TABLES: Final = (
    "manifest", "judgement", "returned", "attempt", "decision", "shot_content", "restored", "link", "inspected",
    "stand_adoption",
)  # fmt: skip
"""Tables that `Ledger.as_of` restricts to the rows of an earlier moment."""
ROWS_AT_A_TIME: Final = 500
"""Rows that `Database.stream` reads at a time."""
LEAST_ROOM_BYTES: Final = 64 * 1024
"""SQLite needs 32 KiB for the shared-memory file (sqlite.org/walformat.html, 2), and room for a log."""


FAULTS: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    RecursionError,
    TypeError,
    ValueError,
    sqlite3.Error,
)
"""Exceptions that damaged rows can cause anywhere in the program."""


class Database:
    """Access to the database, with SQLite's errors converted to the ledger's."""

    def __init__(self, path: Path, *, writable: bool) -> None:
        """Open a ledger's file; a writer creates it, and then calls `begin_writing`."""
        self.path = path
        self.head_file = HeadFile(path)
        self._added: Counter[str] = Counter()
        self._owed_head: Head | None = None
        self._tables: tuple[str, ...] | None = None
        self._columns: Mapping[str, str] | None = None
        self.locks_each_commit = False
        """Whether others may write between two transactions: each then takes the writer's lock for itself."""
        if not writable and not path.is_file():
            msg = f"{path}: there is no ledger here: correct --ledger, or make one with `glasswright run`"
            raise LedgerDamagedError(msg)
        self._archive: TemporaryDirectory[str] | None = None
        try:
            self._open(path, "mode=rwc" if writable else "mode=ro", writable)
        except (LedgerPlaceError, DiskFullError):
            if writable:
                raise
            self._open_archive()

    def _open(self, file: Path, how: str, writable: bool) -> None:
        with self.explained():
            self._connection = sqlite3.connect(
                f"{file.resolve().as_uri()}?{how}", uri=True, isolation_level=None, timeout=SECONDS_TO_WAIT
            )
        try:
            self._set_up(writable)
        except BaseException:
            self._connection.close()
            raise

    def _open_archive(self) -> None:
        """Open a ledger in a read-only folder, where SQLite cannot write the index of its write-ahead log."""
        log = self.path.with_name(f"{self.path.name}-wal")
        if not (log.exists() and log.stat().st_size):
            self._open(self.path, "mode=ro&immutable=1", writable=False)
            return
        self._archive = TemporaryDirectory(prefix="glasswright-")
        copy = Path(self._archive.name) / self.path.name
        try:
            for file in (self.path, log):
                shutil.copyfile(file, copy.with_name(file.name))
            self._open(copy, "mode=rw", writable=False)
        except OSError as error:
            raise LedgerPlaceError(
                f"{self.path}: cannot be copied to a temporary folder for reading ({error})"
            ) from error
        except BaseException:
            self._archive.cleanup()
            raise

    def _set_up(self, writable: bool) -> None:
        if writable and self._is_empty():
            self.rows(f"PRAGMA application_id = {APPLICATION_ID}")
        found, self._version = self._number("application_id"), self._number("user_version")
        latest = len(migrations())
        if found != APPLICATION_ID:
            msg = f"{self.path}: this file is not a ledger of this program: correct --ledger"
            raise LedgerDamagedError(msg)
        if self._version > latest or (self._version < latest and not writable):
            need = "a newer program" if self._version > latest else "to be brought up to date by `glasswright run`"
            msg = f"{self.path}: the ledger has schema {self._version}, this program has {latest}: it needs {need}"
            raise LedgerDamagedError(msg)
        for pragma in ("foreign_keys = ON", "recursive_triggers = ON", "trusted_schema = OFF", "cell_size_check = ON"):
            self.rows(f"PRAGMA {pragma}")
        if not writable:
            # one transaction: all reads see the same moment
            self.rows("BEGIN")

    def _is_empty(self) -> bool:
        return not self.rows("SELECT 1 FROM sqlite_schema LIMIT 1") and self._number("user_version") == 0

    def _number(self, pragma: str) -> int:
        return int(self.rows(f"PRAGMA {pragma}")[0][0])

    def is_chained(self) -> bool:
        """Return whether there is a chain to check; a new ledger, or one from before the chain, has none."""
        there = self.rows("SELECT 1 FROM sqlite_schema WHERE name = 'link'")
        return bool(there) or self._version == len(migrations())

    def begin_writing(self) -> None:
        """Create the tables of a new ledger, or migrate an older one. Before this call nothing is written."""
        self.rows("PRAGMA journal_mode = WAL")
        self.rows("PRAGMA synchronous = FULL")
        steps = migrations()
        if self._version == len(steps):
            return
        if self._version > 0:
            self.copy_to(self.path.with_name(f"{self.path.name}.schema-{self._version}"))
        _add_functions(self._connection)
        with self.transaction(linked=False):
            for number, statements in enumerate(steps[self._version :], self._version + 1):
                for statement in statements:
                    self.rows(statement)
                self.rows(f"PRAGMA user_version = {number}")
            chain.add_link(self, None)
        self._version = len(steps)

    def rows(self, sql: str, *values: object) -> list[Any]:
        """Run one statement and return its rows."""
        with self.explained():
            return self._connection.execute(sql, values).fetchall()

    def stream(self, sql: str, *values: object) -> Iterator[Any]:
        """Run one statement and yield its rows, with few in memory at a time."""
        with self.explained():
            cursor = self._connection.execute(sql, values)
        while True:
            with self.explained():
                some = cursor.fetchmany(ROWS_AT_A_TIME)
            if not some:
                return
            yield from some

    def all_tables(self) -> tuple[str, ...]:
        """Return the tables except the links; cached, because the schema does not change after `begin_writing`."""
        if self._tables is None:
            self._tables = chain.all_tables(self)
        return self._tables

    def linked_columns(self) -> Mapping[str, str]:
        """Return table -> columns that a link covers; cached."""
        if self._columns is None:
            self._columns = chain.columns_by_table(self)
        return self._columns

    def insert(self, table: str, *values: object) -> int:
        """Add one row and return its number."""
        with self.explained():
            marks = ", ".join("?" * len(values))
            self._added[table] += 1
            return int(self._connection.execute(f"INSERT INTO {table} VALUES ({marks})", values).lastrowid or 0)

    def insert_many(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Add several rows."""
        if rows:
            with self.explained():
                marks = ", ".join("?" * len(rows[0]))
                self._added[table] += len(rows)
                self._connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)

    @contextmanager
    def transaction(self, *, linked: bool = True) -> Iterator[None]:
        """Commit all rows added inside with their link of the chain, or roll back.

        Parameters
        ----------
        linked
            False if the code inside adds the link itself.
        """
        with self.locked():
            yield from self._transact(linked)

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the writer's lock, unless it is held as long as the database is open."""
        lock = WriterLock(self.path, for_commit=True) if self.locks_each_commit else None
        try:
            yield
        finally:
            if lock is not None:
                lock.release()

    def _transact(self, linked: bool) -> Iterator[None]:
        if self._owed_head is not None:
            self.owe_head()  # others may have gone on since
            self.write_owed_head()
        self._added.clear()
        before = self._connection.total_changes
        self.rows("BEGIN IMMEDIATE")
        try:
            yield
            if linked and self._connection.total_changes != before:
                chain.add_link(self, self._added)
            self.rows("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.rollback()
            raise
        self.owe_head()
        self.write_owed_head()

    def owe_head(self) -> None:
        """Remember that the head file must be written."""
        self._owed_head = read_head(self)

    def write_owed_head(self) -> None:
        """Write the head file if it is outstanding; the next commit waits for this."""
        if self._owed_head is not None:
            self.head_file.write(self._owed_head)
            self._owed_head = None

    def copy_to(self, path: Path) -> None:
        """Write a compact copy, whole or not at all."""
        with whole_file(path) as part:
            part.unlink(missing_ok=True)
            self.rows("VACUUM INTO ?", str(part))

    @contextmanager
    def explained(self) -> Iterator[None]:
        """Convert SQLite's errors into the ledger's, with remedies."""
        try:
            yield
        except sqlite3.IntegrityError:
            raise
        except sqlite3.OperationalError as error:
            raise self._explain(error) from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            what = f"{self.path}: the ledger is damaged, or this is not a ledger ({error})"
            msg = f"{what}: restore it from a backup, or correct --ledger"
            raise LedgerDamagedError(msg) from error

    def _explain(self, error: sqlite3.OperationalError) -> GlasswrightError:
        # errors outside SQLite itself, such as undecodable text, have no code; the low byte is the primary code
        kind = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return LedgerBusyError(f"{self.path}: another program holds the ledger's database: close it and try again")
        # if the disk is too full for the shared-memory file, SQLite only reports an input/output error
        if kind == sqlite3.SQLITE_FULL or (kind == sqlite3.SQLITE_IOERR and _is_full(self.path.parent)):
            return DiskFullError(f"{self.path}: the disk is full: make room and run again; nothing kept is lost")
        if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return LedgerPlaceError(f"{self.path}: cannot be opened or written ({error}): check who may write there")
        return LedgerDamagedError(f"{self.path}: the ledger cannot be used: {error}: restore it from a backup")

    def find_schema_changes(self) -> list[str]:
        """Return the tables and triggers that differ from this program's schema; a missing trigger protects nothing."""
        fresh = sqlite3.connect(":memory:", isolation_level=None)
        _add_functions(fresh)
        for statements in migrations():
            for statement in statements:
                fresh.execute(statement)
        sql = "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%'"
        expected, found = dict(fresh.execute(sql).fetchall()), dict(self.rows(sql))
        fresh.close()
        names = sorted(name for name in expected.keys() | found.keys() if expected.get(name) != found.get(name))
        return [f"{self.path}: the database's `{name}` differs from this program's schema" for name in names]

    def close(self) -> None:
        """Close the file."""
        self._connection.close()
        if self._archive is not None:
            self._archive.cleanup()


def _add_functions(connection: sqlite3.Connection) -> None:
    """Let a migration compute the hashes that rows carry."""
    connection.create_function("row_hash", -1, row_hash, deterministic=True)


class Ledger:
    """An append-only store of measurements and decisions; a context manager."""

    def __init__(
        self,
        database: Database,
        files: ArtefactFiles,
        lock: WriterLock | None,
        head_damage: HeadDamagedError | None,
    ) -> None:
        """Use `open_for_writing`, `open_for_commits` or `open_for_reading`."""
        self.database = database
        self.head_damage = head_damage
        """How the ledger and its head differ, if it was opened without that check; None if they match."""
        self.files = files
        self._lock = lock
        self._record: RunRecord | None = None
        """Record of the run, if each commit is a separate run."""

    @classmethod
    def open_for_writing(cls, path: Path, *, check_head: bool = True) -> Self:
        """Open or create a ledger as its only writer. It is checked before anything is written.

        Parameters
        ----------
        check_head
            False only to accept a ledger whose last commits are missing.

        Raises
        ------
        LedgerPlaceError
            On a network file system, or if the file has a second name that the lock would not protect.
        LedgerBusyError
            If another run holds it.
        LedgerDamagedError
            If it is newer than this program, not a ledger, damaged, or older than its head.
        """
        path = find_real_path(path)
        check_place(path)
        refuse_second_name(path)
        refuse_other_file(path)
        lock = WriterLock(path)
        try:
            database, finding = _open_checked(path, check_head)
        except BaseException:
            lock.release()
            raise
        return cls(database, ArtefactFiles(path), lock, finding)

    @classmethod
    def open_for_commits(cls, path: Path) -> Self:
        """Open a ledger, or create one, to write single commits while other processes write too.

        The writer's lock is held for each commit alone, and each commit is a run of its own, which begins and ends with
        it: no run is ever under way while another writes. The number that `begin_run` gives stands for all of them.

        Raises
        ------
        GlasswrightError
            As `open_for_writing` does.
        """
        path = find_real_path(path)
        check_place(path)
        refuse_second_name(path)
        refuse_other_file(path)
        lock = WriterLock(path, for_commit=True)
        try:
            database, finding = _open_checked(path, check_head=True)
        finally:
            lock.release()
        database.locks_each_commit = True
        return cls(database, ArtefactFiles(path), None, finding)

    @classmethod
    def open_for_reading(cls, path: Path, *, check_head: bool = True) -> Self:
        """Open a snapshot of a ledger for reading; a run may continue to write.

        Raises
        ------
        LedgerDamagedError
            If it is missing, newer than this program, or older than its head.
        """
        path = find_real_path(path)
        check_place(path)
        head_file = HeadFile(path)
        # the head is read first: if a writer commits in between, the database is newer than the head, not older
        stored = head_file.read_or_damage()
        database = Database(path, writable=False)
        try:
            finding = head_file.find_damage(database, stored)
            if finding is not None and check_head:
                raise finding
        except BaseException:
            database.close()
            raise
        return cls(database, ArtefactFiles(path), None, finding)

    def __enter__(self) -> Self:
        """Return the ledger."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        """Close the ledger. If an exception was caused by damaged rows, report the damage instead.

        Raises
        ------
        LedgerDamagedError
            Instead of one of `FAULTS`, if the ledger is damaged.
        """
        del kind, trace
        try:
            damage = self.verify().damage if isinstance(error, FAULTS) else ()
        finally:
            self.database.close()
            if self._lock is not None:
                self._lock.release()
        if damage:
            what = f"{damage[0]} (`glasswright verify` names all that is damaged)"
            raise LedgerDamagedError(what) from error

    def begin_run(self, record: RunRecord) -> int:
        """Record the start of a run and the documents that it uses; return its number."""
        if self.database.locks_each_commit:
            self._record = record
            return EACH_COMMIT
        with self.database.transaction():
            return self._add_run(record)

    def _add_run(self, record: RunRecord) -> int:
        writing.end_killed_runs(self.database, _now())
        run = writing.add_run(self.database, record)
        stand_adoptions.keep_first_stands(self.database, run, record.documents)
        return run

    @contextmanager
    def _commit(self, run: int) -> Iterator[int]:
        """Commit what is added inside, all or nothing; yield the number of its run."""
        with self.database.transaction():
            if run != EACH_COMMIT or self._record is None:
                yield run
                return
            own = self._add_run(self._record)
            yield own
            writing.end_run(self.database, own, _now(), True, {})

    def find(self, addresses: Iterable[str]) -> dict[str, Outcome]:
        """Return the latest outcome at each address that has one, without its artefact."""
        return reading.find(self.database, addresses)

    def find_contents(self, addresses: Iterable[str]) -> dict[str, str]:
        """Return address -> content digest of the shot, for the outcomes that have one."""
        return shot_content.find_contents(self.database, addresses)

    def load_artefact(self, address: str) -> Artefact:
        """Return the artefact of the outcome at an address, checked against its hash."""
        sha256 = reading.find_artefact(self.database, address)
        if sha256 is None:
            msg = f"{self.database.path}: the ledger has no artefact at the address {address}"
            raise LedgerDamagedError(msg)
        return decode(self.files.read(sha256))

    def begin_ticket(self, run: int, ticket: str, folder: str) -> None:
        """Record that a ticket is about to be measured; until it is committed, its earlier results do not count."""
        with self._commit(run) as own:
            attempts.add_attempt(self.database, own, ticket, AttemptState.BEGUN, folder=folder)

    def refuse_tickets(self, run: int, tickets: Iterable[str], folder: str, reason: str) -> None:
        """Record that a folder could not be read, and which tickets it belongs to."""
        numbers = list(tickets)
        if not numbers:
            return
        with self._commit(run) as own:
            for ticket in numbers:
                attempts.add_attempt(
                    self.database, own, ticket, AttemptState.REFUSED, folder=folder, reason=" ".join(reason.split())
                )

    def stop_tickets(self, run: int, tickets: Iterable[str]) -> None:
        """Record that a run was stopped before it measured these tickets."""
        numbers = list(tickets)
        if not numbers:
            return
        with self._commit(run) as own:
            for ticket in numbers:
                attempts.add_attempt(self.database, own, ticket, AttemptState.STOPPED)

    def keep_outcomes(self, run: int, outcomes: Iterable[Outcome]) -> None:
        """Keep outcomes of a ticket that is not complete yet."""
        kept = self._write_artefacts(outcomes)
        with self._commit(run) as own:
            self._add_outcomes(own, kept)

    def commit_ticket(self, run: int, record: TicketRecord, outcomes: Iterable[Outcome]) -> None:
        """Keep a ticket's new outcomes and its manifest in one transaction, without duplicates; end its attempt.

        Parameters
        ----------
        record
            Its manifest may name outcomes of this call and outcomes that are already kept.
        outcomes
            New outcomes, in any order.
        """
        kept = self._write_artefacts(outcomes)
        with self._commit(run) as own:
            writing.add_manifest(self.database, own, record, self._add_outcomes(own, kept))
            if record.ticket.number:
                attempts.add_attempt(self.database, own, record.ticket.number, AttemptState.ENDED)

    def _write_artefacts(self, outcomes: Iterable[Outcome]) -> list[tuple[Outcome, str | None]]:
        """Write the files of outcomes, before their rows, so that no row names a missing file."""
        ordered = sorted(outcomes, key=lambda each: (each.step, each.address))
        names = iter(self.files.write_all(encode(each.artefact) for each in ordered if each.artefact is not None))
        return [(each, None if each.artefact is None else next(names)) for each in ordered]

    def _add_outcomes(self, run: int, kept: Iterable[tuple[Outcome, str | None]]) -> dict[str, int]:
        """Add the rows of outcomes; return address -> number."""
        added = {}
        for outcome, sha256 in kept:
            measured = () if outcome.artefact is None else read_measurements(outcome.artefact)
            added[outcome.address] = writing.add_outcome(self.database, run, outcome, sha256, measured)
            shot_content.add_content(self.database, run, outcome)
        return added

    def end_run(self, run: int, summary: Mapping[str, object], *, backup: bool = True, at: str | None = None) -> None:
        """Record the end of a run (now, unless a time is given), and write a backup."""
        if run != EACH_COMMIT:
            with self.database.transaction():
                writing.end_run(self.database, run, at or _now(), True, summary)
        if backup:
            with self.database.locked():
                write_backup(self.database, Database)

    def head(self) -> Head:
        """Return the head of the chain, which identifies the ledger's current content."""
        head = read_head(self.database)
        if head is None:
            raise LedgerDamagedError(f"{self.database.path}: the ledger has no chain: restore it from a backup")
        return head

    def latest_tickets(
        self, tickets: Collection[str] | None = None, measures: Collection[str] | None = None
    ) -> tuple[TicketState, ...]:
        """Return the current state of tickets (all if None), with the requested measurements (all if None)."""
        return reading.latest_states(self.database, tickets, measures)

    def choose_new_judgements(self, judged: Iterable[Judgement]) -> tuple[Judgement, ...]:
        """Return the judgements that differ from the latest one of the same ticket."""
        return judgements.choose_new(self.database, judged)

    def add_judgements(self, run: int, judged: Iterable[Judgement]) -> None:
        """Add the new judgements in one transaction."""
        new = list(judged)
        if not new:
            return
        with self._commit(run) as own:
            judgements.add_judgements(self.database, own, new)

    def latest_judgement(self, ticket: str) -> Judgement | None:
        """Return the latest judgement of a ticket, checked against its hash."""
        return judgements.latest_judgement(self.database, ticket)

    def latest_judgements(self, tickets: Collection[str]) -> dict[str, Judgement]:
        """Return the latest judgement of each ticket that has one, checked against its hash."""
        found = {ticket: self.latest_judgement(ticket) for ticket in tickets}
        return {ticket: judgement for ticket, judgement in found.items() if judgement is not None}

    def latest_decisions(self, tickets: Collection[str]) -> Mapping[str, PersonsDecision]:
        """Return the latest decision of a person on each ticket, checked against its hash."""
        return decisions.latest_decisions(self.database, tickets)

    def add_decision(self, run: int, decision: PersonsDecision) -> None:
        """Add a person's decision on a ticket in review."""
        with self.database.transaction():
            decisions.add_decision(self.database, run, decision)

    def ticket_numbers(self) -> tuple[str, ...]:
        """Return the numbers of all measured tickets, sorted."""
        sql = "SELECT DISTINCT ticket FROM manifest WHERE ticket != '' ORDER BY ticket"
        return tuple(str(ticket) for (ticket,) in self.database.rows(sql))

    def why_pending(self, ticket: str) -> str:
        """Explain why the last attempt to measure a ticket has not ended; empty if it has, or there was none."""
        attempt = attempts.latest_attempts(self.database, [ticket]).get(ticket)
        return attempt.why_pending() if attempt is not None else ""

    def has_been_at(self, head: Head) -> bool:
        """Return whether the ledger once had that head: it is the same ledger, and nothing before it was changed."""
        return read_head(self.database, head.commits) == head

    @contextmanager
    def as_of(self, head: Head) -> Iterator[None]:
        """Inside, read the ledger as it was at that head; only for a ledger opened for reading."""
        counts = {**chain.counts_at(self.database, head.commits), "link": head.commits}
        for table in MOMENT_TABLES:
            # a temporary view hides the table of the same name
            view = f"SELECT * FROM main.{table} WHERE id <= {counts.get(table, 0)}"
            self.database.rows(f"CREATE TEMP VIEW {table} AS {view}")
        try:
            yield
        finally:
            for table in MOMENT_TABLES:
                self.database.rows(f"DROP VIEW temp.{table}")

    def check_signature(self, public_key: str) -> None:
        """Check that the head belongs to this ledger and is signed by a key; raise LedgerDamagedError otherwise."""
        damage = self.head_damage or self.database.head_file.find_false_signature(public_key)
        if damage is not None:
            raise damage

    def check_chain(self) -> None:
        """Check that no row of any run has been changed or removed; raise LedgerDamagedError otherwise."""
        chain.check_chain(self.database)

    def check_artefacts(self, ticket: str) -> None:
        """Check the files of all current artefacts of a ticket; raise LedgerDamagedError if one is damaged."""
        for sha256 in reading.artefacts_of(self.database, ticket):
            self.files.read(sha256)

    def verify(self) -> verifying.Verification:
        """Check everything against its hash; return all damage."""
        return verifying.verify(self)

    def content_digest(self) -> str:
        """Return one hash of the current state of all tickets, independent of the runs that produced it."""
        return content.content_digest(self.database)


def _open_checked(path: Path, check_head: bool) -> tuple[Database, HeadDamagedError | None]:
    """Open a database for writing and check it first; also return the mismatch with its head, if any."""
    head_file = HeadFile(path)
    signer = find_signer()
    stored = head_file.read_or_damage()
    if stored is not None and not path.exists():
        what = f"the ledger is missing, but its head {head_file.path.name} exists"
        msg = f"{path}: {what}: restore the ledger from a backup; to begin a new one, move the head away"
        raise LedgerDamagedError(msg)
    database = Database(path, writable=True)
    database.head_file.signer = signer
    try:
        finding = None
        if database.is_chained():
            chain.check_chain(database)
            finding = head_file.find_damage(database, stored)
            if finding is None and stored is not None and signer is not None:
                # otherwise this key would sign commits that somebody else wrote
                finding = head_file.find_false_signature(signer.public_key())
            if finding is not None and check_head:
                raise finding
            if finding is None and stored != read_head(database):
                database.owe_head()
        database.begin_writing()
        database.write_owed_head()
    except BaseException:
        database.close()
        raise
    return database, finding


def _is_full(folder: Path) -> bool:
    """Return whether the disk of a folder has no room for the files that SQLite needs to read a database."""
    try:
        status = os.statvfs(folder)
    except OSError:
        return False
    return status.f_bavail * status.f_frsize < LEAST_ROOM_BYTES


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
