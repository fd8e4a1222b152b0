"""Result of `measure_distortion`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact, NonNegative

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion(Artefact):
    """Distortion of one setting, without the chart's pose. Negative is barrel; heights are in half-diagonals.

    Line distortion is that of a straight line along the frame's edge: the distance of its ends from the centre line
    less that of its middle, over the picture's height (top, bottom) or width (left, right)."""

    chart: str
    picture_height_worst_pct: float
    """Of top and bottom, the more curved."""
    picture_height_worst_pct_u: float
    picture_height_top_pct: float
    """Top edge: (its ends' distance from the horizontal centre line, less its middle's) / picture height."""
    picture_height_top_pct_u: float
    picture_height_bottom_pct: float
    picture_height_bottom_pct_u: float
    picture_width_worst_pct: float
    """Of left and right, the more curved."""
    picture_width_worst_pct_u: float
    picture_width_left_pct: float
    """Left edge: (its ends' distance from the vertical centre line, less its middle's) / picture width."""
    picture_width_left_pct_u: float
    picture_width_right_pct: float
    picture_width_right_pct_u: float
    line_bend_worst_pct: NonNegative
    """Largest departure of any horizontal or vertical line across the frame from its own chord, over the picture's
    height; never negative. It includes waves, which do not show in the edges' ends and middles."""
    line_bend_worst_pct_u: float
    corner_radial_pct: float
    """Radial distortion at the corner, (H' - H) / H."""
    corner_radial_pct_u: float
    mid_radial_pct: float
    """The same at half the half-diagonal."""
    mid_radial_pct_u: float
    local_worst_pct: float
    """Largest local distortion (H' - H) / H of a measured disc; only the ideal height H is from the fit."""
    local_worst_pct_u: float
    local_worst_height_frac: NonNegative
    """Ideal image height of that disc, in half-diagonals."""
    decentring_worst_pct: NonNegative
    """Largest shift by the tangential terms at the half-diagonal's height, of the half-diagonal; never negative."""
    decentring_worst_pct_u: float
    radial_k1_frac: float
    radial_k1_frac_u: float
    radial_k2_frac: float
    radial_k2_frac_u: float
    radial_k3_frac: float
    """0 with fewer than three radial terms."""
    radial_k3_frac_u: float
    tangential_p1_frac: float
    tangential_p1_frac_u: float
    tangential_p2_frac: float
    tangential_p2_frac_u: float
    pose_tilt_x_deg: float
    """Tilt of the chart about the sensor's x axis: positive where its lower edge is farther away. NaN where the setting
    has no focal length."""
    pose_tilt_x_deg_u: float
    pose_tilt_y_deg: float
    """Tilt about the sensor's y axis: positive where the chart's right edge is nearer."""
    pose_tilt_y_deg_u: float
    rotation_deg: float
    """Rotation of the chart on the sensor, clockwise positive."""
    rotation_deg_u: float
    centre_x_px: float
    """Place of the lattice's middle on the sensor, without distortion."""
    centre_x_px_u: float
    centre_y_px: float
    centre_y_px_u: float
    magnification_frac: NonNegative
    """Size on the sensor over size on the chart, at the image centre."""
    magnification_frac_u: float
    residual_rms_px: NonNegative
    """Rms residual of the discs, per coordinate: noise, errors of the print and of the model."""
    reach_frac: NonNegative
    """Image height of the outermost disc; beyond it the fit is extrapolated."""
    disc_count: int
    left_out_count: int
    """Discs without a centre, or far off the fit."""
    shot_count: int
    curve_height_frac: NDArray[np.float64]
    """(heights,): ideal image heights of the curve."""
    curve_radial_pct: NDArray[np.float64]
    """(heights,): fitted radial distortion."""
    curve_radial_pct_u: NDArray[np.float64]
    disc_node: NDArray[np.int64]
    """(discs, 2): columns and rows of the discs that were used."""
    disc_height_frac: NDArray[np.float64]
    """(discs,): ideal image height, mean over the shots."""
    disc_local_pct: NDArray[np.float64]
    """(discs,): local distortion; NaN near the centre, where it has no meaning."""
    disc_off_px: NDArray[np.float64]
    """(discs, 2): mean residual over the shots, measured less fitted."""
