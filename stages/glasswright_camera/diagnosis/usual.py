"""From a table of measurements to what is usual: the median of a model's copies, and how they scatter."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.diagnosis.known_lenses import Usual
from glasswright_camera.diagnosis.signs import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST: Final = 8
"""Copies below which their scatter is not known to a quarter of itself (1 / sqrt(2 n))."""
MAD_TO_SIGMA: Final = 1.482602218505602
"""Standard deviation of a normal population over its median absolute deviation: 1 / quantile(0.75)."""
MEASURES: Final = frozenset(kind.measure for kind in KINDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One measurement of one lens, as `glasswright export` has it."""

    serial: str
    measured_at: str
    measure: str
    focal_length_mm: float | None
    f_number: float | None
    value: float


def find_usual(rows: Iterable[Row]) -> tuple[tuple[Usual, ...], int]:
    """Give what is usual of every field that is a sign, and the number of lenses; of each lens the first visit counts.

    Median and median absolute deviation: a few faulty lenses among them do not matter. Fields that fewer than
    8 lenses have are left out.
    """
    first: dict[tuple[str, float | None, float | None], dict[str, Row]] = defaultdict(dict)
    for row in rows:
        if row.measure not in MEASURES or not isfinite(row.value):
            continue
        seen = first[row.measure, row.focal_length_mm, row.f_number]
        if row.serial not in seen or row.measured_at < seen[row.serial].measured_at:
            seen[row.serial] = row
    enough: Mapping[tuple[str, float | None, float | None], dict[str, Row]] = {
        place: seen for place, seen in first.items() if len(seen) >= FEWEST
    }
    found = [
        _usual(*place, np.array([row.value for row in seen.values()]))
        for place, seen in sorted(enough.items(), key=lambda item: (item[0][0], item[0][1] or 0.0, item[0][2] or 0.0))
    ]
    return tuple(found), len({serial for seen in enough.values() for serial in seen})


def _usual(measure: str, focal_length_mm: float | None, f_number: float | None, values: Array) -> Usual:
    middle = float(np.median(values))
    return Usual(
        measure=measure,
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        middle=float(f"{middle:.6g}"),
        scatter=float(f"{MAD_TO_SIGMA * float(np.median(np.abs(values - middle))):.3g}"),
    )
