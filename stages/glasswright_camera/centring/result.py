"""Result of `measure_centring`: signs that a lens's elements are tilted or decentred."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class Centring(Artefact):
    """Tilt, decentring and field curvature at one setting, in the main plane. NaN where the ticket lacks the shots.

    Directions run from the sensor's x axis (right) towards y (down), 0 to 360 degrees; one with an uncertainty of 60
    degrees or more is not significant. Centres of symmetry are from the image centre, in half-diagonals, right and down
    positive. Focus is positive behind, farther from the lens. Sizes of vectors are corrected for the bias from noise.
    """

    side_slope_frac: NonNegative
    """Relative change of MTF50 over one half-diagonal, in the direction in which it falls most; never negative."""
    side_slope_frac_u: float
    worse_side_deg: float
    """Direction of the softer side."""
    worse_side_deg_u: float
    soft_sides_frac: NonNegative
    """Relative difference of MTF50 between two softer opposite sides and the two between them, one half-diagonal out: a
    tilted surface of focus through the middle leaves a band sharp. Never negative."""
    soft_sides_frac_u: float
    soft_sides_deg: float
    """Direction of those two sides, 0 to 180 degrees."""
    soft_sides_deg_u: float
    corner_softening_frac: float
    """Relative loss of MTF50 one half-diagonal out against the centre, as shot: the rotationally symmetric part, from
    field curvature and from blur that grows towards the corners."""
    corner_softening_frac_u: float
    coma_ratio: NonNegative
    """Asymmetry common to the discs of the centre zone, in units of the rms over aberrated lenses; never negative."""
    coma_ratio_u: float
    coma_deg: float
    """Direction of the far tails of points."""
    coma_deg_u: float
    red_centre_x_frac: float
    """Centre of symmetry of red against green; NaN where the displacements are too small. A shift of a whole colour
    plane cannot be distinguished from a shifted centre."""
    red_centre_x_frac_u: float
    red_centre_y_frac: float
    red_centre_y_frac_u: float
    blue_centre_x_frac: float
    blue_centre_x_frac_u: float
    blue_centre_y_frac: float
    blue_centre_y_frac_u: float
    falloff_centre_x_frac: float
    """Centre of symmetry of the light's falloff."""
    falloff_centre_x_frac_u: float
    falloff_centre_y_frac: float
    falloff_centre_y_frac_u: float
    focus_tilt_arcmin: NonNegative
    """Angle between the surface of best focus and the sensor, less the parts of chart and body; never negative."""
    focus_tilt_arcmin_u: float
    focus_tilt_x_arcmin: float
    """Tilt along x: positive where the right side's focus lies behind the sensor."""
    focus_tilt_x_arcmin_u: float
    focus_tilt_y_arcmin: float
    """Tilt along y: positive where the lower side's focus lies behind the sensor."""
    focus_tilt_y_arcmin_u: float
    focus_tilt_deg: float
    """Direction of the side whose focus lies behind the sensor."""
    focus_tilt_deg_u: float
    tilt_steps: float
    """Tilt over one half-diagonal in steps of the focus series, with the parts of chart and body; needs no step
    size."""
    tilt_steps_u: float
    field_curvature_steps: float
    """Medial focus in the corner, one half-diagonal out, behind the centre's, in steps of the series: the rotationally
    symmetric part (r^2 and r^4); negative in front, nearer the lens."""
    field_curvature_steps_u: float
    field_curvature_um: float
    """The same at the sensor. Medial: midway between the sagittal and the tangential focus."""
    field_curvature_um_u: float
    sagittal_curvature_um: float
    """The same for the sagittal focus."""
    sagittal_curvature_um_u: float
    tangential_curvature_um: float
    tangential_curvature_um_u: float
    astigmatism_um: float
    """Astigmatic difference in the corner, tangential less sagittal focus: the rotationally symmetric part."""
    astigmatism_um_u: float
    tilt_of: str
    """`lens`: the parts of chart and body are subtracted. `lens and body`: no reference lens is known. `not separable`:
    the chart's own tilt is not known well enough. `not measured`: no focus series."""
    focus_disc_count: int
    """Discs whose best focus lies within the series."""
    shot_count: int
