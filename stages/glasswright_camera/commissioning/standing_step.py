"""Step `standing`: the chart parallel to the sensor, and the body's own tilt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date  # noqa: TC003 - read at run time by pydantic
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
from pydantic import Field

from glasswright import Artefact, Unmeasurable, format_count
from glasswright.config import Line, read_config
from glasswright_camera.commissioning.print_step import trace_shot
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import ShotBody, StepResult, StepValue
from glasswright_camera.distortion.stage import measure_distortion

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

RESTS: Final = ("measure_centring.focus_tilt*",)
HOLDS_DAYS: Final = 180
CEILING_ARCMIN: Final = 0.5
"""Largest acceptable standard uncertainty of the body's tilt."""
CHART_CEILING_ARCMIN: Final = 1.0
"""The image's tilt is the chart's times the magnification, so the chart may be known less well."""
STANDING_FILE: Final = "standing.yaml"
STANDING_TEXT: Final = """\
# Complete what was done, and remove the # before it. Angles in arc minutes; u is the standard uncertainty.
# Along x: positive where the right side's focus lies behind the sensor; along y: the lower side's.
day: 2026-01-01
# The body whose tilt it is, if there are no shots in `chart`.
# body: "model"
# body_serial: "serial number"
# A lens in an adapter that can be turned: the tilt at each turn (clockwise, seen from the front), as measured from
# a focus series (measure_centring.focus_tilt_x_arcmin and focus_tilt_y_arcmin of a ticket).
# turned:
#   - {turn_deg: 0, x_arcmin: 0.0, y_arcmin: 0.0, u_arcmin: 0.3}
#   - {turn_deg: 180, x_arcmin: 0.0, y_arcmin: 0.0, u_arcmin: 0.3}
# Or the body's flange against the sensor, measured by a workshop.
# flange: {x_arcmin: 0.0, y_arcmin: 0.0, u_arcmin: 0.3, origin: "who measured it, with what"}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedTilt:
    """Tilt of the surface of best focus at one turn of the lens."""

    turn_deg: float
    x_arcmin: float
    y_arcmin: float
    u_arcmin: Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlangeTilt:
    """Tilt of the body's flange, measured elsewhere."""

    x_arcmin: float
    y_arcmin: float
    u_arcmin: Annotated[float, Field(gt=0)]
    origin: Line


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingNotes(Artefact):
    """Content of `standing.yaml`."""

    day: date
    body: Line | None = None
    body_serial: Line | None = None
    turned: tuple[TurnedTilt, ...] = ()
    flange: FlangeTilt | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyTilt:
    """The body's tilt along x and y, arc minutes."""

    arcmin: Array
    """(2,)."""
    covariance: Array
    """(2, 2)."""
    origin: str


def separate_body(readings: Sequence[TurnedTilt]) -> BodyTilt:
    """Separate the body's tilt from that of a lens that was turned in its mount.

    The lens's tilt turns with it, the body's does not: t_i = body + R(turn_i) lens, by weighted least squares. From
    three turns on, a scatter larger than the stated uncertainties widens the result.

    Raises
    ------
    Unmeasurable
        With fewer than two different turns, which cannot be separated.
    """
    turns = np.radians([each.turn_deg for each in readings])
    if len(readings) < 2 or np.abs(np.exp(1j * (turns - turns[0])) - 1).max() < 0.5:
        raise Unmeasurable(
            f"{STANDING_FILE}: the lens was not turned by a quarter or more, so body and lens are not separated: add a "
            "turn of 180 degrees"
        )
    rows, target, weight = [], [], []
    for angle, each in zip(turns, readings, strict=True):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        rows.append(np.hstack([np.eye(2), turn]))
        target += [each.x_arcmin, each.y_arcmin]
        weight += [1 / each.u_arcmin] * 2
    design, values, weights = np.vstack(rows), np.array(target), np.array(weight)
    white = design * weights[:, None]
    found, _, _, _ = np.linalg.lstsq(white, values * weights, rcond=None)
    covariance = np.linalg.inv(white.T @ white)
    freedom = len(values) - 4
    if freedom > 0:
        scatter = float(np.sum((white @ found - values * weights) ** 2)) / freedom
        covariance = covariance * max(1.0, scatter)
    return BodyTilt(
        arcmin=found[:2],
        covariance=covariance[:2, :2],
        origin=f"a lens turned in an adapter, {format_count(len(readings), 'turn')}",
    )


