"""The table of all measures with a limit by setting on a ticket's page; cells also show the earlier visit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.reports.pages.formats import format_change_side, format_heading, format_limits, format_value
from glasswright.reports.pages.strip import KINDS

if TYPE_CHECKING:
    from glasswright.reports.matrix import Matrix, MatrixCell, MatrixRow


@dataclass(frozen=True, slots=True, kw_only=True)
class TableCell:
    """The texts of one measure at one setting."""

    number: str
    kind: str
    """CSS class of the verdict; empty without a limit."""
    verdict: str
    limits: str
    """Empty if the row has one limit for all settings."""
    before: str
    """The number at the earlier visit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One measure."""

    name: str
    unit: str
    limits: str
    """The limits, if they are the same at every setting that has some."""
    cells: tuple[TableCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixTable:
    """The whole table."""

    settings: tuple[str, ...]
    before: str
    """Ticket number of the earlier visit; empty if there is none."""
    rows: tuple[TableRow, ...]


def lay_matrix(matrix: Matrix) -> MatrixTable:
    """Lay out the matrix of a ticket, with the earlier visit if there is one."""
    return MatrixTable(
        settings=matrix.settings,
        before=matrix.tickets[1] if len(matrix.tickets) > 1 else "",
        rows=tuple(map(_lay_row, matrix.rows)),
    )


def _lay_row(row: MatrixRow) -> TableRow:
    limits = ["" if each is None else format_limits(*each) for each in row.limits]
    given = set(filter(None, limits))
    own = row.cells[0]
    before = row.cells[1] if len(row.cells) > 1 else (None,) * len(own)
    return TableRow(
        name=format_heading(row.name),
        unit=row.unit,
        limits=given.pop() if len(given) == 1 else "",
        cells=tuple(
            TableCell(
                number=_format(cell),
                kind=KINDS[cell.verdict] if cell is not None and cell.verdict is not None else "",
                verdict=str(cell.verdict or "") if cell is not None else "",
                limits=limit if len(given) > 1 else "",
                before=_format(earlier),
            )
            for cell, earlier, limit in zip(own, before, limits, strict=True)
        ),
    )


def _format(cell: MatrixCell | None) -> str:
    if cell is None:
        return ""
    if cell.verdict is None:
        return format_change_side(cell.value, cell.u)
    return format_value(cell.value, cell.u)
