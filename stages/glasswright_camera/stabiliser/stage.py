"""Measure the benefit of a lens's stabiliser on the stand's shaker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import stdtrit

from glasswright import Shot, Unmeasurable, stage
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stabiliser.growth import ABOVE, BELOW, EXACT, Growth, Lengths, choose_length, fit_growth
from glasswright_camera.stabiliser.motion import Rest, average_rest, find_motion, find_still_blur, length_of
from glasswright_camera.stabiliser.result import ShakenShots, Stabiliser
from glasswright_camera.stand import Positive, Stand

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

CONFIDENCE: Final = 0.95
SEEN: Final = 2.0
"""Standard uncertainties above zero from which on a movement counts as measured."""
SHAPE_U: Final = 0.02
"""Relative standard uncertainty of a length from the movement's shape: sines, movements along two axes and random ones
are read within 2 % of an even movement with the same variance (`tests/stages/stabiliser`)."""
READ_ON: Final = 2.0
"""Factor beyond the exposure times shot up to which a time is extrapolated."""
SHOTS_LOST: Final = "shots_lost"
BEYOND: Final = "beyond_measured_blur"


@stage
def measure_stabiliser(
    off: tuple[Trace, ...],
    on: tuple[Trace, ...],
    off_shots: tuple[Shot, ...],
    on_shots: tuple[Shot, ...],
    still: tuple[Trace, ...],
    stand: Stand,
    *,
    sharp_motion_um: Positive = 30.0,
) -> Stabiliser:
    """Compare the movement in shots on the stand's shaker, stabiliser off and on, over exposure times.

    The MTF50 of each disc is compared with the transfer function of the same disc with the lens at rest, which gives
    the length of the movement (`stabiliser.motion`). It grows with the exposure time. The benefit is the number of
    doublings of the time, stabiliser on, for the same blur, at a blur measured on both sides (the form of ISO 20954-1,
    from memory). It holds for this stand's shaker only: a rating by a standard needs the standard's shaker.

    Parameters
    ----------
    off, on
        Traces of the shaken shots, of one focal length and f-number.
    off_shots, on_shots
        All shots taken: one whose edges could not be traced counts as more blurred than all others.
    still
        Chart shots; those of the same focal length and f-number show the lens at rest.
    stand
        For the shaker's name and the pixel pitch.
    sharp_motion_um
        Longest uniform movement on the sensor that counts as sharp. 30 um is the common blur circle for a frame of
        36 x 24 mm (no normative source).

    Returns
    -------
    Stabiliser
        Caveat `shots_lost` where shots could not be traced, which is assumed to be due to their blur. Caveat
        `beyond_measured_blur` where no blur was measured on both sides and the nearest are compared.

    Raises
    ------
    Unmeasurable
        Where the stand names no shaker, shots are of several settings, the lens was not shot at rest, exposure times
        are not known, the movement does not grow with them or has turned back, or no blur is near both sides.
    """
    if stand.shaker is None:
        raise Unmeasurable("the stand file names no shaker: add `shaker: {name: ...}` to its camera section")
    rest = average_rest(choose_still((*off, *on), still))
    pitch = stand.sensor.pixel_pitch_um
    sides = [read_side(*side, rest, pitch) for side in ((off, off_shots), (on, on_shots))]
    lengths = gather_lengths(sides)
    growth = fit_growth(lengths)
    log_length, is_measured = choose_length(lengths)
    benefit, benefit_u = (value / np.log(2) for value in growth.benefit(log_length))
    reach = float(stdtrit(growth.freedom, (1 + CONFIDENCE) / 2)) * benefit_u
    still_blur, still_blur_u = find_still_blur(rest)
    both = set(sides[0].time) & set(sides[1].time)
    lost = sum(int(side.is_lost.sum()) for side in sides)
    return Stabiliser(
        excitation=stand.shaker.name,
        benefit_stops=benefit,
        benefit_stops_u=benefit_u,
        benefit_low_stops=benefit - reach,
        benefit_high_stops=benefit + reach,
        still_blur_px=still_blur,
        still_blur_px_u=still_blur_u,
        at_motion_um=float(np.exp(log_length)),
        off=sum_up(sides[0], growth, both, sharp_motion_um, is_on=False),
        on=sum_up(sides[1], growth, both, sharp_motion_um, is_on=True),
        caveats=((SHOTS_LOST,) if lost else ()) + (() if is_measured else (BEYOND,)),
        notes=(f"{lost} shaken shots could not be traced and count as the most blurred",) if lost else (),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """The shots of one state of the stabiliser, by exposure time: arrays over (shots,)."""

    time: tuple[float, ...]
    motion_um: NDArray[np.float64]
    """Infinite where the shot was lost."""
    limit_um: NDArray[np.float64]
    """The shortest movement that could be measured."""

    @property
    def is_lost(self) -> NDArray[np.bool_]:
        """Which shots could not be traced."""
        return np.isinf(self.motion_um)


def choose_still(shaken: Sequence[Trace], still: Sequence[Trace]) -> list[Trace]:
    """Return the shots of the lens at rest at the shaken shots' focal length and f-number."""
    settings = {
        (trace.setting.focal_length_mm, trace.setting.f_number) if trace.setting else (None, None) for trace in shaken
    }
    text = " and ".join(sorted(f"{focal or 0:g} mm f/{number or 0:g}" for focal, number in settings))
    if len(settings) > 1:
        raise Unmeasurable(f"the shaken shots are of {text}: shoot them at one focal length and f-number")
    wanted = settings.pop()
    found = [each for each in still if each.setting and (each.setting.focal_length_mm, each.setting.f_number) == wanted]
    if not found:
        raise Unmeasurable(f"no chart shot at {text} shows the lens at rest: shoot one with the shaker still")
    return found


