"""Compare the light at each f-number with its marking."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime
from math import log2, sqrt
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
from pydantic import Field
from scipy.special import gammaln

from glasswright import Setting, Unmeasurable, stage
from glasswright_camera.aperture.light_level import LightLevel, refuse_untimed
from glasswright_camera.aperture.marks import stops_of, time_rounding_ev
from glasswright_camera.aperture.result import Aperture
from glasswright_camera.extremes import extreme_u
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Light = tuple[float | None, str, float | None, float | None]
    """Focal length, role, sensitivity and focus distance: shots of one light can be compared."""

CONFIDENCE: Final = 0.95
GUARD: Final = 1.6448536269514722
"""Quantile of the normal distribution at that confidence."""
NAN: Final = float("nan")
ROUNDED_EV: Final = 0.14
"""Largest error of the marking of a lowest f-number: 5 % (ISO 517, from memory)."""


@stage
def measure_aperture(
    charts: tuple[LightLevel, ...],
    flats: tuple[LightLevel, ...] | None,
    stand: Stand,
    *,
    rest_s: Annotated[float, Field(gt=0)] = 240.0,
) -> Aperture:
    """Compare light over exposure time at each f-number with that wide open.

    The light on the sensor is proportional to exposure time over the square of the f-number (ISO 12232, the exposure
    equation; from memory). The lens's transmission is the same at all f-numbers. So ``log2(light / time) + stops`` is
    constant for a good lens.

    Parameters
    ----------
    charts, flats
        Light in the middle of each chart shot and each shot of the diffuse source, at every setting.
    stand
        Its `light_step_u_ev` is the uncertainty of light and shutter between settings.
    rest_s
        Time without a stopped-down shot after which the blades have rested.

    Returns
    -------
    Aperture
        Drift of a lamp has the same effect as an aperture; wide-open shots and the other light distinguish them. The
        marking of the lowest f-number is rounded (ISO 517 allows 5 %, 0.14 EV; from memory), which gives all other
        f-numbers the same error: up to that size a common error is no error of a step. Marked exposure times may be
        rounded (see `time_rounding_ev`): the mean of both readings is taken, and half of their difference enters the
        uncertainty. NaN if a ticket has one f-number only.

    Raises
    ------
    Unmeasurable
        If exposure times or f-numbers are missing.
    """
    levels = (*charts, *(flats or ()))
    refuse_untimed(levels)
    shots = _compare_with_open(levels)
    light_u = stand.light_step_u_ev
    open_scatter, open_repeats = _find_open_scatter(shots)
    steps, common = take_common([_read_step(group, light_u) for group in _group_stopped(shots)])
    worst, worst_u = _find_worst(steps)
    scattered = max((each for each in steps if each.count > 1), key=lambda each: each.scatter, default=None)
    rested = find_rested(shots, rest_s)
    excess, excess_u = _find_excess(shots, rested, light_u)
    return Aperture(
        aperture_step_error_ev=worst.error if worst else NAN,
        aperture_step_error_ev_u=worst_u,
        aperture_scatter_ev=scattered.scatter if scattered else NAN,
        aperture_scatter_ev_u=scatter_u(scattered.scatter, scattered.count - 1) if scattered else NAN,
        repeat_scatter_ev=scattered.within if scattered else NAN,
        repeat_scatter_ev_u=scatter_u(scattered.within, scattered.repeats) if scattered else NAN,
        first_shot_excess_ev=excess,
        first_shot_excess_ev_u=excess_u,
        wide_open_scatter_ev=open_scatter,
        wide_open_scatter_ev_u=scatter_u(open_scatter, open_repeats),
        lights_apart_ev=worst.apart if worst else NAN,
        lights_apart_ev_u=worst.apart_u if worst else NAN,
        step_where=worst.where if worst else "",
        scatter_where=scattered.where if scattered else "",
        wide_open_repeat_count=open_repeats,
        shot_count=len(shots),
        focal_length_mm=np.array([shot.setting.focal_length_mm or NAN for shot in shots]),
        f_number=np.array([shot.setting.f_number or NAN for shot in shots]),
        error_ev=np.array([shot.error for shot in shots]),
        is_flat=np.array([shot.role == "flat" for shot in shots]),
        is_rested=rested,
        shots=tuple(shot.name for shot in shots),
        aperture_common_error_ev=common.error if common else NAN,
        aperture_common_error_ev_u=common.error_u if common else NAN,
        common_where=_focal_text(common.focal_length_mm) if common else "",
        notes=() if steps else ("no light was shot both at a focal length's lowest f-number and at a higher one",),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LightShot:
    """One shot, relative to the mean of the same light's wide-open shots."""

    name: str
    role: str
    setting: Setting
    """Focal length and f-number."""
    error: float
    """EV."""
    rounding: float
    """Half of the change of `error` between both readings of the exposure times, EV."""
    open_count: int
    """Number of wide-open shots that it is compared with."""
    is_stopped: bool
    light: Light
    at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Results at one f-number."""

    where: str
    focal_length_mm: float | None
    count: int
    error: float
    error_u: float
    scatter: float
    within: float
    """Scatter of shots about the mean of their light; `repeats` has its degrees of freedom."""
    repeats: int
    apart: float
    apart_u: float


def _compare_with_open(levels: Sequence[LightLevel]) -> list[LightShot]:
    """Compare every shot with its light's shots at the focal length's lowest f-number; leave out lights without
    them."""
    lights: dict[Light, list[LightLevel]] = defaultdict(list)
    widest: dict[float | None, float] = {}
    for level in levels:
        focal, number = _setting_of(level)
        if number is None:
            raise Unmeasurable(f"{level.shot} has no f-number: give it in ticket.yaml")
        widest[focal] = min(number, widest.get(focal, number))
        distance = level.setting.focus_distance_m if level.setting else None
        lights[focal, level.role, level.iso, distance].append(level)
    shots = []
    for light, members in lights.items():
        focal, role, _, _ = light
        values = np.array([_exposure_value(level) for level in members])
        halves = np.array([time_rounding_ev(level.exposure_time_s or NAN) / 2 for level in members])
        numbers = np.array([_setting_of(level)[1] for level in members], dtype=np.float64)
        is_open = numbers == widest[focal]
        if not is_open.any():
            continue
        shots += [
            LightShot(
                name=level.shot,
                role=role,
                setting=Setting(focal_length_mm=focal, f_number=float(number)),
                error=float(value + half - (values + halves)[is_open].mean()),
                rounding=float(half - halves[is_open].mean()),
                open_count=int(is_open.sum()),
                is_stopped=not at_widest,
                light=light,
                at=_read_time(level.captured_at),
            )
            for level, number, value, half, at_widest in zip(members, numbers, values, halves, is_open, strict=True)
        ]
    return shots


def _setting_of(level: LightLevel) -> tuple[float | None, float | None]:
    return (level.setting.focal_length_mm, level.setting.f_number) if level.setting else (None, None)


def _exposure_value(level: LightLevel) -> float:
    number = _setting_of(level)[1] or NAN
    return log2(level.light_frac / (level.exposure_time_s or NAN)) + stops_of(number)


def _read_time(captured_at: str) -> datetime | None:
    try:
        return datetime.strptime(captured_at[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def _group_stopped(shots: Sequence[LightShot]) -> list[list[LightShot]]:
    """Return the stopped-down shots of each focal length and f-number."""
    groups: dict[Setting, list[LightShot]] = defaultdict(list)
    for shot in shots:
        if shot.is_stopped:
            groups[shot.setting].append(shot)
    return list(groups.values())


def take_common(steps: Sequence[Step]) -> tuple[list[Step], Step | None]:
    """Return the steps without the error that all of a focal length share, as far as the marking of the lowest
    f-number explains it, and the step that sets the largest shared error."""
    left, largest = [], None
    for focal in dict.fromkeys(step.focal_length_mm for step in steps):
        members = [step for step in steps if step.focal_length_mm == focal]
        nearest = min(members, key=lambda step: abs(step.error))
        agree = len({step.error > 0 for step in members}) == 1
        shared = nearest if agree else replace(nearest, error=0.0)
        marking = float(np.clip(shared.error, -ROUNDED_EV, ROUNDED_EV))
        left += [
            replace(
                step,
                error=step.error - marking,
                error_u=step.error_u
                if step is nearest or not agree
                else float(np.hypot(step.error_u, nearest.error_u)),
            )
            for step in members
        ]
        largest = shared if largest is None or abs(shared.error) > abs(largest.error) else largest
    return left, largest


def _focal_text(focal_length_mm: float | None) -> str:
    return "" if focal_length_mm is None else f"{focal_length_mm:g} mm"


def _find_worst(steps: Sequence[Step]) -> tuple[Step | None, float]:
    """Return the step with the largest error, and its u as the largest of them; None without any."""
    if not steps:
        return None, NAN
    errors, errors_u = np.array([each.error for each in steps]), np.array([each.error_u for each in steps])
    at = int(np.argmax(np.abs(errors)))
    return steps[at], extreme_u(np.abs(errors), errors_u, at)


def _find_open_scatter(shots: Sequence[LightShot]) -> tuple[float, int]:
    """Return the standard deviation of wide-open shots about their light's mean, and its degrees of freedom."""
    opened = [shot for shot in shots if not shot.is_stopped]
    lights = len({shot.light for shot in opened})
    freedom = len(opened) - lights
    return find_deviation(float(sum(shot.error**2 for shot in opened)), freedom), freedom


