"""Sharpness at best focus, from a focus series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count
from glasswright_camera.edges.repeats import line_up, main_plane
from glasswright_camera.edges.trace_misfit import unlike_places
from glasswright_camera.monochrome import leave_out_colours
from glasswright_camera.sharpness.halo import find_far_light, find_spill
from glasswright_camera.sharpness.print_division import divide_print
from glasswright_camera.sharpness.reading import lay_planes, make_reading, name_unreached, share_discs
from glasswright_camera.sharpness.result import BestFocus, ZoneFoci, ZoneFocus
from glasswright_camera.sharpness.through_focus import LEAST_STEPS, FocusCurves, find_sway, fit_focus_curves
from glasswright_camera.sharpness.zones import ZONES, lattice_fill, read_zones

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

WAVELENGTH_UM: Final = {"red": 0.61, "green": 0.54, "blue": 0.46}
"""Central wavelength of each plane (common practice, no source); a plane without a filter has green's. It only sets the
share of diffraction in the through-focus curve."""
MISFIT: Final = 1.5
"""Root of reduced chi-square from which on an odd step is searched for."""
ODD_FRAC: Final = 0.03
ODD_U: Final = 4.0
"""A step is odd if its MTF50 differs from the prediction of the other steps by at least this share and this many
standard uncertainties, in half of the zones."""
MOST_PEAK_RATIO: Final = 1.4
"""Largest ratio of the curve's peak to the sharpest step; a higher peak is not accepted."""
NEAR: Final = 1.0
"""Largest x of steps near focus, at which edges are checked."""
COARSE: Final = 0.72
"""x between two steps from which on unknown aberrations between them may exceed the uncertainty where much of the blur
is diffraction. With half a wave of spherical aberration at f/8 to f/16 the stated uncertainty covers the peak for steps
of one depth of focus (x up to 0.70), but only in 40 to 67 % of series with steps of 1.25 to 1.5 depths (0.77 to
0.99)."""
MUCH_DIFFRACTION: Final = 0.15
"""Share of diffraction in the blur at focus from which on coarse steps are named
(`tests/truth/test_through_focus.py`)."""
COARSE_STEPS: Final = "coarse_focus_steps"
UNLIKE: Final = "unlike_edges"
ODD_STEP: Final = "odd_focus_step"


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The steps that are used, in order, with notes on those left out."""

    traces: tuple[Trace, ...]
    left_out: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()

    @property
    def step(self) -> Array:
        """Positions of the steps, by number of the shot; a missing shot leaves a gap."""
        return np.array([trace.sequence_count for trace in self.traces], dtype=np.float64)


def read_best_focus(series: tuple[Trace, ...], stand: Stand, least: int) -> BestFocus:
    """Measure sharpness at the best focus of the centre zone in the main plane, and the foci of all zones and discs.

    Raises
    ------
    Unmeasurable
        Fewer than five steps, or the centre's best focus lies outside them.
    """
    first = min(trace.sequence_count for trace in series)
    chosen = leave_out_odd(tuple(sorted(series, key=lambda trace: trace.sequence_count)), stand, least)
    series, step = chosen.traces, chosen.step - first
    shared = share_discs(series)
    zones = read_zones(shared, stand.zones, least, divide_print(shared, stand))
    main, centre = main_plane(series[0]), ZONES.index("centre")
    cutoffs = [cutoff_of(series[0], plane, stand) for plane in range(len(series[0].planes))]
    curves = [_fit(step, zones.value[:, p], zones.value_u[:, p], cutoffs[p]) for p in range(len(cutoffs))]
    here, here_u = find_centre(step, curves[main], centre, zones.value[:, main, centre].mean(axis=1))
    shape = zones.value.shape[1:]
    value, own_u = np.full(shape, np.nan), np.full(shape, np.nan)
    for plane, curve in enumerate(curves):
        read, read_u = curve.read_at(here, here_u)
        value[plane], own_u[plane] = read.reshape(shape[1:]), read_u.reshape(shape[1:])
    level, level_u = (each[:, main].reshape(len(step), -1) for each in (zones.value, zones.value_u))
    own_u = np.hypot(own_u, value * find_sway(step, level, level_u, cutoffs[main], here))
    sharpest = int(np.argmin(np.abs(step - here)))
    nearest = line_up(series[sharpest : sharpest + 1], shared.node)
    far_light, spill = find_far_light(nearest), find_spill(nearest)
    print_u = value * zones.print_u[sharpest] / zones.value[sharpest]
    reading = make_reading(value, own_u, print_u, zones.discs, shared, stand, far_light)
    red, green, blue = lay_planes(reading, series[0], stand)
    step_um, step_u = stand.focus_step_um(series[0].setting)
    discs = fit_focus_curves(step, *_disc_columns(shared, main), cutoffs[main])
    behind, behind_u = _place_behind(discs, step, here)
    notes = (
        *chosen.left_out,
        *name_unreached(reading, shared, stand),
        *name_coarse(curves[main], centre, step),
        *far_light.notes(),
    )
    caveats = (
        *chosen.caveats,
        *far_light.caveats(),
        *((COARSE_STEPS,) if name_coarse(curves[main], centre, step) else ()),
        *((UNLIKE,) if (doubled := name_unlike(series, curves[main], centre, step, stand)) else ()),
    )
    axial = {
        colour: _axial_colour(curves, series[0].planes, colour, centre, step_um, step_u) for colour in ("red", "blue")
    }
    return BestFocus(
        red=red,
        green=green,
        blue=blue,
        focus=_lay_foci(curves[main], step, here, here_u, step_um, step_u),
        red_green_um=axial["red"][0],
        red_green_um_u=axial["red"][1],
        blue_green_um=axial["blue"][0],
        blue_green_um_u=axial["blue"][1],
        centre_steps=here,
        centre_steps_u=here_u,
        step_um=step_um,
        chart=series[0].chart,
        magnification_frac=float(np.mean([trace.magnification_frac for trace in series])),
        fill_frac=lattice_fill(shared),
        far_light_frac=far_light.value,
        far_light_frac_u=far_light.value_u,
        spill_frac=spill.value,
        spill_frac_u=spill.value_u,
        shot_count=len(series),
        left_out_count=len(chosen.left_out),
        width_px=series[0].width_px,
        height_px=series[0].height_px,
        node=shared.node,
        place_px=shared.places(),
        behind_steps=behind,
        behind_steps_u=behind_u,
        caveats=caveats,
        notes=(*notes, *doubled),
        not_applicable=leave_out_colours(series[0].planes, "measure_best_focus"),
    )


def cutoff_of(trace: Trace, plane: int, stand: Stand) -> float:
    """Return the cut-off frequency of diffraction, cycles per pixel; infinite if not known."""
    setting = trace.setting
    if setting is None or setting.f_number is None:
        return float("inf")
    wavelength = WAVELENGTH_UM.get(trace.planes[plane], WAVELENGTH_UM["green"])
    return stand.sensor.pixel_pitch_um / (wavelength * setting.f_number)


def _fit(step: Array, value: Array, value_u: Array, cutoff: float) -> FocusCurves:
    """Fit (steps, zones, 2): curves run over zones, sagittal and tangential of each."""
    return fit_focus_curves(step, value.reshape(len(step), -1), value_u.reshape(len(step), -1), cutoff)


def find_centre(step: Array, curves: FocusCurves, centre: int, value: Array) -> tuple[float, float]:
    """Return the centre's best focus, the mean of both directions, and its standard uncertainty, in steps.

    `value` is the centre's MTF50 in each step.

    Raises
    ------
    Unmeasurable
        The centre is measured in fewer than five steps, or its focus lies outside the series.
    """
    place, place_u = curves.place[2 * centre : 2 * centre + 2], curves.place_u[2 * centre : 2 * centre + 2]
    if not np.isfinite(place).all():
        raise Unmeasurable(f"the centre zone is measured in fewer than {LEAST_STEPS} steps of the focus series")
    here, here_u = float(place.mean()), float(np.hypot(*place_u) / 2)
    sharpest = int(np.argmax(value))
    inside = step.min() < here < step.max()
    too_high = curves.mtf50[2 * centre : 2 * centre + 2].mean() > MOST_PEAK_RATIO * value[sharpest]
    if not inside or too_high:
        if 0 < sharpest < len(step) - 1:
            raise Unmeasurable(
                "the steps of the focus series fit no through-focus curve, although the sharpest is neither the first "
                "nor the last: the stand was knocked, or the focus did not move as it should; shoot the series again"
            )
        side = "first" if here <= step.min() else "last"
        raise Unmeasurable(
            f"best focus of the centre lies outside the focus series, beyond its {side} step; "
            "shoot the series again about the sharpest step"
        )
    return here, here_u


def leave_out_odd(series: tuple[Trace, ...], stand: Stand, least: int) -> Series:
    """Return the series without odd steps, which are noted and left out as long as five remain.

    A step is odd where its MTF50, in half of the zones, deviates from the curve through the other steps.

    Raises
    ------
    Unmeasurable
        With fewer than five steps.
    """
    if len(series) < LEAST_STEPS:
        raise Unmeasurable(
            f"the focus series has {format_count(len(series), 'step')} that can be "
            f"used; {LEAST_STEPS} are needed: shoot more"
        )
    kept = list(series)
    notes: list[str] = []
    while True:
        found = _find_odd(tuple(kept), stand, least)
        if found is None:
            return Series(traces=tuple(kept), left_out=tuple(notes))
        index, read, predicted = found
        text = (
            f"{kept[index].shot} reads {read:.3f} cycles/pixel in the centre, the other steps predict {predicted:.3f}"
            ": the stand was knocked, or the focus did not move as it should"
        )
        if len(kept) == LEAST_STEPS:
            # of five steps that disagree the wrong one cannot be found
            return Series(traces=tuple(kept), left_out=(), caveats=(ODD_STEP,))
        notes.append(f"left out: {text}")
        del kept[index]


def _find_odd(series: tuple[Trace, ...], stand: Stand, least: int) -> tuple[int, float, float] | None:
    """Return the odd step without which the others agree best: index, MTF50 and predicted MTF50; None if none is."""
    zones = read_zones(share_discs(series), stand.zones, least)
    main = main_plane(series[0])
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    value = zones.value[:, main].mean(axis=2)
    value_u = np.sqrt((zones.value_u[:, main] ** 2).sum(axis=2)) / 2
    cutoff = cutoff_of(series[0], main, stand)
    whole = fit_focus_curves(step, value, value_u, cutoff)
    if not np.isfinite(whole.misfit).any() or np.nanmedian(whole.misfit) <= MISFIT:
        return None
    others = [np.arange(len(series)) != k for k in range(len(series))]
    if len(series) == LEAST_STEPS:
        return (0, np.nan, np.nan) if np.nanmedian(whole.misfit) > ODD_U else None
    best, most = -1, 0.0
    for k, rest in enumerate(others):
        fit = fit_focus_curves(step[rest], value[rest], value_u[rest], cutoff)
        expected, expected_u = fit.expect(float(step[k]))
        apart = -2 * np.log(value[k]) - expected
        surely = np.abs(apart) / np.hypot(expected_u, 2 * value_u[k] / value[k])
        known = np.isfinite(surely)
        odd = (np.abs(apart) > 2 * ODD_FRAC) & (surely > ODD_U)
        # the others must agree without it; of several, the one that deviates most
        agree = known.any() and np.nanmedian(fit.misfit) <= MISFIT + np.nanmedian(whole.misfit) / 4
        if agree and 2 * odd.sum() >= known.sum() and np.median(surely[known]) > most:
            best, most = k, float(np.median(surely[known]))
            zone = int(np.flatnonzero(known)[0])
            predicted = float(np.exp(-expected[zone] / 2))
    return None if best < 0 else (best, float(value[best, zone]), predicted)


def _disc_columns(shared: Repeats, plane: int) -> tuple[Array, Array]:
    """Return MTF50 of each disc and its uncertainty: (steps, 2 * discs), sagittal and tangential of each disc."""
    value = shared.stack(lambda t: t.mtf50)[:, plane]
    value_u = shared.stack(lambda t: t.mtf50_u)[:, plane]
    return value.reshape(len(value), -1), value_u.reshape(len(value), -1)


def _place_behind(curves: FocusCurves, step: Array, here: float) -> tuple[Array, Array]:
    """Return the distance of each pair of foci behind the centre's, in steps: later steps focus farther in front."""
    inside = (curves.place > step.min()) & (curves.place < step.max())
    behind = np.where(inside, here - curves.place, np.nan)
    return behind.reshape(-1, 2), np.where(inside, curves.place_u, np.nan).reshape(-1, 2)


