"""Shift of focus on stopping down and on zooming, from shots of the inclined board with the focus locked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Artefact, Unmeasurable, stage
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.extremes import extreme_u
from glasswright_camera.focus.reading import Found, find_focus, main_plane, read_setting

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CRITERION: Final = 10 / 9
"""Defocus W020 of best focus over the wave aberration W040: 0.89 where diffraction limits MTF50, 4/3 (the smallest
geometric spot) where pixel and blur do; computed in `tests/truth/test_spherical_aberration.py`."""
CRITERION_U: Final = 2 / 9 / math.sqrt(3)
"""Standard uncertainty of that ratio, rectangular."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusShift(Artefact):
    """Change of best focus at the sensor with f-number and focal length while the focus is locked, main plane.

    Positive: the sharp plane moves away from the camera.
    """

    focus_shift_um: float
    """Largest change on stopping down, against the lowest f-number of the focal length. NaN without two f-numbers."""
    focus_shift_um_u: float
    kept_sharpness_frac: float
    """Lowest MTF50 of a stopped-down f-number at the focus of the lowest f-number, over that at its own best focus."""
    kept_sharpness_frac_u: float
    spherical_um: float
    """Wave aberration W040 at the pupil's rim at the lowest f-number, from the shift: positive if marginal rays are
    focused nearer to the lens than paraxial ones (undercorrected), when best focus moves away on stopping down."""
    spherical_um_u: float
    parfocal_um: float
    """Largest change on zooming, against the longest focal length, each at its lowest f-number. NaN without two."""
    parfocal_um_u: float
    shift_where: str
    """Setting of `focus_shift_um`."""
    spherical_where: str
    """Focal length of `spherical_um`: that with the largest."""
    parfocal_where: str
    shot_count: int
    focal_length_mm: NDArray[np.float64]
    """(settings,), by focal length, then f-number."""
    f_number: NDArray[np.float64]
    shift_um: NDArray[np.float64]
    """(settings,): best focus from the focusing band, at the sensor."""
    shift_um_u: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LockedChange(Artefact):
    """Change of best focus at the sensor at one setting while the focus is locked, main plane.

    Positive: the sharp plane moves away from the camera. 0 at the setting that the others are compared with.
    """

    focus_shift_um: float
    """Against the lowest f-number of the focal length."""
    focus_shift_um_u: float
    kept_sharpness_frac: float
    """MTF50 at the focus of the lowest f-number, over that at best focus."""
    kept_sharpness_frac_u: float
    parfocal_um: float
    """Against the longest focal length, each at its lowest f-number. NaN at other f-numbers."""
    parfocal_um_u: float
    shot_count: int


@stage
def measure_focus_shift(traces: tuple[RampTrace, ...]) -> FocusShift:
    """Measure how best focus moves with f-number and focal length while the focus is locked.

    With spherical aberration best focus lies ``8 N^2 W040`` times a number near 1 from the paraxial focus, so it moves
    by that number times ``8 N0^2 W040 (1 - (N0 / N)^2)`` from f-number N0 to N (third-order theory: W040 falls with the
    fourth power of the aperture; Welford, Aberrations of Optical Systems, from memory). A parfocal zoom keeps its
    focus; its error is measured against the longest focal length, where focusing is most accurate (common practice).

    Parameters
    ----------
    traces
        Shots of the board at several f-numbers and focal lengths, from one place, focused once: at the longest focal
        length and lowest f-number. Shots of one setting are averaged.

    Returns
    -------
    FocusShift
        `spherical_um` assumes third-order aberration; its uncertainty includes the definition of best focus.

    Raises
    ------
    Unmeasurable
        With one setting only, focal lengths or f-numbers that are not known, or a best focus off the scale.
    """
    places = sorted(gather_places(traces), key=lambda place: (place.focal_length_mm, place.f_number))
    if len(places) < 2:
        raise Unmeasurable(
            "the shots with locked focus are of one setting: shoot the board at two f-numbers or focal lengths without "
            "focusing in between"
        )
    steps = [
        step for focal in _focal_lengths(places) for step in _compare([p for p in places if p.focal_length_mm == focal])
    ]
    widest = [
        min((p for p in places if p.focal_length_mm == f), key=lambda p: p.f_number) for f in _focal_lengths(places)
    ]
    zooms = _compare(widest[::-1])
    shift, parfocal = _find_largest(steps), _find_largest(zooms)
    kept = min(steps, key=lambda step: step.kept, default=None)
    spherical = max((_find_spherical(steps, f) for f in _focal_lengths(places)), key=lambda s: abs(np.nan_to_num(s[0])))
    return FocusShift(
        focus_shift_um=shift[0],
        focus_shift_um_u=shift[1],
        kept_sharpness_frac=kept.kept if kept else nan,
        kept_sharpness_frac_u=kept.kept_u if kept else nan,
        spherical_um=spherical[0],
        spherical_um_u=spherical[1],
        parfocal_um=parfocal[0],
        parfocal_um_u=parfocal[1],
        shift_where=shift[2],
        spherical_where=spherical[2],
        parfocal_where=parfocal[2],
        shot_count=len(traces),
        focal_length_mm=np.array([place.focal_length_mm for place in places]),
        f_number=np.array([place.f_number for place in places]),
        shift_um=np.array([place.shift_um for place in places]),
        shift_um_u=np.array([place.shift_um_u for place in places]),
    )


