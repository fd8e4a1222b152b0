"""From traces to zones: as shot, or at the best focus of a series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.edges.kernel.whole import WHOLE_BLURS, whole_shape_u
from glasswright_camera.edges.repeats import (
    ENOUGH_TO_SCATTER,
    Repeats,
    line_up,
    main_plane,
    mean_with_scatter,
    shared_discs,
)
from glasswright_camera.extremes import extreme_u, range_u
from glasswright_camera.field import CORNERS, zone_members
from glasswright_camera.sharpness.focus_curve import best_focus, focus_curve
from glasswright_camera.sharpness.result import PlaneSharpness, Sharpness, ZoneSharpness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

ZONES: Final = ("centre", "mid", *CORNERS)
SHAPE_U: Final = 0.0004
BENT_SHAPE_U: Final = 0.024
UNEVEN_SHAPE_U: Final = 0.0015
UNEVEN: Final = 0.06
LOPSIDED_SHAPE_U: Final = 0.0012
"""Shares of MTF50 by which it may be off because a blur is of no known shape: of a straight edge; for the square of how
many blurs (1/MTF50) the disc's radius holds; and, where sagittal and tangential blur (1/MTF50^2) differ by more than
UNEVEN of their sum, of whatever is not round, in proportion below that; and for each unit of lopsidedness. About the
rms error over many blurs at low noise (the third: 0.12 % of pupils without a pixel, 0.04 % with one), the second 1.4
times that, as at two blurs to the radius single blurs are off by more than most. All discs and shots of a lens share
it, so it does not average out."""
MOST_UNTOLD: Final = 0.5
COLOURS: Final = ("red", "green", "blue")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """MTF50 of zones: arrays over (planes, zones, sagittal / tangential), and best focus over (planes, zones)."""

    value: Array
    value_u: Array
    focus: Array
    focus_u: Array
    discs: NDArray[np.int64]
    """(planes, zones)."""


def shape_u(mtf50: Array, radius_px: float, lopsided: Array) -> Array:
    """Give the standard uncertainty of MTF50 that comes of the blur's shape, cycles/pixel.

    `mtf50` is (..., 2), sagittal and tangential, and so is what is returned; `lopsided` is (...,), see
    `lopsidedness`.
    """
    blur = 1 / mtf50**2
    uneven = np.abs(blur[..., :1] - blur[..., 1:]) / blur.sum(axis=-1, keepdims=True)
    blurs = mtf50 * radius_px
    bent = np.where(blurs < WHOLE_BLURS, whole_shape_u(blurs), BENT_SHAPE_U / blurs**2)
    # where one direction was not measured the other is taken to be the worst case
    turning = UNEVEN_SHAPE_U * np.minimum(np.nan_to_num(uneven / UNEVEN, nan=1.0), 1.0)
    coma = LOPSIDED_SHAPE_U * lopsided[..., None]
    return np.asarray(mtf50 * np.sqrt(SHAPE_U**2 + bent**2 + turning**2 + coma**2))


def lopsidedness(lopsided: Array, lopsided_u: Array) -> Array:
    """Give how lopsided blurs are, whatever the direction, less what noise makes: (...,) from (..., 2)."""
    return np.asarray(np.sqrt(np.maximum((lopsided**2 - lopsided_u**2).sum(axis=-1), 0.0)))


def zone_lopsidedness(repeats: Repeats, stand: Stand) -> Array:
    """Give the same of each zone, rms over its discs and the traces: (planes, zones), 0 where a zone has none."""
    trace = repeats.traces[0]
    members = zone_members(repeats.places(), trace.width_px, trace.height_px, stand.zones)
    amount, noise = repeats.stack(lambda t: t.lopsided), repeats.stack(lambda t: t.lopsided_u)
    square = (amount**2 - noise**2).sum(axis=-1)
    # discs that were fitted whole do not tell
    known = np.isfinite(square)
    total = np.stack([np.where(known, square, 0.0)[:, :, members[zone]].sum(axis=(0, 2)) for zone in ZONES], axis=1)
    count = np.stack([known[:, :, members[zone]].sum(axis=(0, 2)) for zone in ZONES], axis=1)
    return np.asarray(np.sqrt(np.maximum(total / np.maximum(count, 1), 0.0)))


def usual_radius(traces: tuple[Trace, ...]) -> float:
    """Give the middle one of the discs' radii in px."""
    return float(np.nanmedian(np.concatenate([trace.radius_px.ravel() for trace in traces])))