def _lay_foci(curves: FocusCurves, step: Array, here: float, here_u: float, step_um: float, step_u: float) -> ZoneFoci:
    behind, behind_u = _place_behind(curves, step, here)
    zones = {}
    for zone, (sagittal, tangential), (sagittal_u, tangential_u) in zip(ZONES, behind, behind_u, strict=True):
        medial, apart = (sagittal + tangential) / 2, tangential - sagittal
        own_u = float(np.hypot(sagittal_u, tangential_u))
        medial_u = float(np.hypot(own_u / 2, 0.0 if zone == "centre" else here_u))
        zones[zone] = ZoneFocus(
            medial_steps=float(medial),
            medial_steps_u=medial_u,
            medial_um=float(medial * step_um),
            medial_um_u=float(np.hypot(medial_u * step_um, medial * step_u)),
            astigmatism_um=float(apart * step_um),
            astigmatism_um_u=float(np.hypot(own_u * step_um, apart * step_u)),
        )
    return ZoneFoci(**zones)


def _axial_colour(
    curves: list[FocusCurves], planes: tuple[str, ...], colour: str, centre: int, step_um: float, step_u: float
) -> tuple[float, float]:
    """Return how far a colour's focus lies behind green's in the centre, um; NaN where either plane is missing."""
    if colour not in planes or "green" not in planes:
        return float("nan"), float("nan")
    pair = slice(2 * centre, 2 * centre + 2)
    one, other = curves[planes.index(colour)], curves[planes.index("green")]
    behind = float(other.place[pair].mean() - one.place[pair].mean())
    own_u = float(np.sqrt((one.place_u[pair] ** 2 + other.place_u[pair] ** 2).sum()) / 2)
    return behind * step_um, float(np.hypot(own_u * step_um, behind * step_u))