@stage
def measure_locked_change(traces: tuple[RampTrace, ...], locked: FocusShift) -> LockedChange:
    """Measure how far best focus at one setting is from that at the setting of reference, with the focus locked.

    A card's limit on it holds at each setting, so a setting that was not shot does not pass.

    Parameters
    ----------
    traces
        Shots of the board at this setting.
    locked
        Best focus at all settings.
    """
    (place,) = gather_places(traces)
    same = locked.focal_length_mm == place.focal_length_mm
    # rows are sorted by focal length, then f-number
    lowest = int(np.flatnonzero(same)[0])
    longest = int(np.flatnonzero(locked.focal_length_mm == locked.focal_length_mm.max())[0])
    shift = _subtract(place, float(locked.shift_um[lowest]), float(locked.shift_um_u[lowest]))
    kept = _keep(place, float(locked.shift_um[lowest]))
    parfocal = nan, nan
    if place.f_number == locked.f_number[lowest]:
        shift = 0.0, place.shift_um_u
        kept = 1.0, kept[1]
        parfocal = _subtract(place, float(locked.shift_um[longest]), float(locked.shift_um_u[longest]))
        parfocal = (0.0, place.shift_um_u) if lowest == longest else parfocal
    return LockedChange(
        focus_shift_um=shift[0],
        focus_shift_um_u=shift[1],
        kept_sharpness_frac=kept[0],
        kept_sharpness_frac_u=kept[1],
        parfocal_um=parfocal[0],
        parfocal_um_u=parfocal[1],
        shot_count=len(traces),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LockedFocus:
    """Best focus at one setting."""

    focal_length_mm: float
    f_number: float
    shift_um: float
    shift_um_u: float
    angle_u_frac: float
    found: tuple[Found, ...]

    def __str__(self) -> str:
        """Return the setting as text."""
        return f"{self.focal_length_mm:g} mm f/{self.f_number:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusChange:
    """Change of best focus from a first setting to another."""

    first: LockedFocus
    other: LockedFocus
    um: float
    um_u: float
    kept: float
    kept_u: float


def gather_places(traces: Iterable[RampTrace]) -> list[LockedFocus]:
    """Return best focus at each setting, mean over its shots."""
    found: dict[tuple[float, float], list[Found]] = {}
    for trace in traces:
        lens, plane = read_setting(trace), main_plane(trace)
        try:
            shot = find_focus(trace, plane, lens)
        except Unmeasurable as failure:
            raise Unmeasurable(f"{trace.shot}: {failure}") from failure
        found.setdefault((lens.focal_length_mm, lens.f_number), []).append(shot)
    return [
        LockedFocus(
            focal_length_mm=focal,
            f_number=number,
            shift_um=float(np.mean([shot.shift_um for shot in shots])),
            shift_um_u=float(
                np.hypot(
                    np.linalg.norm([shot.shift_um_u for shot in shots]) / len(shots),
                    np.mean([shot.model_u.shift_um for shot in shots]),
                )
            ),
            angle_u_frac=max(shot.angle_u_frac for shot in shots),
            found=tuple(shots),
        )
        for (focal, number), shots in found.items()
    ]


def _focal_lengths(places: Iterable[LockedFocus]) -> list[float]:
    return list(dict.fromkeys(place.focal_length_mm for place in places))


def _compare(places: Sequence[LockedFocus]) -> list[FocusChange]:
    """Return the change from the first of some places to each other."""
    steps = []
    for other in places[1:]:
        um, um_u = _subtract(other, places[0].shift_um, places[0].shift_um_u)
        kept, kept_u = _keep(other, places[0].shift_um)
        steps.append(FocusChange(first=places[0], other=other, um=um, um_u=um_u, kept=kept, kept_u=kept_u))
    return steps


def _subtract(place: LockedFocus, first_um: float, first_um_u: float) -> tuple[float, float]:
    """Return the change from another setting's best focus, and its standard uncertainty."""
    um = place.shift_um - first_um
    # the board's angle scales all distances alike
    return um, float(np.sqrt(first_um_u**2 + place.shift_um_u**2 + (um * place.angle_u_frac) ** 2))


def _keep(place: LockedFocus, focus_um: float) -> tuple[float, float]:
    """Return MTF50 at another focus over that at best focus, mean over the shots, and its standard uncertainty."""
    kept = [shot.kept_at(focus_um) for shot in place.found]
    mean = float(np.mean([value for value, _ in kept]))
    moved = np.mean([shot.kept_at(focus_um + shot.model_u.shift_um)[0] for shot in place.found])
    return mean, float(np.hypot(np.linalg.norm([u for _, u in kept]) / len(kept), moved - mean))


def _find_largest(steps: Sequence[FocusChange]) -> tuple[float, float, str]:
    """Return the largest change, its u as the largest of them, and its setting."""
    if not steps:
        return nan, nan, ""
    value, value_u = np.array([step.um for step in steps]), np.array([step.um_u for step in steps])
    at = int(np.argmax(np.abs(value)))
    return steps[at].um, extreme_u(np.abs(value), value_u, at), str(steps[at].other)


def _find_spherical(steps: Sequence[FocusChange], focal_length_mm: float) -> tuple[float, float, str]:
    """Return W040 in um at a focal length's lowest f-number, by least squares over its changes, and its u."""
    own = [step for step in steps if step.first.focal_length_mm == focal_length_mm]
    if not own:
        return nan, nan, ""
    lowest = own[0].first.f_number
    slope = np.array([8 * lowest**2 * (1 - (lowest / step.other.f_number) ** 2) for step in own]) * CRITERION
    value, value_u = np.array([step.um for step in own]), np.array([step.um_u for step in own])
    weight = slope / value_u**2 / float((slope**2 / value_u**2).sum())
    spherical = float(weight @ value)
    # the first place is common to all changes
    own_u = float(np.abs(weight) @ value_u)
    return spherical, float(np.hypot(own_u, spherical * CRITERION_U / CRITERION)), f"{focal_length_mm:g} mm"
