"""Crossed sets: every lens in every fitting, the same number of times.

A fitting is the time from setting a lens up until it is taken off the stand. Tickets of one lens and one fitting are
repeats of each other, and so are the shots of a ticket where a field is measured for each shot. Which fitting a ticket
belongs to is told by its `study` block; where no ticket of the model has one, every ticket is a fitting of its own, and
the first tickets of all lenses are one fitting, the second ones the next.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST_LENSES: Final = 2
FEWEST_FITTINGS: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one lens in one fitting."""

    lens: str
    """Serial."""
    fitting: str
    ticket: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedSet:
    """A balanced set."""

    lenses: tuple[str, ...]
    fittings: tuple[str, ...]
    values: Array
    """(lenses, fittings, repeats)."""
    tickets: tuple[str, ...]
    left_out: tuple[str, ...]
    """What had to be left out to balance it, and why."""


def balance(readings: Sequence[Reading]) -> CrossedSet | str:
    """Choose the largest crossed set of readings that is whole, or say what is missing for one.

    Lenses that lack a fitting, fittings that few lenses have, and repeats beyond the fewest are left out and named.
    """
    cells: dict[tuple[str, str], list[Reading]] = defaultdict(list)
    for reading in readings:
        cells[reading.lens, reading.fitting].append(reading)
    lenses, fittings = _choose(cells)
    if len(lenses) < FEWEST_LENSES or len(fittings) < FEWEST_FITTINGS:
        found = f"found {_list('lens', {lens for lens, _ in cells})} and {_list('fitting', {fit for _, fit in cells})}"
        return f"needs {FEWEST_LENSES} lenses or more, each in the same {FEWEST_FITTINGS} fittings or more: {found}"
    repeats = min(len(cells[lens, fitting]) for lens in lenses for fitting in fittings)
    taken = [[cells[lens, fitting][:repeats] for fitting in fittings] for lens in lenses]
    return CrossedSet(
        lenses=lenses,
        fittings=fittings,
        values=np.array([[[each.value for each in cell] for cell in row] for row in taken], dtype=np.float64),
        tickets=tuple(sorted({each.ticket for row in taken for cell in row for each in cell})),
        left_out=tuple(_name_left_out(cells, lenses, fittings, repeats)),
    )


def _choose(cells: Mapping[tuple[str, str], Sequence[Reading]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the lenses and fittings of the largest whole set: of the fittings, those that most lenses have."""
    has = {lens: {fit for other, fit in cells if other == lens} for lens, _ in cells}
    common = sorted({fit for _, fit in cells}, key=lambda fit: (-sum(fit in fits for fits in has.values()), _rank(fit)))
    best: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    for count in range(FEWEST_FITTINGS, len(common) + 1):
        fittings = common[:count]
        lenses = tuple(sorted(lens for lens, fits in has.items() if fits.issuperset(fittings)))
        if len(lenses) >= FEWEST_LENSES and len(lenses) * count >= len(best[0]) * len(best[1]):
            best = lenses, tuple(sorted(fittings, key=_rank))
    return best


def _rank(fitting: str) -> tuple[int, str]:
    """Sort fittings that are numbers by number."""
    return (int(fitting), "") if fitting.isdecimal() else (1 << 30, fitting)


def _name_left_out(
    cells: Mapping[tuple[str, str], Sequence[Reading]],
    lenses: tuple[str, ...],
    fittings: tuple[str, ...],
    repeats: int,
) -> list[str]:
    other_fittings = sorted({fit for _, fit in cells} - set(fittings), key=_rank)
    named = [f"fitting {fit}: too few lenses have it" for fit in other_fittings]
    for lens in sorted({lens for lens, _ in cells} - set(lenses)):
        missing = [fit for fit in fittings if (lens, fit) not in cells]
        named.append(f"lens {lens}: has no value in fitting {', '.join(missing)}")
    more = sum(len(cells[lens, fit]) - repeats for lens in lenses for fit in fittings)
    if more:
        named.append(f"{more} repeats: only {repeats} in every fitting of every lens")
    return named


def _list(what: str, names: set[str]) -> str:
    plural = {"lens": "lenses", "fitting": "fittings"}[what]
    return f"{len(names)} {what if len(names) == 1 else plural} ({', '.join(sorted(names, key=_rank)) or 'none'})"
