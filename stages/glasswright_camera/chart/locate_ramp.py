"""The stage that finds the ramp in a frame."""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.chart.locate_chart import locate_layout, name_other
from glasswright_camera.chart.ramp import RampFit
from glasswright_camera.chart.report import Limits
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import Fraction, RampUse, Stand

LEAST_CONVERGENCE = 0.004
"""Least change of scale over half the board that is significant."""


@stage
def locate_ramp(
    mosaic: Mosaic,
    stand: Stand,
    *,
    discs_min_count: Annotated[int, Field(ge=15)] = 40,
    paper_min_frac: Fraction = 0.02,
    contrast_min_frac: Fraction = 0.25,
    soiled_max_frac: Fraction = 0.35,
    angle_max_deg: Annotated[float, Field(gt=0)] = 4.0,
) -> RampFit:
    """Find the ramp's discs, and check the board's angle against the stand file.

    Parameters
    ----------
    mosaic
        The ramp shot.
    stand
        For the ramp, its angle and the pixel pitch.
    discs_min_count
        Fewest good discs.
    paper_min_frac
        Least light of the paper around a disc, of white.
    contrast_min_frac
        Least contrast of a disc, paper less dark over paper.
    soiled_max_frac
        Largest share of the paper just around a disc that may be covered by something else.
    angle_max_deg
        Largest difference between the board's angle measured from foreshortening and the stand file's.

    Raises
    ------
    Unmeasurable
        If the stand has no ramp, none is found, it has another angle, or its far end is the nearer one.
    """
    use = choose_ramp(stand)
    limits = Limits(discs=discs_min_count, paper=paper_min_frac, contrast=contrast_min_frac, soiled=soiled_max_frac)
    pitch_um = stand.sensor.pixel_pitch_um
    try:
        fit = locate_layout(mosaic, use.layout.as_lattice(), pitch_um, limits)
    except Unmeasurable as reason:
        charts = [each.layout for each in stand.charts]
        raise name_other(
            reason, mosaic, charts, "the chart: if it is, move it to `chart/`", pitch_um, limits
        ) from reason
    scale, angle_deg = view_board(fit.homography)
    refuse_wrong_end(fit, use)
    if abs(angle_deg - use.angle_deg) > angle_max_deg:
        raise Unmeasurable(
            f"the ramp is seen at {angle_deg:.1f} degrees to the optical axis, the stand file says {use.angle_deg:g}: "
            "set the board up again, or correct `angle_deg` of the stand's ramp"
        )
    found = {field.name: getattr(fit, field.name) for field in fields(ChartFit)}
    found["magnification_frac"] = scale * stand.sensor.pixel_pitch_um / 1000
    return RampFit(**found, seen_angle_deg=angle_deg)


def choose_ramp(stand: Stand) -> RampUse:
    """Return the stand's ramp.

    Raises
    ------
    Unmeasurable
        If it has none.
    """
    if not stand.ramps:
        raise Unmeasurable("the stand file names no ramp; add one under `ramps` of its camera section")
    return stand.ramps[0]


def view_board(homography: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> tuple[float, float]:
    """Return pixels per mm across the board at its middle, and the board's angle to the optical axis, degrees.

    Lengths along the board are foreshortened by the sine of that angle. The effect of an oblique view is of second
    order near the image centre and neglected."""
    place = homography[:, 2] / homography[2, 2]
    slope = (homography[:2, :2] - np.outer(place[:2], homography[2, :2])) / homography[2, 2]
    across, along = np.hypot(*slope[:, 0]), np.hypot(*slope[:, 1])
    return float(across), float(np.degrees(np.arcsin(min(along / across, 1.0))))


def refuse_wrong_end(fit: ChartFit, use: RampUse) -> None:
    """Raise Unmeasurable if the end with row 0 is the nearer one, where the scale is larger."""
    half_mm = (use.layout.rows - 1) / 2 * use.layout.pitch_mm
    # the homography's denominator is proportional to the distance; row numbers grow towards the near end
    nearing = -float(fit.homography[2, 1]) * half_mm
    if nearing < -LEAST_CONVERGENCE:
        raise Unmeasurable(
            f"the ramp stands the wrong way round: its far end (rows 0 to {use.layout.rows // 2 - 1}, with the rings) "
            "is nearer to the camera; turn the board"
        )