def zone_values(repeats: Repeats, stand: Stand, least: int) -> tuple[Array, Array, NDArray[np.int64]]:
    """Average MTF50 over each zone's discs, trace by trace.

    Returns
    -------
    tuple
        Value and pixel-noise uncertainty, (traces, planes, zones, 2), and discs in each zone, (planes, zones). Zones
        with fewer than `least` discs are NaN, and so are those where MOST_UNTOLD or more of a plane's discs have no
        MTF50: the others would be the sharper ones.
    """
    trace = repeats.traces[0]
    members = zone_members(repeats.places(), trace.width_px, trace.height_px, stand.zones)
    value, value_u = repeats.stack(lambda t: t.mtf50), repeats.stack(lambda t: t.mtf50_u)
    shape = (*value.shape[:2], len(ZONES), 2)
    mean, mean_u = np.full(shape, np.nan), np.full(shape, np.nan)
    known = np.asarray((np.isfinite(value) & np.isfinite(value_u)).all(axis=(0, 3)))
    placed = np.asarray(np.isfinite(repeats.stack(lambda t: t.centre_px)).all(axis=(0, 3)))
    count = np.stack([(known & members[zone]).sum(axis=1) for zone in ZONES], axis=1)
    for plane, index in np.ndindex(count.shape):
        inside = members[ZONES[index]]
        own = known[plane] & inside
        if count[plane, index] >= max(least, 1, MOST_UNTOLD * (placed[plane] & inside).sum()):
            mean[:, plane, index] = value[:, plane, own].mean(axis=1)
            mean_u[:, plane, index] = np.sqrt((value_u[:, plane, own] ** 2).sum(axis=1)) / count[plane, index]
    return mean, mean_u, count


def read_single(traces: tuple[Trace, ...], stand: Stand, least: int) -> Sharpness:
    """Read sharpness as shot."""
    shared = _shared(traces)
    value, value_u, count = zone_values(shared, stand, least)
    mean, mean_u = mean_with_scatter(value, value_u)
    nothing = np.full(mean.shape[:2], np.nan)
    mean_u = np.hypot(mean_u, shape_u(mean, usual_radius(traces), zone_lopsidedness(shared, stand)))
    reading = Reading(value=mean, value_u=mean_u, focus=nothing, focus_u=nothing, discs=count)
    few = f"{len(traces)} shots; their scatter is not used below {ENOUGH_TO_SCATTER}"
    return _sharpness(
        reading,
        traces,
        stand,
        focus="single",
        steps=(np.nan, np.nan),
        caveats=("single_focus",),
        notes=(few,) if 1 < len(traces) < ENOUGH_TO_SCATTER else (),
    )


def read_series(series: tuple[Trace, ...], traces: tuple[Trace, ...], stand: Stand, least: int) -> Sharpness:
    """Read sharpness where the centre zone of the main plane is sharpest."""
    series = tuple(sorted(series, key=lambda trace: trace.sequence_count))
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    shared = _shared(series)
    value, value_u, count = zone_values(shared, stand, least)
    blur = 1 / value**2
    blur_u = 2 * value_u / value**3
    # along and across the radius together find the focus; each is then read at it
    both, both_u = blur.mean(axis=3), np.sqrt((blur_u**2).sum(axis=3)) / 2
    main, centre = main_plane(series[0]), ZONES.index("centre")
    if not np.isfinite(both[:, main, centre]).all():
        raise Unmeasurable("no disc of the centre zone is measured in every step of the focus series")
    here = best_focus(step, both[:, main, centre], both_u[:, main, centre], "the centre")
    shape = value.shape[1:]
    mean, mean_u = np.full(shape, np.nan), np.full(shape, np.nan)
    focus, focus_u = np.full(shape[:2], np.nan), np.full(shape[:2], np.nan)
    for plane, zone in np.ndindex(shape[:2]):
        if not np.isfinite(both[:, plane, zone]).all():
            continue
        own = focus_curve(step, both[:, plane, zone], both_u[:, plane, zone])
        if own.weight[2] > 0:
            focus[plane, zone] = own.vertex - here.vertex
            focus_u[plane, zone] = np.hypot(own.vertex_u, here.vertex_u)
        for side in range(2):
            curve = focus_curve(step, blur[:, plane, zone, side], blur_u[:, plane, zone, side], about=here.vertex)
            width, width_u = curve.at(here.vertex)
            if width > 0:
                mean[plane, zone, side] = width**-0.5
                mean_u[plane, zone, side] = 0.5 * width**-1.5 * width_u
    mean_u = np.hypot(mean_u, shape_u(mean, usual_radius(series), zone_lopsidedness(shared, stand)))
    reading = Reading(value=mean, value_u=mean_u, focus=focus, focus_u=focus_u, discs=count)
    beside = f"{len(traces)} plain chart shots beside the focus series are not used for sharpness"
    return _sharpness(
        reading,
        series,
        stand,
        focus="series",
        steps=(here.vertex, here.vertex_u),
        caveats=(),
        notes=(beside,) if traces else (),
    )