def find_deviation(sum_of_squares: float, freedom: int) -> float:
    """Return the unbiased standard deviation, s over c4 (ISO 7870-2; Montgomery); NaN without degrees of freedom."""
    if freedom < 1:
        return NAN
    c4 = sqrt(2 / freedom) * float(np.exp(gammaln((freedom + 1) / 2) - gammaln(freedom / 2)))
    return sqrt(sum_of_squares / freedom) / c4


def scatter_u(scatter: float, freedom: int) -> float:
    """Return u of a standard deviation, such that 1.645 u reaches its one-sided 95 % limit.

    The limit is ``s sqrt(nu / chi2(0.05, nu))`` (ISO 2854, from memory). With two or three shots, the common
    ``s / sqrt(2 nu)`` would pass a bad aperture one time in seven.
    """
    if freedom < 1:
        return NAN
    raw = scatter * sqrt(2 / freedom) * float(np.exp(gammaln((freedom + 1) / 2) - gammaln(freedom / 2)))
    from scipy.stats import chi2

    return (raw * sqrt(freedom / float(chi2.ppf(1 - CONFIDENCE, freedom))) - scatter) / GUARD


def _read_step(group: Sequence[LightShot], light_u: float) -> Step:
    """Return the results at one f-number from its shots of one or two lights."""
    error = np.array([shot.error for shot in group])
    scatter = find_deviation(float(((error - error.mean()) ** 2).sum()), len(error) - 1)
    own = scatter if len(error) > 1 else 0.0
    lights = {role: [shot for shot in group if shot.role == role] for role in sorted({shot.role for shot in group})}
    means = {role: float(np.mean([shot.error for shot in members])) for role, members in lights.items()}
    repeats = len(error) - len(means)
    squares = sum((shot.error - means[role]) ** 2 for role, members in lights.items() for shot in members)
    # the error of a light's wide-open shots and its drift are common to its shots
    opened = sum((len(members) / len(group)) ** 2 / members[0].open_count for members in lights.values())
    drift = float(np.std(list(means.values()), ddof=1)) if len(means) > 1 else 0.0
    shared = max(own**2 / len(error), drift**2 / len(means)) + own**2 * opened
    apart = means["flat"] - means["chart"] if {"flat", "chart"} <= set(means) else NAN
    return Step(
        where=str(group[0].setting),
        focal_length_mm=group[0].setting.focal_length_mm,
        count=len(error),
        error=float(error.mean()),
        error_u=float(np.sqrt(shared + light_u**2 + np.mean([shot.rounding for shot in group]) ** 2)),
        scatter=scatter,
        within=find_deviation(squares, repeats),
        repeats=repeats,
        apart=apart,
        apart_u=sqrt(2.0) * light_u if np.isfinite(apart) else NAN,
    )


