"""Writing tables as CSV and as Parquet (with pyarrow), atomically."""

from __future__ import annotations

import csv
from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any, Final, Protocol

from glasswright.errors import GlasswrightError
from glasswright.outputs import write_cell
from glasswright.whole_files import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from glasswright.reports.tables.tables import Cell, Row

ROWS_AT_ONCE: Final = 50_000


class MissingLibraryError(GlasswrightError):
    """The library of a format is not installed."""

    exit_code = 2


class UnwritableError(GlasswrightError):
    """A file cannot be written to the given path."""

    exit_code = 2


class WriteTable(Protocol):
    """A function that writes rows with the given columns to a file."""

    def __call__(self, path: Path, columns: Mapping[str, type], rows: Iterable[Row]) -> int:
        """Return the number of rows."""


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Yield a temporary path to write to, which then replaces `path`.

    Raises
    ------
    UnwritableError
        If it cannot be written; the message gives the path and the reason.
    """
    try:
        with whole_file(path) as part:
            yield part
    except OSError as error:
        reason = error.strerror or error
        raise UnwritableError(f"{path}: cannot be written ({reason}): make room, or choose another --out") from error


def write_csv(path: Path, columns: Mapping[str, type], rows: Iterable[Row]) -> int:
    """Write CSV (RFC 4180, UTF-8), with numbers in full precision and missing values empty.

    Text that a spreadsheet would run as a formula gets a leading apostrophe, which `glasswright.outputs.read_cell`
    removes.
    """
    count = 0
    with written_whole(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_spell(row.get(name)) for name in columns])
            count += 1
    return count


def _spell(cell: Cell) -> str | float | None:
    if isinstance(cell, bool):
        return str(cell).lower()
    return write_cell(cell) if isinstance(cell, str) else cell


def write_parquet(path: Path, columns: Mapping[str, type], rows: Iterable[Row]) -> int:
    """Write Parquet with typed columns; missing values are null.

    Raises
    ------
    MissingLibraryError
        If pyarrow is not installed.
    """
    arrow, parquet = _import_arrow()
    kinds = {str: arrow.string(), float: arrow.float64(), bool: arrow.bool_()}
    schema = arrow.schema([(name, kinds[kind]) for name, kind in columns.items()])
    count = 0
    with written_whole(path) as part, parquet.ParquetWriter(part, schema) as writer:
        remaining = iter(rows)
        while batch := list(islice(remaining, ROWS_AT_ONCE)):
            cells = {name: [row.get(name) for row in batch] for name in columns}
            writer.write_table(arrow.table(cells, schema=schema))
            count += len(batch)
    return count


def _import_arrow() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        msg = "Parquet needs the library pyarrow: `pip install 'glasswright[export]'`, or use --format csv"
        raise MissingLibraryError(msg) from error
    return pyarrow, pyarrow.parquet
