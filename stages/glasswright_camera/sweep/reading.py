"""Evaluation of a sweep's table: the sharpest f-number of each part of the field, and those tied with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.sweep.result import RegionSweep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.sharpness.table import Table

    Array = NDArray[np.float64]

COVERAGE: Final = 2.0
"""Coverage factor of a difference: smaller differences are not significant (JCGM 100:2008, 6.2.1, with k = 2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One part of the field at one focal length, by f-number."""

    focal_length_mm: float
    f_number: Array
    value: Array
    value_u: Array

    @property
    def best(self) -> int:
        """Place of the sharpest f-number."""
        return int(np.argmax(self.value))

    @property
    def tied(self) -> NDArray[np.bool_]:
        """Which f-numbers do not differ significantly from the sharpest, itself included."""
        gap = self.value[self.best] - self.value
        tied = gap <= COVERAGE * np.hypot(self.value_u, self.value_u[self.best])
        tied[self.best] = True
        return np.asarray(tied)

    @property
    def is_sweep(self) -> bool:
        """Whether there are f-numbers to choose among."""
        return len(set(self.f_number.tolist())) > 1


def find_series(table: Table, region: int, shot_scatter_frac: float) -> tuple[Series, ...]:
    """Return a part of the field at each focal length, without those not measured at all f-numbers.

    Parameters
    ----------
    shot_scatter_frac
        Relative scatter from shot to shot that a value's own uncertainty does not include.
    """
    found = []
    for number in range(int(table.series.max()) + 1):
        rows = table.series == number
        value, own = table.sharpness[rows, region], table.sharpness_u[rows, region]
        if np.isfinite(value).all() and np.isfinite(own).all():
            found.append(
                Series(
                    focal_length_mm=float(table.focal_length_mm[rows][0]),
                    f_number=table.f_number[rows],
                    value=value,
                    value_u=np.hypot(own, shot_scatter_frac * value),
                )
            )
    return tuple(found)


def read_region(series: tuple[Series, ...], whole: bool) -> RegionSweep:
    """Return the results of one part of the field.

    Parameters
    ----------
    whole
        Whether every focal length was measured; otherwise the sharpest and weakest are not known.
    """
    if not series or not whole:
        return RegionSweep(**dict.fromkeys(RegionSweep.__dataclass_fields__, float("nan")))
    best = max(series, key=lambda each: each.value[each.best])
    weakest = min(series, key=lambda each: each.value[each.best])
    tied = best.f_number[best.tied] if best.is_sweep else np.array([np.nan])
    ratios = [_wide_open(each) for each in series if each.is_sweep]
    ratio, ratio_u = min(ratios, default=(np.nan, np.nan))
    return RegionSweep(
        sharpest_cy_per_px=float(best.value[best.best]),
        sharpest_cy_per_px_u=float(best.value_u[best.best]),
        sharpest_f_number=float(best.f_number[best.best]) if best.is_sweep else np.nan,
        lowest_tied_f_number=float(tied.min()),
        highest_tied_f_number=float(tied.max()),
        sharpest_focal_length_mm=best.focal_length_mm,
        weakest_cy_per_px=float(weakest.value[weakest.best]),
        weakest_cy_per_px_u=float(weakest.value_u[weakest.best]),
        weakest_focal_length_mm=weakest.focal_length_mm,
        wide_open_ratio=ratio,
        wide_open_ratio_u=ratio_u,
    )


def _wide_open(series: Series) -> tuple[float, float]:
    """Return the sharpness wide open over the sharpest, and its uncertainty, which is 0 where both are the same."""
    first, best = int(np.argmin(series.f_number)), series.best
    ratio = float(series.value[first] / series.value[best])
    relative = series.value_u / series.value
    return ratio, 0.0 if first == best else ratio * float(np.hypot(relative[first], relative[best]))


def format_sharpest(region: str, series: tuple[Series, ...]) -> tuple[str, ...]:
    """Return a note for each focal length: the sharpest f-number of a part of the field, and those tied with it."""
    notes = []
    for each in series:
        if not each.is_sweep:
            continue
        others = [f"f/{n:g}" for place, n in enumerate(each.f_number) if each.tied[place] and place != each.best]
        tie = f", not significantly better than {' and '.join(others)}" if others else ""
        where = "" if np.isnan(each.focal_length_mm) else f"{each.focal_length_mm:g} mm: "
        notes.append(f"{where}{region} sharpest at f/{each.f_number[each.best]:g}{tie}")
    return tuple(notes)


def read_falloff(table: Table) -> tuple[float, float]:
    """Return the largest decrease of the corner loss by closing the aperture, and its uncertainty."""
    found = [(np.nan, np.nan)]
    for number in range(int(table.series.max()) + 1):
        rows = np.flatnonzero(table.series == number)
        first, last = rows[np.argmin(table.f_number[rows])], rows[np.argmax(table.f_number[rows])]
        gone = float(table.corner_loss[first] - table.corner_loss[last])
        if table.f_number[first] < table.f_number[last] and np.isfinite(gone):
            found.append((gone, float(np.hypot(table.corner_loss_u[first], table.corner_loss_u[last]))))
    return max(found[1:], default=found[0])