def find_rested(shots: Sequence[LightShot], rest_s: float) -> NDArray[np.bool_]:
    """Return which shots (shots,) are the first stopped-down ones after a rest; none if times are missing."""
    rested = np.zeros(len(shots), dtype=bool)
    if any(shot.at is None for shot in shots):
        return rested
    last = None
    for index in sorted(range(len(shots)), key=lambda index: (shots[index].at or datetime.min, shots[index].name)):
        shot = shots[index]
        if shot.is_stopped and shot.at is not None:
            rested[index] = last is None or (shot.at - last).total_seconds() >= rest_s
            last = shot.at
    return rested


def _find_excess(shots: Sequence[LightShot], rested: NDArray[np.bool_], light_u: float) -> tuple[float, float]:
    """Return the light of rested shots relative to the others of their light and f-number, EV, and its u."""
    found, weights, within, freedom = [], [], 0.0, 0
    error = np.array([shot.error for shot in shots])
    for place in dict.fromkeys((shot.light, shot.setting) for shot in shots if shot.is_stopped):
        members = np.array([(shot.light, shot.setting) == place for shot in shots])
        first, rest = error[members & rested], error[members & ~rested]
        if not (len(first) and len(rest)):
            continue
        found.append(float(first.mean() - rest.mean()))
        weights.append(1 / (1 / len(first) + 1 / len(rest)))
        within += float(((rest - rest.mean()) ** 2).sum())
        freedom += len(rest) - 1
    if not found:
        return NAN, NAN
    # shots of one light at one f-number are minutes apart: at worst the light changes as between settings
    scatter = max(find_deviation(within, freedom) if freedom else 0.0, light_u)
    return float(np.average(found, weights=weights)), scatter / sqrt(sum(weights))
