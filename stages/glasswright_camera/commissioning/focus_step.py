"""Step `focus`: size of a focus step from shots of the ramp; angle of the ramp and shaker as declared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date  # noqa: TC003 - read at run time by pydantic
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
from pydantic import Field

from glasswright import Artefact, Unmeasurable, format_count
from glasswright.config import Line, read_config
from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.edges.trace_ramp import trace_ramp
from glasswright_camera.focus.reading import Found, find_focus, main_plane, read_setting
from glasswright_camera.raw.stage import decode_raw

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

STEP_RESTS: Final = ("measure_centring.focus_tilt*", "measure_centring.*_um", "measure_best_focus.*_um")
RAMP_RESTS: Final = ("measure_focus_offset.*",)
SHAKER_RESTS: Final = ("measure_stabiliser.*",)
HOLDS_DAYS: Final = 365
FEWEST_STEPS: Final = 4
RAMP_U_FRAC: Final = 0.014
"""Relative standard uncertainty of distances along the ramp: offsets of 20 um were up to 2.4 % low (known limits in
stages/DECISIONS.md); that over the square root of 3."""
STEP_CEILING: Final = 0.03
"""Largest acceptable relative uncertainty of a focus step: tilt and curvature have at least the same."""
ANGLE_CEILING_DEG: Final = 0.5
FOCUS_FILE: Final = "focus.yaml"
FOCUS_TEXT: Final = """\
# Complete what the stand has, and remove the # before it. u is the standard uncertainty.
day: 2026-01-01
# ramp_angle: {value: 45.0, u: 0.3, origin: "angle gauge on the board, mean of five readings"}
# only if the step is not measured with shots of the ramp: micrometres at the sensor, at f_number
# focus_step: {value: 26.0, u: 1.0, f_number: 4, origin: "the maker's data sheet"}
# amplitude of the shaker at the sensor's distance, in degrees
# shaker: {value: 0.5, u: 0.02, origin: "dial gauge at 100 mm"}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A value that was not measured by shots."""

    value: Annotated[float, Field(gt=0)]
    u: Annotated[float, Field(gt=0)]
    origin: Line


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredStep(Declared):
    """A focus step at an f-number."""

    f_number: Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusNotes(Artefact):
    """Content of `focus.yaml`."""

    day: date
    ramp_angle: Declared | None = None
    focus_step: DeclaredStep | None = None
    shaker: Declared | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSize:
    """Movement of the focus at the sensor by one step of the focus."""

    um: float
    um_u: float
    f_number: float
    scatter_um: float = 0.0
    """Scatter of single steps about a straight line."""
    left_out: tuple[str, ...] = ()
    """Shots that could not be measured, each with the reason."""


