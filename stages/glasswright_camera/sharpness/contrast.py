"""Contrast at the frequencies of service sheets (10 and 30 line pairs/mm), and MTF10."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Artefact, stage
from glasswright_camera.edges.repeats import main_name, main_plane, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.field import CORNERS, zone_members
from glasswright_camera.sharpness.print_division import divide_print
from glasswright_camera.sharpness.result import Sharpness
from glasswright_camera.sharpness.zones import ZONES
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.sharpness.result import ZoneSharpness

    Array = NDArray[np.float64]

LOW_LP_PER_MM: Final = 10.0
HIGH_LP_PER_MM: Final = 30.0
RELATIVE: Final = np.linspace(0.0, 4.0, 401)
"""Frequencies over MTF50 at which the shape of a zone's curve is sampled."""
SHAPE_U: Final = 0.0015
"""Standard uncertainty of a curve's shape from the unknown form of the blur. The error was at most 0.0014 for rehearsed
blurs with MTF50 from 0.2 to 0.5 cycles per pixel."""
TAIL_U: Final = 0.005
"""The same for MTF10, relative; the error was at most 0.003 for the same blurs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneContrast:
    """Contrast in one part of the field; sagittal and tangential as for MTF50. NaN where it was not measured."""

    sagittal_at_10_frac: float
    """At 10 line pairs/mm at the sensor."""
    sagittal_at_10_frac_u: float
    tangential_at_10_frac: float
    tangential_at_10_frac_u: float
    mean_at_10_frac: float
    mean_at_10_frac_u: float
    sagittal_at_30_frac: float
    """At 30 line pairs/mm at the sensor."""
    sagittal_at_30_frac_u: float
    tangential_at_30_frac: float
    tangential_at_30_frac_u: float
    mean_at_30_frac: float
    mean_at_30_frac_u: float
    mtf10_lp_per_mm: float
    """Frequency at which contrast falls to 0.1, mean of both directions; NaN beyond 0.6 cycles/pixel."""
    mtf10_lp_per_mm_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast(Artefact):
    """Contrast of lens and sensor together at 10 and 30 line pairs/mm, as shot, in the main plane."""

    centre: ZoneContrast
    mid: ZoneContrast
    corner: ZoneContrast
    """Mean of the four corners."""
    plane: str


@stage
def measure_contrast(traces: tuple[Trace, ...], sharpness: Sharpness, stand: Stand) -> Contrast:
    """Measure the modulus of the transfer function at 10 and 30 line pairs/mm, and the frequency where it is 0.1.

    The edge fit gives the whole curve. Its shape, over frequency in units of MTF50, is averaged over a zone's discs and
    scaled by the zone's MTF50, so that it is valid for the zone's place. The curve is normalised to 1 at frequency 0
    (ISO 12233), so the effect of a wide weak halo is missing: see the caveat `wide_halo`.

    Parameters
    ----------
    traces
        The chart shots of the setting.
    sharpness
        MTF50 of the zones, from the same shots.
    stand
        Its zones and pixel pitch are used.

    Returns
    -------
    Contrast
        The uncertainty contains that of MTF50 times the curve's slope, the scatter of the shape between discs, and the
        unknown form of the blur.
    """
    repeats = shared_discs(traces, [main_name(traces[0])])
    first, plane = traces[0], main_plane(traces[0])
    members = zone_members(repeats.places(), first.width_px, first.height_px, stand.zones)
    divided = divide_print(repeats, stand)
    curve, half = divided.mtf.mean(axis=0)[plane], divided.value.mean(axis=0)[plane]
    per_px = stand.sensor.pixel_pitch_um / 1000
    zones = {
        zone: _read_zone(
            curve[members[zone]], half[members[zone]], first.frequency, getattr(sharpness.green, zone), per_px
        )
        for zone in ZONES
    }
    return Contrast(
        centre=_make_zone(zones["centre"]),
        mid=_make_zone(zones["mid"]),
        corner=_make_zone(_average([zones[corner] for corner in CORNERS])),
        plane=first.planes[plane],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """Arrays over (10, 30 line pairs/mm and MTF10; sagittal and tangential)."""

    value: Array
    u: Array


def _read_zone(curve: Array, half: Array, frequency: Array, zone: ZoneSharpness, per_px: float) -> _Reading:
    """Return one zone's contrasts from its discs' curves (discs, 2, frequencies) and MTF50 (discs, 2)."""
    value, u = np.full((3, 2), nan), np.full((3, 2), nan)
    halves = (zone.sagittal_cy_per_px, zone.tangential_cy_per_px)
    halves_u = (zone.sagittal_cy_per_px_u, zone.tangential_cy_per_px_u)
    for side in range(2):
        if not len(curve) or not np.isfinite(halves[side]):
            continue
        shapes = np.array(
            [
                np.interp(RELATIVE, frequency / own, each, right=nan)
                for own, each in zip(half[:, side], curve[:, side], strict=True)
            ]
        )
        shape = shapes.mean(axis=0)
        scatter = shapes.std(axis=0, ddof=1) / np.sqrt(len(shapes)) if len(shapes) > 1 else np.zeros_like(shape)
        relative_u = halves_u[side] / halves[side]
        for row, lines in enumerate((LOW_LP_PER_MM, HIGH_LP_PER_MM)):
            at = lines * per_px / halves[side]
            slope = at * float(np.interp(at, RELATIVE, np.gradient(shape, RELATIVE), right=nan))
            value[row, side] = float(np.interp(at, RELATIVE, shape, right=nan))
            own = float(np.interp(at, RELATIVE, scatter, right=nan))
            u[row, side] = np.sqrt((slope * relative_u) ** 2 + own**2 + SHAPE_U**2)
        below = np.flatnonzero(shape < 0.1)
        if len(below):
            after = int(below[0])
            share = (shape[after - 1] - 0.1) / (shape[after - 1] - shape[after])
            tenth = RELATIVE[after - 1] + share * (RELATIVE[1] - RELATIVE[0])
            value[2, side] = tenth * halves[side] / per_px
            u[2, side] = value[2, side] * np.hypot(relative_u, TAIL_U)
    return _Reading(value=value, u=u)


def _average(readings: list[_Reading]) -> _Reading:
    """Return the mean of several zones; their uncertainties are correlated by the blur's form and do not average
    out."""
    return _Reading(
        value=np.mean([each.value for each in readings], axis=0), u=np.mean([each.u for each in readings], axis=0)
    )


def _make_zone(reading: _Reading) -> ZoneContrast:
    mean, mean_u = reading.value.mean(axis=1), reading.u.mean(axis=1)
    (low, high, _), (low_u, high_u, _) = reading.value.tolist(), reading.u.tolist()
    return ZoneContrast(
        sagittal_at_10_frac=low[0],
        sagittal_at_10_frac_u=low_u[0],
        tangential_at_10_frac=low[1],
        tangential_at_10_frac_u=low_u[1],
        mean_at_10_frac=float(mean[0]),
        mean_at_10_frac_u=float(mean_u[0]),
        sagittal_at_30_frac=high[0],
        sagittal_at_30_frac_u=high_u[0],
        tangential_at_30_frac=high[1],
        tangential_at_30_frac_u=high_u[1],
        mean_at_30_frac=float(mean[1]),
        mean_at_30_frac_u=float(mean_u[1]),
        mtf10_lp_per_mm=float(mean[2]),
        mtf10_lp_per_mm_u=float(mean_u[2]),
    )
