"""Measure front or back focus from a ramp."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.edges.repeats import ENOUGH_TO_SCATTER
from glasswright_camera.focus.depth import depth_of_focus_um
from glasswright_camera.focus.reading import Found, find_focus, main_plane, read_setting
from glasswright_camera.focus.result import ColourOffset, FocusOffset
from glasswright_camera.monochrome import leave_out_colours


@stage
def measure_focus_offset(
    traces: tuple[RampTrace, ...], *, confusion_um: Annotated[float, Field(gt=0)] = 30.0
) -> FocusOffset:
    """Measure best focus on the inclined board, by colour.

    Blur variance, 1/MTF50^2, is a parabola along the board; its vertex is the best focus. Distance along the axis is
    that along the board times the cosine of the board's angle (common practice; no standard is known).

    Parameters
    ----------
    traces
        The ramp shots of the setting; the result is their mean. The uncertainty includes that of each fit, of the
        board's angle, and from five shots on the scatter.
    confusion_um
        Circle of confusion c at the sensor, for the depth of focus N c (1 + m). 30 is common for a frame of
        24 x 36 mm; two pixels are stricter.

    Returns
    -------
    FocusOffset
        Minus is front focus: the sharpest place is nearer than the band. It is poor for a lens or body tilted along the
        board, whose defocus beside the band makes offsets ``1 / (1 - k)`` times too large. k is the tilt (of the image,
        in radians) over magnification times the cosine of the board's angle: 6 % for 3.4 arc minutes at 1:44 and 45
        degrees, of the tilt's sign.

    Raises
    ------
    Unmeasurable
        Best focus lies outside the scale (the message says on which side), the blur hardly changes along it, or
        focal length or f-number is unknown.
    """
    first = traces[0]
    lens = read_setting(first)
    depth = depth_of_focus_um(lens.f_number, confusion_um, first.magnification_frac)
    main = [find_focus(trace, main_plane(trace), lens) for trace in traces]
    colours = {
        name: [find_focus(*each, main=one) for each, one in zip(shown, main, strict=True)]
        for name in ("red", "blue")
        if len(shown := [(trace, trace.planes.index(name), lens) for trace in traces if name in trace.planes])
        == len(main)
    }
    red, blue = (compare_colours(colours.get(name), main) for name in ("red", "blue"))
    if any(trace.ramp != first.ramp for trace in traces):
        raise Unmeasurable("the shots show different ramps: shoot one setting's with one of them")
    return FocusOffset(
        red=summarise_colour(colours.get("red"), depth),
        green=summarise_colour(main, depth),
        blue=summarise_colour(colours.get("blue"), depth),
        red_green_um=red[0],
        red_green_um_u=red[1],
        blue_green_um=blue[0],
        blue_green_um_u=blue[1],
        depth_of_focus_um=depth,
        ramp=first.ramp,
        magnification_frac=float(np.mean([trace.magnification_frac for trace in traces])),
        shot_count=len(traces),
        not_applicable=leave_out_colours(first.planes, "measure_focus_offset"),
    )


def average(
    values: list[float], values_u: list[float], model_u: list[float], shared_u_frac: float = 0.0
) -> tuple[float, float]:
    """Return a mean and its standard uncertainty.

    The noise of the fits averages out; the shots' scatter replaces it if there are enough shots and it is larger. What
    all shots share does not average out: the form of the field's growth and curvature (`model_u`), and the board's
    angle, which is relative.
    """
    count = len(values)
    mean, own = float(np.mean(values)), float(np.linalg.norm(values_u)) / count
    scatter = float(np.std(values, ddof=1) / np.sqrt(count)) if count >= ENOUGH_TO_SCATTER else 0.0
    return mean, float(np.linalg.norm([max(own, scatter), float(np.mean(model_u)), mean * shared_u_frac]))


def summarise_colour(shots: list[Found] | None, depth_um: float) -> ColourOffset:
    """Return the result of one colour; NaN for None."""
    if shots is None:
        nothing = float("nan")
        return ColourOffset(
            offset_mm=nothing,
            offset_mm_u=nothing,
            shift_um=nothing,
            shift_um_u=nothing,
            offset_depths=nothing,
            offset_depths_u=nothing,
            kept_sharpness_frac=nothing,
            kept_sharpness_frac_u=nothing,
        )
    angle_u = max(shot.angle_u_frac for shot in shots)
    (offset, offset_u), (shift, shift_u), (kept, kept_u) = (
        average(
            [getattr(shot, name) for shot in shots],
            [getattr(shot, f"{name}_u") for shot in shots],
            [getattr(shot.model_u, name) for shot in shots],
            shared,
        )
        for name, shared in (("axial_mm", angle_u), ("shift_um", angle_u), ("kept", 0.0))
    )
    return ColourOffset(
        offset_mm=offset,
        offset_mm_u=offset_u,
        shift_um=shift,
        shift_um_u=shift_u,
        offset_depths=shift / depth_um,
        offset_depths_u=shift_u / depth_um,
        kept_sharpness_frac=kept,
        kept_sharpness_frac_u=kept_u,
    )


def compare_colours(shots: list[Found] | None, main: list[Found]) -> tuple[float, float]:
    """Return axial colour, um: best focus of a colour less that of the main one, positive farther from the lens."""
    if shots is None or shots is main:
        return float("nan"), float("nan")
    apart = [one.shift_um - other.shift_um for one, other in zip(shots, main, strict=True)]
    apart_u = [
        float(np.hypot(one.shift_um_own_u, other.shift_um_own_u)) for one, other in zip(shots, main, strict=True)
    ]
    model_u = [
        float(np.hypot(one.model_u.own_um, other.model_u.own_um)) for one, other in zip(shots, main, strict=True)
    ]
    return average(apart, apart_u, model_u, max(shot.angle_u_frac for shot in shots))
