"""Crossed designs: every lens in every fitting, with the same number of repeats, apart from missing readings.

A fitting lasts from mounting a lens until it is taken off the stand. Tickets of one lens and one fitting are repeats,
as are the shots of a ticket if a field is measured per shot. A ticket names its fitting in its `study` block. If no
ticket of the model does, every ticket is a new fitting: the first tickets of all lenses are the first fitting, the
second ones the second.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST_LENSES: Final = 2
FEWEST_FITTINGS: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one lens in one fitting."""

    lens: str
    """Serial number."""
    fitting: str
    ticket: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedSet:
    """A crossed design."""

    lenses: tuple[str, ...]
    fittings: tuple[str, ...]
    values: Array
    """(lenses, fittings, repeats); NaN for a missing reading."""
    tickets: tuple[str, ...]

    @property
    def is_complete(self) -> bool:
        """Whether no reading is missing."""
        return not bool(np.isnan(self.values).any())


def arrange(readings: Sequence[Reading]) -> CrossedSet | str:
    """Arrange all readings as a crossed design, or return a message with what is missing for one."""
    cells: dict[tuple[str, str], list[Reading]] = defaultdict(list)
    for reading in readings:
        cells[reading.lens, reading.fitting].append(reading)
    lenses, fittings = sorted({lens for lens, _ in cells}), sorted({fit for _, fit in cells}, key=_rank)
    if not _are_crossed(cells, lenses, fittings):
        found = f"found {_list('lens', set(lenses))} and {_list('fitting', set(fittings))}"
        return f"needs at least {FEWEST_LENSES} lenses in the same {FEWEST_FITTINGS} or more fittings: {found}"
    values = np.full((len(lenses), len(fittings), max(map(len, cells.values()))), np.nan)
    for (lens, fitting), cell in cells.items():
        values[lenses.index(lens), fittings.index(fitting), : len(cell)] = [each.value for each in cell]
    return CrossedSet(
        lenses=tuple(lenses),
        fittings=tuple(fittings),
        values=values,
        tickets=tuple(sorted({each.ticket for each in readings})),
    )


def _are_crossed(cells: Collection[tuple[str, str]], lenses: Sequence[str], fittings: Sequence[str]) -> bool:
    """Return whether enough lenses have the same two fittings."""
    common = [
        sum((lens, one) in cells and (lens, other) in cells for lens in lenses)
        for one, other in combinations(fittings, 2)
    ]
    return max(common, default=0) >= FEWEST_LENSES


def _rank(fitting: str) -> tuple[int, str]:
    """Sort key: fittings that are numbers by value, others after them."""
    return (int(fitting), "") if fitting.isdecimal() else (1 << 30, fitting)


def _list(what: str, names: set[str]) -> str:
    plural = {"lens": "lenses", "fitting": "fittings"}[what]
    return f"{len(names)} {what if len(names) == 1 else plural} ({', '.join(sorted(names, key=_rank)) or 'none'})"
