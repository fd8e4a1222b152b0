"""Single bit flips in a ledger: in the database, the artefact files and all other files."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

from campaign_tools import FALSE_RELEASE, LOST, Case, cards_of, run_apart

from glasswright.commands.main import run_command
from support.night_bench import Bench, shots_of

Tables = dict[str, list[dict[str, Any]]]

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

RELEASED, HELD, INCOMPLETE = "T-0001", "T-0002", "T-0003"
SOUND, DAMAGED = 0, 21
SHARE_OF_DATABASE = 0.7
UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""A message of SQLite's may hold bytes that are no text, and fails then itself."""
LEDGER = "bench.ledger"


def prepare(scratch: Path, count: int) -> Callable[[Case], None]:
    """Measure three tickets, one of each kind; return the function that runs one case."""
    del count
    bench = Bench(scratch / "sound")
    bench.add_ticket(1)
    bench.add_ticket(2, {name: f"9999 {text}" for name, text in shots_of(2).items() if name.startswith("chart")})
    bench.add_ticket(3, {name: text for name, text in shots_of(3).items() if name.startswith("flat")})
    run_apart(lambda: run_command(bench.arguments("--serial", *cards_of(bench))))
    files = sorted(path for path in bench.folder.glob(f"{LEDGER}*/**/*") if path.is_file())
    files += sorted(path for path in bench.folder.glob(f"{LEDGER}*") if path.is_file())
    own = _files_of_released(scratch)
    kept = {path.name for path in bench.folder.glob(f"{LEDGER}.files/*/*")}
    truth = {}
    for ticket in (RELEASED, HELD, INCOMPLETE):
        arguments = ["gate", ticket, "--ledger", str(bench.folder / LEDGER)]
        truth[ticket] = run_apart(lambda arguments=arguments: run_command(arguments)).code
    if (truth[RELEASED], truth[HELD], truth[INCOMPLETE]) != (0, 10, 12):
        raise AssertionError(f"the sound ledger's tickets are judged {truth}")

    def flip(case: Case) -> None:
        random = case.random
        ledger = case.folder / LEDGER
        for path in bench.folder.glob(f"{LEDGER}*"):
            target = case.folder / path.name
            if path.is_dir():
                shutil.copytree(path, target, copy_function=os.link)
            else:
                shutil.copyfile(path, target)
        others = [path for path in files if path.name != LEDGER and path.stat().st_size]
        chosen = bench.folder / LEDGER if random.random() < SHARE_OF_DATABASE else random.choice(others)
        target = case.folder / chosen.relative_to(bench.folder)
        data = bytearray(chosen.read_bytes())
        place, bit = random.randrange(len(data)), random.randrange(8)
        data[place] ^= 1 << bit
        target.unlink()
        target.write_bytes(data)
        case.name = f"bit {bit} of byte {place} of {target.relative_to(case.folder)}"
        found, sound = (_dump(ledger), _dump(bench.folder / LEDGER)) if target == ledger else ({}, {})
        is_changed = target.name in kept or found != sound
        is_tampered = target.name in own or _evidence(found) != _evidence(sound)
        codes = {ticket: case.gate(ticket, ledger) for ticket in truth}
        for ticket, code in codes.items():
            if code == 0 and (truth[ticket] != 0 or is_tampered):
                case.find(FALSE_RELEASE, f"{ticket} is released after {case.name}")
            if code not in (truth[ticket], DAMAGED):
                case.find(LOST, f"{ticket}: the gate says {code}, not {truth[ticket]} or {DAMAGED}")
        verified = case.run("verify", "--ledger", str(ledger)).code
        if verified == SOUND and (is_changed or any(code != truth[ticket] for ticket, code in codes.items())):
            case.find(LOST, f"`verify` finds nothing after {case.name}")
        if verified not in (SOUND, DAMAGED):
            case.find(LOST, f"`verify` ends with {verified}")
        more = {
            "export": ["--out", str(case.folder / "tables")],
            "judge": [*cards_of(bench), "--stand", str(bench.folder / "stand.yaml")],
            "run": [],
            "record": [RELEASED, "--signed-by", "K. Moreau", "--out", str(case.folder / "record.pdf")],
        }
        name = random.choice(list(more))
        if name == "run":
            arguments = bench.arguments("--serial", *cards_of(bench))
            arguments[arguments.index("--ledger") + 1] = str(ledger)
            case.run(*arguments)
            after = case.gate(RELEASED, ledger)
            if after == 0 and is_tampered and target == ledger:
                case.find(FALSE_RELEASE, f"{RELEASED} is released by a run on a damaged ledger")
        else:
            case.run(name, "--ledger", str(ledger), *more[name])

    return flip


def _files_of_released(scratch: Path) -> set[str]:
    """Return the names of the artefact files of the released ticket, from a ledger with only that ticket."""
    bench = Bench(scratch / "alone")
    bench.add_ticket(1)
    run_apart(lambda: run_command(bench.arguments("--serial", *cards_of(bench))))
    return {path.name for path in bench.folder.glob(f"{LEDGER}.files/*/*")}


def _dump(path: Path) -> Tables:
    """Return every row of every table that can be read; nothing if the schema cannot."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
            connection.text_factory = lambda data: data.decode(errors="surrogateescape")
            connection.row_factory = lambda cursor, row: dict(
                zip([each[0] for each in cursor.description], row, strict=True)
            )
            names = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").fetchall()
            return {each["name"]: list(_rows(connection, each["name"])) for each in names}
    except UNREADABLE:
        return {}


def _rows(connection: sqlite3.Connection, table: str) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table one by one, so that an unreadable row does not hide others."""
    place = 0
    while True:
        try:
            row = connection.execute(f'SELECT * FROM "{table}" LIMIT 1 OFFSET {place}').fetchone()
        except UNREADABLE:
            row = {}
            try:
                there = connection.execute(f'SELECT 1 FROM "{table}" LIMIT 1 OFFSET {place}').fetchone()
            except UNREADABLE:
                return
            if there is None:  # where the names of the columns cannot be read, none of the rows can
                return
        if row is None:
            return
        if row:
            yield row
        place += 1


def _evidence(tables: Tables) -> Tables:
    """Return the rows without those of the tickets that are not released."""
    others = {
        (name, row["id"])
        for name, rows in tables.items()
        for row in rows
        if "id" in row and row.get("ticket") in (HELD, INCOMPLETE)
    }
    return {
        name: [
            row
            for row in rows
            if row.get("ticket") not in (HELD, INCOMPLETE)
            and not any((column, value) in others for column, value in row.items())
        ]
        for name, rows in tables.items()
    }