def commission_standing(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure how the chart stands, and take over the body's tilt.

    Parameters
    ----------
    folder
        May contain `chart`, two shots or more of the chart as it hangs, and `standing.yaml`.
    stand
        Its first chart is the one shot.
    today
        Date of shots without one.

    Raises
    ------
    Unmeasurable
        If there is neither, or the readings do not determine the tilt.
    """
    path = folder / STANDING_FILE
    notes = read_config(path, StandingNotes) if path.is_file() else None
    has_chart = (folder / "chart").is_dir() and any((folder / "chart").iterdir())
    shots = list_shots(folder / "chart", "chart") if has_chart else ()
    refuse_copies(shots)
    body = find_tilt_of_body(notes)
    chart, names = measure_chart(shots, stand) if shots else ((), ())
    if body is None and not chart:
        raise Unmeasurable(
            f"there are neither shots in {folder / 'chart'} nor readings in {path}: shoot the chart twice, or complete "
            "the file"
        )
    values = list(chart)
    changes: dict[tuple[str | int, ...], Any] = {}
    if body is not None:
        u = np.sqrt(np.diag(body.covariance))
        for place, axis in enumerate("xy"):
            values.append(
                StepValue(
                    name=f"body_tilt_{axis}_arcmin",
                    value=float(body.arcmin[place]),
                    u=float(u[place]),
                    ceiling_u=CEILING_ARCMIN,
                    meaning=f"tilt of the body's own focus along {axis}",
                )
            )
        changes["camera", "reference_tilt"] = {
            "x_arcmin": round(float(body.arcmin[0]), 3),
            "y_arcmin": round(float(body.arcmin[1]), 3),
            "x_arcmin_u": round(float(u[0]), 3),
            "y_arcmin_u": round(float(u[1]), 3),
            "origin": f"commissioning, {body.origin}",
        }
    day = find_day(shots, notes.day if notes is not None else today)
    return StepResult(
        step="standing",
        findings=tuple(values),
        changes=changes,
        rests=RESTS if body is not None else (),
        holds_days=HOLDS_DAYS,
        body=find_body(shots) if shots else find_noted_body(notes),
        measured=day,
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        declared=() if body is None else (f"tilt of the body: {body.origin}",),
        notes=(*names, *describe_unknown(body)),
    )


def find_noted_body(notes: StandingNotes | None) -> ShotBody | None:
    """Return the body that the notes name; None if they name none."""
    return None if notes is None or notes.body is None else ShotBody(model=notes.body, serial=notes.body_serial)


def find_tilt_of_body(notes: StandingNotes | None) -> BodyTilt | None:
    """Return the body's tilt from the notes; None if they have none.

    Raises
    ------
    Unmeasurable
        If they have two, or the lens was not turned.
    """
    if notes is None or (not notes.turned and notes.flange is None):
        return None
    if notes.turned and notes.flange is not None:
        raise Unmeasurable(f"{STANDING_FILE}: has both `turned` and `flange`: delete the one that was not done")
    if notes.flange is None:
        return separate_body(notes.turned)
    tilt = notes.flange
    return BodyTilt(
        arcmin=np.array([tilt.x_arcmin, tilt.y_arcmin]),
        covariance=np.eye(2) * tilt.u_arcmin**2,
        origin=f"flange, {tilt.origin}",
    )


def measure_chart(shots: Sequence[Shot], stand: Stand) -> tuple[tuple[StepValue, ...], tuple[str, ...]]:
    """Return the chart's tilt against the sensor, and notes."""
    if len(shots) < 2:
        raise Unmeasurable("1 shot of the chart: shoot at least two")
    found = measure_distortion(tuple(trace_shot(shot, stand) for shot in shots), stand)
    sides = (
        ("x", found.pose_tilt_x_deg, found.pose_tilt_x_deg_u),
        ("y", found.pose_tilt_y_deg, found.pose_tilt_y_deg_u),
    )
    values = tuple(
        StepValue(
            name=f"chart_tilt_{axis}_arcmin",
            value=60 * tilt,
            u=60 * tilt_u,
            ceiling_u=CHART_CEILING_ARCMIN,
            meaning=f"angle of the chart against the sensor about {axis}",
        )
        for axis, tilt, tilt_u in sides
    )
    names = []
    most = stand.shooting.pose_deg
    if max(abs(tilt) for _, tilt, _ in sides) > most:
        names.append(f"the chart is tilted by more than {most:g} degrees: align it with the mirror, and shoot again")
    if not stand.charts[0].layout.nodes_mm:
        names.append("the print was not measured, so its errors go into the chart's tilt and its u: do `print` first")
    if "pose_not_separable" in found.caveats:
        names.append("the chart's tilt and the lens's decentring are not separated: use a wider lens")
    return values, tuple(names)


def describe_unknown(body: BodyTilt | None) -> tuple[str, ...]:
    """Return what was not determined."""
    if body is not None:
        return ()
    return (
        "the body's own tilt is not determined: lenses that mount one way do not show it (two lenses leave about 2 arc "
        "minutes, twenty of random tilt 0.7); turn a lens in an adapter, or have the flange measured",
    )
