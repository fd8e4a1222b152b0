"""What `measure_centring` says: signs that a lens's parts do not stand on one axis."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class Centring(Artefact):
    """Tilt, decentring and field curvature at one setting, in the main plane. NaN where the ticket has not the shots.

    Directions run from the sensor's x axis (right) towards y (down), 0 to 360 degrees. A direction's uncertainty of 60
    degrees and more means that there is none to speak of. Centres of symmetry are from the image centre, in
    half-diagonals, right and down positive. Focus is positive behind, farther from the lens. Sizes of vectors have the
    length taken off that noise alone makes.
    """

    side_slope_frac: NonNegative
    """Relative change of MTF50 over one half-diagonal, in the direction in which it falls most; never negative."""
    side_slope_frac_u: float
    worse_side_deg: float
    """That direction: the softer side."""
    worse_side_deg_u: float
    soft_sides_frac: NonNegative
    """By how much two opposite sides are softer than the two between them, relative, one half-diagonal out: a tilted
    surface of focus that passes through the middle leaves a band sharp. Never negative."""
    soft_sides_frac_u: float
    soft_sides_deg: float
    """Direction of those two sides, 0 to 180 degrees."""
    soft_sides_deg_u: float
    corner_softening_frac: float
    """By how much MTF50 is lower one half-diagonal out than in the centre, as shot, relative: what is alike all round.
    Field curvature softens corners, and so does blur that grows towards them."""
    corner_softening_frac_u: float
    coma_ratio: NonNegative
    """Lopsidedness common to the discs of the centre zone, of what is usual among aberrated lenses; never negative."""
    coma_ratio_u: float
    coma_deg: float
    """Where the far tails of points lie."""
    coma_deg_u: float
    red_centre_x_frac: float
    """Centre of symmetry of red against green; NaN where colours lie together too well to have one. A shift of a
    whole colour plane is the same to it as a centre that is off."""
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
    """Angle between the surface of best focus and the sensor, chart and body taken off; never negative."""
    focus_tilt_arcmin_u: float
    focus_tilt_x_arcmin: float
    """Its slope along x: positive where the right side's focus lies behind the sensor."""
    focus_tilt_x_arcmin_u: float
    focus_tilt_y_arcmin: float
    """Its slope along y: positive where the lower side's focus lies behind the sensor."""
    focus_tilt_y_arcmin_u: float
    focus_tilt_deg: float
    """Direction of the side whose focus lies behind the sensor."""
    focus_tilt_deg_u: float
    tilt_steps: float
    """The tilt over one half-diagonal in steps of the focus series, nothing taken off; known without a step's size."""
    tilt_steps_u: float
    field_curvature_steps: float
    """How far behind the centre's the medial focus lies in the corner, one half-diagonal out, what is alike all round
    (r^2 and r^4): negative where it lies before, nearer the lens. Steps of the series."""
    field_curvature_steps_u: float
    field_curvature_um: float
    """The same at the sensor. Medial: the middle between the sagittal and the tangential focus."""
    field_curvature_um_u: float
    sagittal_curvature_um: float
    """The same of the sagittal focus alone."""
    sagittal_curvature_um_u: float
    tangential_curvature_um: float
    tangential_curvature_um_u: float
    astigmatism_um: float
    """Tangential less sagittal focus in the corner: the astigmatic difference, alike all round."""
    astigmatism_um_u: float
    tilt_of: str
    """`lens`: chart and body are taken off. `lens and body`: no reference lens is known. `not separable`: the chart's
    own tilt is not known well enough. `not measured`: no focus series."""
    focus_disc_count: int
    """Discs whose best focus lies within the series."""
    shot_count: int
