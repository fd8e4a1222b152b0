"""`glasswright export`: write the ledger as tables for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from glasswright.formatting import format_count
from glasswright.ledger import Ledger
from glasswright.outputs import make_folder
from glasswright.reports.tables.junit import write_junit
from glasswright.reports.tables.tables import MEASUREMENT_COLUMNS, VERDICT_COLUMNS, list_measurements, list_verdicts
from glasswright.reports.tables.tickets import choose_tickets, read_tickets
from glasswright.reports.tables.writing import write_csv, write_parquet, written_whole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.reports.tables.writing import WriteTable

EXAMPLE = """\b
Example:
  glasswright export --ledger bench.ledger --out tables
  glasswright export --ledger bench.ledger --out tables --format parquet --night last
"""
WRITERS: Final[Mapping[str, WriteTable]] = {"csv": write_csv, "parquet": write_parquet}


@click.command(epilog=EXAMPLE)
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write into.")
@click.option(
    "--format",
    "formats",
    multiple=True,
    type=click.Choice(list(WRITERS)),
    default=("csv",),
    show_default=True,
    help="May be given twice. Parquet needs pyarrow: pip install 'glasswright[export]'.",
)
@click.option("--night", help="Only tickets shot in the night of this evening, such as 2026-03-14; or `last`.")
def export(path: Path, out: Path, formats: tuple[str, ...], night: str | None) -> None:
    """Write the current content of the ledger as tables, and the verdicts as JUnit XML.

    OUT receives measurements (one value per row, with unit and standard uncertainty), verdicts (one limit per row), and
    verdicts.junit.xml: a suite for each ticket, a test for each limit. Only PASS is a passed test; FAIL and REVIEW are
    failures of that type, UNKNOWN is an error.

    In CSV, text that begins with = + - @ gets a leading apostrophe, so that no spreadsheet runs it as a formula.

    Exit codes: 0 written, 2 wrong command, no such night, or a library is missing, 21 the ledger is missing, newer or
    damaged.
    """
    with Ledger.open_for_reading(path) as ledger:
        ledger.check_chain()
        numbers = choose_tickets(ledger, night)
        make_folder(out)
        for name in dict.fromkeys(formats):
            _write_tables(ledger, numbers, out, name)
        with written_whole(out / "verdicts.junit.xml") as part:
            part.write_bytes(write_junit(read_tickets(ledger, numbers, measures=())))
    click.echo(f"{out / 'verdicts.junit.xml'}: {format_count(len(numbers), 'ticket')}")


def _write_tables(ledger: Ledger, numbers: Sequence[str], out: Path, name: str) -> None:
    tables = (
        ("measurements", MEASUREMENT_COLUMNS, list_measurements, None),
        ("verdicts", VERDICT_COLUMNS, list_verdicts, ()),
    )
    for table, columns, list_rows, measures in tables:
        file = out / f"{table}.{name}"
        rows = (row for judged in read_tickets(ledger, numbers, measures) for row in list_rows(judged))
        click.echo(f"{file}: {WRITERS[name](file, columns, rows)} rows")
