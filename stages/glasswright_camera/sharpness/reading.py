"""Sharpness of zones as shot, from traces, and its layout by colour, zone and direction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count
from glasswright_camera.edges.kernel.whole import WHOLE_BLURS, whole_shape_u
from glasswright_camera.edges.repeats import ENOUGH_TO_SCATTER, Repeats, line_up, mean_with_scatter, shared_discs
from glasswright_camera.extremes import extreme_u, range_u
from glasswright_camera.field import CORNERS, zone_members
from glasswright_camera.monochrome import leave_out_colours
from glasswright_camera.sharpness.ceiling import SHORTEST_UM, find_ceiling
from glasswright_camera.sharpness.halo import FarLight, find_far_light, find_spill
from glasswright_camera.sharpness.print_division import divide_print
from glasswright_camera.sharpness.result import PlaneSharpness, Sharpness, ZoneSharpness
from glasswright_camera.sharpness.zones import ZONES, lattice_fill, read_zones, zone_heights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright import Setting
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

SHAPE_U: Final = 0.0004
CURVED_SHAPE_U: Final = 0.024
UNEVEN_SHAPE_U: Final = 0.0015
UNEVEN: Final = 0.06
ASYMMETRY_SHAPE_U: Final = 0.0012
"""Relative standard uncertainties of MTF50 from the unknown shape of the blur: of a straight edge; times the square of
(blur over disc radius); of blur that is not round, in full where sagittal and tangential blur (1/MTF50^2) differ by
UNEVEN of their sum or more, in proportion below; per unit of asymmetry. They are about the rms errors over many blurs
at low noise (the third: 0.12 % of pupils without a pixel, 0.04 % with one); the second is 1.4 times the rms error,
because at two blurs to the radius some blurs are far worse than most. All discs and shots of a lens share these errors,
so they do not average out."""
COLOURS: Final = ("red", "green", "blue")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """MTF50 of zones: arrays over (planes, zones, sagittal / tangential)."""

    value: Array
    own_u: Array
    """Independent standard uncertainty of each value: noise and scatter."""
    common_u: Array
    """Standard uncertainty that all values of a lens share: the unknown shape of its blur."""
    direction_u: Array
    """The same, of opposite sign in sagittal and tangential values."""
    discs: NDArray[np.int64]
    """(planes, zones)."""


def shape_parts(mtf50: Array, radius_px: float, asymmetry: Array) -> tuple[Array, Array]:
    """Return the standard uncertainties of MTF50 from the blur's unknown shape, cycles/pixel: common and directional.

    The directional part has opposite signs in sagittal and tangential values. `mtf50` and both results are (..., 2),
    sagittal and tangential; `asymmetry` is (...,), see `find_asymmetry`.
    """
    blur = 1 / mtf50**2
    uneven = np.abs(blur[..., :1] - blur[..., 1:]) / blur.sum(axis=-1, keepdims=True)
    blurs = mtf50 * radius_px
    curved = np.where(blurs < WHOLE_BLURS, whole_shape_u(blurs), CURVED_SHAPE_U / blurs**2)
    # where one direction was not measured the worst case is assumed
    directional = UNEVEN_SHAPE_U * np.minimum(np.nan_to_num(uneven / UNEVEN, nan=1.0), 1.0)
    coma = ASYMMETRY_SHAPE_U * asymmetry[..., None]
    return np.asarray(mtf50 * np.sqrt(SHAPE_U**2 + curved**2 + coma**2)), np.asarray(mtf50 * directional)


def shape_u(mtf50: Array, radius_px: float, asymmetry: Array) -> Array:
    """Return the combined standard uncertainty of `shape_parts`."""
    return np.asarray(np.hypot(*shape_parts(mtf50, radius_px, asymmetry)))


def find_asymmetry(asymmetry: Array, asymmetry_u: Array) -> Array:
    """Return the size of an asymmetry (..., 2) in any direction, less the noise: (...,)."""
    return np.asarray(np.sqrt(np.maximum((asymmetry**2 - asymmetry_u**2).sum(axis=-1), 0.0)))


def zone_asymmetry(repeats: Repeats, stand: Stand) -> Array:
    """Return the same for each zone, rms over its discs and the traces: (planes, zones), 0 where a zone has none."""
    trace = repeats.traces[0]
    members = zone_members(repeats.places(), trace.width_px, trace.height_px, stand.zones)
    amount, noise = repeats.stack(lambda t: t.asymmetry), repeats.stack(lambda t: t.asymmetry_u)
    square = (amount**2 - noise**2).sum(axis=-1)
    # discs fitted as a whole have no asymmetry
    known = np.isfinite(square)
    total = np.stack([np.where(known, square, 0.0)[:, :, members[zone]].sum(axis=(0, 2)) for zone in ZONES], axis=1)
    count = np.stack([known[:, :, members[zone]].sum(axis=(0, 2)) for zone in ZONES], axis=1)
    return np.asarray(np.sqrt(np.maximum(total / np.maximum(count, 1), 0.0)))


def median_radius(traces: tuple[Trace, ...]) -> float:
    """Return the median of the discs' radii, px."""
    return float(np.nanmedian(np.concatenate([trace.radius_px.ravel() for trace in traces])))