def read_side(
    traces: Sequence[Trace], shots: Sequence[Shot], rest: Mapping[tuple[int, int], Rest], pitch_um: float
) -> Side:
    """Return the movement in every shot of one state; infinite where it could not be traced."""
    by_name = {trace.shot: trace for trace in traces}
    rows = []
    for shot in shots:
        time = shot.setting.exposure_time_s if shot.setting else None
        if time is None:
            raise Unmeasurable(f"{shot.name} has no exposure time in EXIF: give it in ticket.yaml under `shots`")
        if shot.name not in by_name:
            rows.append((time, float("inf"), 0.0))
            continue
        square, square_u = find_motion(by_name[shot.name], rest)
        rows.append((time, pitch_um * length_of(square), pitch_um * length_of(SEEN * square_u)))
    table = np.array(sorted(rows))
    return Side(time=tuple(table[:, 0].tolist()), motion_um=table[:, 1], limit_um=table[:, 2])


def gather_lengths(sides: Sequence[Side]) -> Lengths:
    """Return all shots for the fit; a lost one lies above the longest measured movement."""
    motion, limit = (np.concatenate([getattr(side, name) for side in sides]) for name in ("motion_um", "limit_um"))
    lost = np.isinf(motion)
    longest = motion[~lost].max(initial=1e-6)
    kind = np.where(lost, ABOVE, np.where(motion < limit, BELOW, EXACT))
    length = np.where(lost, longest, np.maximum(motion, limit))
    return Lengths(
        log_time=np.log(np.concatenate([side.time for side in sides])),
        log_length=np.log(np.maximum(length, 1e-6)),
        kind=kind,
        is_on=np.repeat([False, True], [len(side.time) for side in sides]),
    )


def sum_up(side: Side, growth: Growth, both: Collection[float], sharp_um: float, *, is_on: bool) -> ShakenShots:
    """Return the share of sharp shots of one state, and the time up to which half of them are sharp."""
    shared = np.isin(side.time, list(both))
    sharp, count = int((side.motion_um[shared] <= sharp_um).sum()), int(shared.sum())
    low, high = share_interval(sharp, count)
    slope, slope_u = growth.slope(on=is_on)
    log_time, log_time_u = growth.time_at(float(np.log(sharp_um)), on=is_on)
    log_time_u = float(np.hypot(log_time_u, SHAPE_U / slope))
    if not min(side.time) / READ_ON <= np.exp(log_time) <= max(side.time) * READ_ON:
        log_time = log_time_u = float("nan")
    return ShakenShots(
        shot_count=len(side.time),
        lost_count=int(side.is_lost.sum()),
        sharp_frac=sharp / count if count else float("nan"),
        sharp_low_frac=low,
        sharp_high_frac=high,
        sharp_until_s=float(np.exp(log_time)),
        sharp_until_s_u=float(np.exp(log_time) * log_time_u),
        growth_ratio=slope,
        growth_ratio_u=slope_u,
        exposure_time_s=np.array(side.time),
        motion_um=side.motion_um,
    )


def share_interval(hits: int, count: int) -> tuple[float, float]:
    """Return the exact 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    if not count:
        return float("nan"), float("nan")
    from scipy.stats import binomtest

    interval = binomtest(hits, count).proportion_ci(CONFIDENCE, method="exact")
    return float(interval.low), float(interval.high)