def name_coarse(curves: FocusCurves, centre: int, step: Array) -> tuple[str, ...]:
    """Return a note where the steps are so far apart that the curve between them depends on assumed aberrations."""
    apart = float(np.median(np.diff(step)) * np.exp(curves.rate[2 * centre]))
    share = float(curves.share[2 * centre])
    if apart <= COARSE or share <= MUCH_DIFFRACTION:
        return ()
    return (
        f"the steps of the focus series are too coarse: one step from focus, 1/MTF50 is {np.sqrt(1 + apart**2):.1f} "
        "times that in focus, and aberrations between the steps may not show; shoot steps of "
        f"{COARSE / apart:.2f} times their size",
    )


def name_unlike(
    series: tuple[Trace, ...], curves: FocusCurves, centre: int, step: Array, stand: Stand
) -> tuple[str, ...]:
    """Return a note that names the zones with unexplained edges in most of the steps near focus."""
    x = np.exp(curves.rate[2 * centre]) * np.abs(step - curves.place[2 * centre])
    near = [trace for trace, off in zip(series, x, strict=True) if off <= max(NEAR, x.min())]
    main = main_plane(series[0])
    found = [
        unlike_places(t.misfit_frac, t.left_out_frac, t.centre_px[main], (t.width_px, t.height_px), stand.zones)
        for t in near
    ]
    zones = [zone for zone in ZONES if 2 * sum(zone in each for each in found) > len(near)]
    if not zones:
        return ()
    return (
        f"most edges in {', '.join(zone.replace('_', ' ') for zone in zones)} are unlike any lens's blur in the steps "
        "near focus (a doubled image, dirt), and MTF50 there may be wrong by many times its uncertainty",
    )