def commission_focus(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure the focus step, and take over ramp angle and shaker.

    Parameters
    ----------
    folder
        May contain `ramp`, shots of the ramp in the order of their names, each one focus step farther in one direction,
        and `focus.yaml`.
    stand
        Its first ramp is the one shot.
    today
        Date of shots without one.

    Raises
    ------
    Unmeasurable
        If there is neither, or shots and file contradict each other.
    """
    path = folder / FOCUS_FILE
    notes = read_config(path, FocusNotes) if path.is_file() else None
    has_ramp = (folder / "ramp").is_dir() and any((folder / "ramp").iterdir())
    shots = list_shots(folder / "ramp", "ramp") if has_ramp else ()
    refuse_copies(shots)
    declared = notes.focus_step if notes is not None else None
    if shots and declared is not None:
        raise Unmeasurable(f"{path}: declares `focus_step`, and there are shots of the ramp: delete one of the two")
    angle = notes.ramp_angle if notes is not None else None
    size = measure_step(shots, _with_angle(stand, angle)) if shots else None
    if declared is not None:
        size = StepSize(um=declared.value, um_u=declared.u, f_number=declared.f_number)
    shaker = notes.shaker if notes is not None else None
    if size is None and angle is None and shaker is None:
        raise Unmeasurable(f"there are neither shots in {folder / 'ramp'} nor values in {path}: complete the file")
    values, changes, rests = _propose(size, angle, shaker, stand)
    origins = {"focus step": declared, "ramp angle": angle, "shaker": shaker}
    return StepResult(
        step="focus",
        findings=values,
        changes=changes,
        rests=rests,
        holds_days=HOLDS_DAYS,
        body=find_body(shots) if shots else None,
        measured=find_day(shots, notes.day if notes is not None else today),
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        declared=tuple(f"{name}: {each.origin}" for name, each in origins.items() if each is not None),
        notes=_describe(size, angle, stand, measured=bool(shots)),
    )


def _with_angle(stand: Stand, angle: Declared | None) -> Stand:
    if not stand.ramps:
        raise Unmeasurable("the stand file has no ramp, and there are shots of one: add it under `camera: ramps:`")
    if angle is None:
        return stand
    ramp = replace(stand.ramps[0], angle_deg=angle.value, angle_deg_u=angle.u)
    return replace(stand, ramps=(ramp, *stand.ramps[1:]))


def measure_step(shots: Sequence[Shot], stand: Stand) -> StepSize:
    """Measure the focus step: the best focus moves along the ramp, whose geometry is known.

    A shot whose best focus lies beyond the ramp leaves a gap.

    Raises
    ------
    Unmeasurable
        If too few shots can be measured, or they have several f-numbers.
    """
    if len(shots) < FEWEST_STEPS:
        raise Unmeasurable(
            f"{format_count(len(shots), 'shot')} of the ramp: at least {FEWEST_STEPS} are needed, one step apart"
        )
    found: list[Found | None] = []
    f_numbers, left_out = set(), []
    for shot in shots:
        mosaic = replace(decode_raw(shot, stand), setting=shot.setting)
        try:
            trace = replace(trace_ramp(mosaic, locate_ramp(mosaic, stand), stand, None), setting=shot.setting)
            lens = read_setting(trace)
            f_numbers.add(lens.f_number)
            found.append(find_focus(trace, main_plane(trace), lens))
        except Unmeasurable as failure:
            found.append(None)
            left_out.append(f"{shot.name}: {failure}")
    if len(f_numbers) > 1:
        raise Unmeasurable("the shots of the ramp have several f-numbers: shoot all at one")
    measured = [each for each in found if each is not None]
    if len(measured) < FEWEST_STEPS:
        raise Unmeasurable(
            f"{len(measured)} of {format_count(len(shots), 'shot')} of the ramp can be measured, {FEWEST_STEPS} are "
            f"needed: {'; '.join(left_out)}"
        )
    size = fit_step(
        np.array([each.shift_um if each is not None else np.nan for each in found]),
        float(np.sqrt(np.mean([each.shift_um_u**2 for each in measured]))),
        float(np.hypot(max(each.angle_u_frac for each in measured), RAMP_U_FRAC)),
        f_numbers.pop(),
    )
    return replace(size, left_out=tuple(left_out))


def fit_step(shift_um: Array, noise_um: float, shared_u_frac: float, f_number: float) -> StepSize:
    """Return the slope of a straight line through the foci of consecutive steps.

    The noise of the fits or the scatter about the line counts, whichever is larger, and what all shots share.

    Parameters
    ----------
    shift_um
        (shots,): best focus at the sensor, NaN where it is not known.
    noise_um
        Standard uncertainty of one, from noise.
    shared_u_frac
        Relative standard uncertainty that all share: of the board's angle, and of distances along the board.
    f_number
        Of the shots.
    """
    known = np.isfinite(shift_um)
    number, shift_um = np.flatnonzero(known).astype(np.float64), shift_um[known]
    design = np.column_stack([np.ones(len(number)), number])
    terms = np.linalg.lstsq(design, shift_um, rcond=None)[0]
    scatter = float(np.sqrt(np.sum((shift_um - design @ terms) ** 2) / (len(number) - 2)))
    slope_u = max(scatter, noise_um) / float(np.sqrt(np.sum((number - number.mean()) ** 2)))
    um = abs(float(terms[1]))
    return StepSize(um=um, um_u=float(np.hypot(slope_u, um * shared_u_frac)), f_number=f_number, scatter_um=scatter)


def _propose(
    size: StepSize | None, angle: Declared | None, shaker: Declared | None, stand: Stand
) -> tuple[tuple[StepValue, ...], dict[tuple[str | int, ...], Any], tuple[str, ...]]:
    values: list[StepValue] = []
    changes: dict[tuple[str | int, ...], Any] = {}
    rests: tuple[str, ...] = ()
    if size is not None:
        squared = stand.focus_step is not None and stand.focus_step.per_square_f_number
        scale = size.f_number**2 if squared else 1.0
        um, um_u = size.um / scale, size.um_u / scale
        meaning = "movement of the focus at the sensor by one step"
        values.append(
            StepValue(
                name="focus_step_um",
                value=um,
                u=um_u,
                ceiling_u=STEP_CEILING * um,
                meaning=f"{meaning}, over the square of the f-number" if squared else meaning,
            )
        )
        changes["camera", "focus_step"] = {
            "um": float(f"{um:.5g}"),
            **({"per_square_f_number": True} if squared else {}),
            "u_frac": float(f"{um_u / um:.3g}"),
        }
        rests += STEP_RESTS
    if angle is not None:
        values.append(StepValue(name="ramp_angle_deg", value=angle.value, u=angle.u, ceiling_u=ANGLE_CEILING_DEG,
                                meaning="angle between the ramp and the optical axis"))  # fmt: skip
        if stand.ramps:
            changes["camera", "ramps", 0, "angle_deg"] = angle.value
            changes["camera", "ramps", 0, "angle_deg_u"] = angle.u
        rests += RAMP_RESTS
    if shaker is not None:
        values.append(StepValue(name="shaker_deg", value=shaker.value, u=shaker.u, ceiling_u=0.1 * shaker.value,
                                meaning="amplitude of the shaker"))  # fmt: skip
        rests += SHAKER_RESTS
    return tuple(values), changes, rests


def _describe(size: StepSize | None, angle: Declared | None, stand: Stand, *, measured: bool) -> tuple[str, ...]:
    notes = []
    if size is None:
        notes.append("the focus step is not determined: tilt and curvature in micrometres are not known either")
    elif measured:
        notes += [f"left out: {each}" for each in size.left_out]
        notes.append(
            f"single steps scatter by {size.scatter_um:.2g} um about a straight line; the ramp's angle is part of u"
        )
    if angle is None:
        notes.append("the angle of the ramp was not stated: shots check it to 4 degrees only")
    elif not stand.ramps:
        notes.append("the stand file has no ramp: its angle is kept, but nothing uses it")
    return tuple(notes)