def _shared(traces: tuple[Trace, ...]) -> Repeats:
    """Line up the traces' discs, and insist that there are some, of one frame size and one set of planes."""
    first = traces[0]
    for trace in traces[1:]:
        if (trace.width_px, trace.height_px, trace.planes) != (first.width_px, first.height_px, first.planes):
            raise Unmeasurable(
                f"{trace.shot} is {trace.width_px} x {trace.height_px} ({' '.join(trace.planes)}), {first.shot} is "
                f"{first.width_px} x {first.height_px} ({' '.join(first.planes)}): shots of two bodies in one setting"
            )
    rows = [shared_discs(traces, [plane]).node for plane in first.planes]
    nodes = np.unique(np.concatenate(rows), axis=0)
    if not len(nodes):
        if not any(np.isfinite(trace.mtf50).any() for trace in traces) and shared_discs(traces, need="place").node.size:
            raise Unmeasurable(
                f"the chart's discs, {2 * usual_radius(traces):.0f} px across, are too small for so wide a blur to "
                "tell MTF50 in any plane: focus, use a chart with larger discs, or come nearer"
            )
        raise Unmeasurable(f"no disc is measured in all {len(traces)} shots")
    return line_up(traces, nodes)


def _sharpness(
    reading: Reading,
    traces: tuple[Trace, ...],
    stand: Stand,
    *,
    focus: str,
    steps: tuple[float, float],
    caveats: tuple[str, ...],
    notes: tuple[str, ...],
) -> Sharpness:
    """Lay a reading out by name."""
    red, green, blue = (
        _plane(reading, _plane_index(traces[0].planes, colour), stand.sensor.pixel_pitch_um) for colour in COLOURS
    )
    return Sharpness(
        red=red,
        green=green,
        blue=blue,
        chart=traces[0].chart,
        magnification_frac=float(np.mean([trace.magnification_frac for trace in traces])),
        focus=focus,
        focus_steps=steps[0],
        focus_steps_u=steps[1],
        shot_count=len(traces),
        caveats=caveats,
        notes=notes,
    )


def _plane_index(planes: tuple[str, ...], colour: str) -> int | None:
    """Find a colour's plane; an only plane stands as green."""
    if colour in planes:
        return planes.index(colour)
    return 0 if colour == "green" and len(planes) == 1 else None


def _plane(reading: Reading, index: int | None, pitch_um: float) -> PlaneSharpness:
    """Lay one plane out by zone; None gives NaN everywhere."""
    nothing = np.full((len(ZONES), 2), np.nan)
    value, value_u = (nothing, nothing) if index is None else (reading.value[index], reading.value_u[index])
    focus, focus_u = (nothing[:, 0],) * 2 if index is None else (reading.focus[index], reading.focus_u[index])
    discs = reading.discs[index] if index is not None else np.zeros(len(ZONES), dtype=np.int64)
    zones = {
        zone: _zone(value[k], value_u[k], (focus[k], focus_u[k]), int(discs[k]), pitch_um)
        for k, zone in enumerate(ZONES)
    }
    corner = np.array([zones[name].mean_cy_per_px for name in CORNERS])
    corner_u = np.array([zones[name].mean_cy_per_px_u for name in CORNERS])
    mean = float(corner.mean())
    # an unmeasured zone leaves the worst of all unknown
    worst = int(np.argmin(value)) if np.isfinite(value).all() else None
    return PlaneSharpness(
        **zones,
        worst_cy_per_px=np.nan if worst is None else float(value.flat[worst]),
        worst_cy_per_px_u=np.nan if worst is None else extreme_u(value.ravel(), value_u.ravel(), worst),
        corner_mean_cy_per_px=mean,
        corner_mean_cy_per_px_u=float(np.sqrt((corner_u**2).sum()) / 4),
        corner_imbalance_frac=float(np.ptp(corner) / mean),
        corner_imbalance_frac_u=range_u(corner, corner_u) / mean,
    )


def _zone(value: Array, value_u: Array, focus: tuple[float, float], discs: int, pitch_um: float) -> ZoneSharpness:
    """Lay one zone out: `value` is sagittal, tangential."""
    mean, mean_u = float(value.mean()), float(np.hypot(*value_u) / 2)
    lines = 1000 / pitch_um
    lean_u = 4 / (value.sum() ** 2) * np.hypot(value[0] * value_u[1], value[1] * value_u[0])
    return ZoneSharpness(
        sagittal_cy_per_px=float(value[0]),
        sagittal_cy_per_px_u=float(value_u[0]),
        tangential_cy_per_px=float(value[1]),
        tangential_cy_per_px_u=float(value_u[1]),
        mean_cy_per_px=mean,
        mean_cy_per_px_u=mean_u,
        mean_lp_per_mm=mean * lines,
        mean_lp_per_mm_u=mean_u * lines,
        astigmatism_frac=float((value[1] - value[0]) / mean),
        astigmatism_frac_u=float(lean_u),
        best_focus_steps=float(focus[0]),
        best_focus_steps_u=float(focus[1]),
        disc_count=discs,
    )
