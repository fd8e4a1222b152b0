"""A table of all measures by setting, with one line for each lens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright.judging.card import HAND_STEP
from glasswright.plugin.stage import Scope
from glasswright.reports.names import field_names
from glasswright.reports.record.formats import name_field, name_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger.verdict import LimitVerdict, Verdict
    from glasswright.plugin.artefact import Setting

WHOLE_TICKET: Final = "the whole ticket"


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixCell:
    """One number of one lens at one setting, and its limits there."""

    value: float | None
    u: float | None
    """Standard uncertainty, including the stand's part if there is a limit."""
    verdict: Verdict | None
    """None if there is no limit."""
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixRow:
    """One measure."""

    measure: str
    name: str
    unit: str
    cells: tuple[tuple[MatrixCell | None, ...], ...]
    """For each lens, a cell for each setting; None if there is neither a number nor a limit."""

    @property
    def limits(self) -> tuple[tuple[float | None, float | None] | None, ...]:
        """For each setting its limits, from the first lens with limits there; None without a limit."""
        return tuple(
            next(((cell.lower, cell.upper) for cell in column if cell is not None and cell.verdict is not None), None)
            for column in zip(*self.cells, strict=True)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Tickets side by side."""

    tickets: tuple[str, ...]
    settings: tuple[str, ...]
    rows: tuple[MatrixRow, ...]


def make_matrix(sides: Sequence[Gated], *, every_number: bool = False) -> Matrix:
    """Arrange the measurements of one or several tickets.

    Parameters
    ----------
    sides
        Tickets with their measurements and their judgement.
    every_number
        Whether measures without a limit and checks by hand are included.
    """
    settings: dict[Setting, None] = {}
    found: dict[str, list[dict[str, MatrixCell]]] = {
        each.measure: [{} for _ in sides] for gated in sides for each in _choose_verdicts(gated, every_number)
    }
    for place, gated in enumerate(sides):
        settings |= dict.fromkeys(each.setting for each in gated.state.outcomes if each.setting is not None)
        for measure, at, cell in _read_cells(gated, every_number=every_number):
            found.setdefault(measure, [{} for _ in sides])[place][at] = cell
    used = {at for lines in found.values() for line in lines for at in line}
    known = [str(each) for each in sorted(settings, key=lambda each: each.sort_key)]
    columns = [at for at in (*dict.fromkeys(known), WHOLE_TICKET) if at in used]
    columns += sorted(used.difference(columns))  # a limit may require a setting that was not shot
    rows = [
        MatrixRow(
            measure=measure,
            name=_name(measure),
            unit=name_unit(measure).replace("count", ""),
            cells=tuple(tuple(line.get(at) for at in columns) for line in lines),
        )
        for measure, lines in found.items()
    ]
    return Matrix(
        tickets=tuple(each.state.record.ticket.number for each in sides), settings=tuple(columns), rows=tuple(rows)
    )


def _read_cells(gated: Gated, *, every_number: bool) -> Iterable[tuple[str, str, MatrixCell]]:
    """Yield (measure, setting, cell); cells with a limit come last and replace those without."""
    verdicts = _choose_verdicts(gated, every_number)
    limited = {each.measure for each in verdicts}
    for outcome in gated.state.outcomes:
        if outcome.scope in (Scope.SETTING, Scope.TICKET):
            at = str(outcome.setting) if outcome.setting is not None else WHOLE_TICKET
            for path, each in outcome.measured.items():
                measure = f"{outcome.step}.{path}"
                if each.value is not None and (every_number or measure in limited):
                    yield measure, at, MatrixCell(value=each.value, u=each.u, verdict=None)
    for verdict in verdicts:
        cell = MatrixCell(
            value=verdict.value, u=verdict.u, verdict=verdict.verdict, lower=verdict.lower, upper=verdict.upper
        )
        yield verdict.measure, verdict.at, cell


def _choose_verdicts(gated: Gated, every_number: bool) -> list[LimitVerdict]:
    return [each for each in gated.verdicts if every_number or each.measure.partition(".")[0] != HAND_STEP]


def _name(measure: str) -> str:
    name = field_names().name(measure)
    return name_field(measure.partition(".")[2]) if name == measure else name