def read_as_shot(traces: tuple[Trace, ...], stand: Stand, least: int) -> Sharpness:
    """Return sharpness as shot, without a search for best focus."""
    shared = share_discs(traces)
    zones = read_zones(shared, stand.zones, least, divide_print(shared, stand))
    mean, mean_u = mean_with_scatter(zones.value, zones.value_u)
    far_light, spill = find_far_light(shared), find_spill(shared)
    reading = make_reading(mean, mean_u, zones.print_u.mean(axis=0), zones.discs, shared, stand, far_light)
    few = f"{format_count(len(traces), 'shot')}; their scatter is not used below {ENOUGH_TO_SCATTER}"
    red, green, blue = lay_planes(reading, traces[0], stand)
    return Sharpness(
        red=red,
        green=green,
        blue=blue,
        chart=traces[0].chart,
        magnification_frac=float(np.mean([trace.magnification_frac for trace in traces])),
        fill_frac=lattice_fill(shared),
        far_light_frac=far_light.value,
        far_light_frac_u=far_light.value_u,
        spill_frac=spill.value,
        spill_frac_u=spill.value_u,
        shot_count=len(traces),
        caveats=("single_focus", *far_light.caveats()),
        not_applicable=leave_out_colours(traces[0].planes, "measure_mtf50"),
        notes=(
            *((few,) if 1 < len(traces) < ENOUGH_TO_SCATTER else ()),
            *name_unreached(reading, shared, stand),
            *far_light.notes(),
        ),
    )


def make_reading(
    value: Array,
    own_u: Array,
    print_u: Array,
    discs: NDArray[np.int64],
    repeats: Repeats,
    stand: Stand,
    far_light: FarLight,
) -> Reading:
    """Add the uncertainties common to all values: the shape of the blur, the print (`print_u`), a halo."""
    common, directional = shape_parts(value, median_radius(repeats.traces), zone_asymmetry(repeats, stand))
    common = np.hypot(common, print_u)
    return Reading(
        value=value,
        own_u=own_u,
        common_u=np.hypot(common, value * far_light.mtf50_u()),
        direction_u=directional,
        discs=discs,
    )


def name_unreached(reading: Reading, repeats: Repeats, stand: Stand) -> tuple[str, ...]:
    """Return a note that names zones with discs but no value, as the lattice does not surround their place."""
    heights = zone_heights(stand.zones)
    missing = [
        zone.replace("_", " ")
        for index, zone in enumerate(ZONES)
        if reading.discs[:, index].any() and np.isnan(reading.value[:, index]).all()
    ]
    if not missing:
        return ()
    places = ", ".join(f"{heights[name.replace(' ', '_')]:g}" for name in missing)
    return (
        f"not measured: {', '.join(missing)}: the lattice spans {100 * lattice_fill(repeats):.0f} % of the frame and "
        f"does not surround their places (image heights {places}), or they hold too few discs: hang the chart nearer",
    )


def share_discs(traces: tuple[Trace, ...]) -> Repeats:
    """Match the discs of traces; refuse different frame sizes or planes, and traces without a common disc."""
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
                f"the chart's discs, {2 * median_radius(traces):.0f} px across, are too small for MTF50 to be measured "
                "with so wide a blur, in any plane: focus, use a chart with larger discs, or go nearer"
            )
        raise Unmeasurable(f"no disc is measured in all of {format_count(len(traces), 'shot')}")
    return line_up(traces, nodes)


