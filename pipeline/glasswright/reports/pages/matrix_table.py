"""The table of all measures with a limit by setting: on a ticket's page, and of several tickets side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.reports.pages.formats import format_change_side, format_heading, format_limits, format_value
from glasswright.reports.pages.strip import KINDS

if TYPE_CHECKING:
    from glasswright.reports.matrix import Matrix, MatrixCell, MatrixRow


@dataclass(frozen=True, slots=True, kw_only=True)
class TableCell:
    """The texts of one measure of one ticket at one setting."""

    number: str
    kind: str
    """CSS class of the verdict; empty without a limit."""
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One measure."""

    name: str
    unit: str
    limits: str
    """The limits, if they are the same at every setting that has some."""
    limits_at: tuple[str, ...]
    """The limits at each setting, if they differ; else empty texts."""
    cells: tuple[tuple[TableCell, ...], ...]
    """For each setting, a cell for each ticket."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixTable:
    """The whole table."""

    settings: tuple[str, ...]
    tickets: tuple[str, ...]
    """On a ticket's page the ticket itself, then the earlier visit if there is one."""
    rows: tuple[TableRow, ...]


def lay_matrix(matrix: Matrix) -> MatrixTable:
    """Lay out a matrix."""
    return MatrixTable(settings=matrix.settings, tickets=matrix.tickets, rows=tuple(map(_lay_row, matrix.rows)))


def _lay_row(row: MatrixRow) -> TableRow:
    limits = tuple("" if each is None else format_limits(*each) for each in row.limits)
    given = set(filter(None, limits))
    return TableRow(
        name=format_heading(row.name),
        unit=row.unit,
        limits=next(iter(given)) if len(given) == 1 else "",
        limits_at=limits if len(given) > 1 else ("",) * len(limits),
        cells=tuple(tuple(map(_lay_cell, column)) for column in zip(*row.cells, strict=True)),
    )


def _lay_cell(cell: MatrixCell | None) -> TableCell:
    verdict = cell.verdict if cell is not None else None
    kind = KINDS[verdict] if verdict is not None else ""
    return TableCell(number=_format(cell), kind=kind, verdict=str(verdict or ""))


def _format(cell: MatrixCell | None) -> str:
    if cell is None:
        return ""
    if cell.verdict is None:
        return format_change_side(cell.value, cell.u)
    return format_value(cell.value, cell.u)