def lay_planes(reading: Reading, trace: Trace, stand: Stand) -> tuple[PlaneSharpness, PlaneSharpness, PlaneSharpness]:
    """Lay a reading out by colour: red, green, blue."""
    setting = trace.setting
    shortest = dict(zip(COLOURS, SHORTEST_UM, strict=True))
    if len(trace.planes) == 1:
        # without colour filters the plane gets all wavelengths
        shortest["green"] = shortest["blue"]
    red, green, blue = (
        _plane(reading, _plane_index(trace.planes, colour), stand, _ceiling(setting, shortest[colour], stand))
        for colour in COLOURS
    )
    return red, green, blue


def _ceiling(setting: Setting | None, shortest_um: float, stand: Stand) -> float:
    if setting is None or setting.f_number is None:
        return float("nan")
    return find_ceiling(setting.f_number, shortest_um, stand.sensor.pixel_pitch_um)


def _plane_index(planes: tuple[str, ...], colour: str) -> int | None:
    """Return the index of a colour's plane; an only plane counts as green."""
    if colour in planes:
        return planes.index(colour)
    return 0 if colour == "green" and len(planes) == 1 else None


def _plane(reading: Reading, index: int | None, stand: Stand, ceiling: float) -> PlaneSharpness:
    """Return the sharpness of one plane by zone; NaN everywhere if `index` is None."""
    unknown = np.full((4, len(ZONES), 2), np.nan)
    value, own, common, directional = (
        unknown
        if index is None
        else (reading.value[index], reading.own_u[index], reading.common_u[index], reading.direction_u[index])
    )
    discs = reading.discs[index] if index is not None else np.zeros(len(ZONES), dtype=np.int64)
    heights = zone_heights(stand.zones)
    zones = {
        zone: _zone(
            value[k],
            own[k],
            common[k],
            directional[k],
            heights[zone],
            int(discs[k]),
            stand.sensor.pixel_pitch_um,
            ceiling,
        )
        for k, zone in enumerate(ZONES)
    }
    at = [ZONES.index(name) for name in CORNERS]
    corner = value[at].mean(axis=1)
    own_u = np.hypot(own, directional)
    corner_u = np.sqrt((own_u[at] ** 2).sum(axis=1)) / 2
    mean = float(corner.mean())
    # with an unmeasured zone the worst of all is unknown
    worst = int(np.argmin(value)) if np.isfinite(value).all() else None
    return PlaneSharpness(
        **zones,
        worst_cy_per_px=np.nan if worst is None else float(value.flat[worst]),
        worst_cy_per_px_u=np.nan
        if worst is None
        else float(np.hypot(extreme_u(value.ravel(), own_u.ravel(), worst), common.flat[worst])),
        corner_mean_cy_per_px=mean,
        corner_mean_cy_per_px_u=float(np.hypot(np.sqrt((corner_u**2).sum()) / 4, common[at].mean())),
        corner_imbalance_frac=float(np.ptp(corner) / mean),
        corner_imbalance_frac_u=range_u(corner, corner_u) / mean,
    )


def _zone(
    value: Array,
    own_u: Array,
    common_u: Array,
    direction_u: Array,
    height: float,
    discs: int,
    pitch_um: float,
    ceiling: float,
) -> ZoneSharpness:
    """Return the sharpness of one zone; arrays are (2,), sagittal and tangential."""
    each_u = np.sqrt(own_u**2 + common_u**2 + direction_u**2)
    mean = float(value.mean())
    # the directional part cancels in the mean
    mean_u = float(np.hypot(np.hypot(*own_u) / 2, common_u.mean()))
    lines = 1000 / pitch_um
    apart_u = np.hypot(own_u, direction_u)
    difference_u = 4 / (value.sum() ** 2) * np.hypot(value[0] * apart_u[1], value[1] * apart_u[0])
    return ZoneSharpness(
        sagittal_cy_per_px=float(value[0]),
        sagittal_cy_per_px_u=float(each_u[0]),
        tangential_cy_per_px=float(value[1]),
        tangential_cy_per_px_u=float(each_u[1]),
        mean_cy_per_px=mean,
        mean_cy_per_px_u=mean_u,
        mean_lp_per_mm=mean * lines,
        mean_lp_per_mm_u=mean_u * lines,
        direction_difference_frac=float((value[1] - value[0]) / mean),
        direction_difference_frac_u=float(difference_u),
        ceiling_ratio=mean / ceiling,
        ceiling_ratio_u=mean_u / ceiling,
        height_frac=height if np.isfinite(mean) else np.nan,
        disc_count=discs,
    )
