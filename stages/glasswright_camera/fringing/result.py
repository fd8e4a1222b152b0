"""Result of `measure_fringing`: displacement of red and blue against green."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class Displacement:
    """Displacement of one plane's disc centres from green's (ISO 19084's chromatic displacement).

    Uniform is the shift common to the whole frame; radial and tangential parts are without it. Radial is positive away
    from the image centre, tangential positive clockwise (x right, y down).
    """

    worst_px: NonNegative
    """Largest displacement of any disc, the uniform shift included."""
    worst_px_u: float
    """Widened, because the largest of many values is biased; see `extremes`."""
    mean_px: NonNegative
    """Mean length over the discs."""
    mean_px_u: float
    worst_um: NonNegative
    worst_um_u: float
    worst_pct: NonNegative
    """Of the picture's height."""
    worst_pct_u: float
    corner_radial_px: float
    """Mean radial part over the discs of the four corner zones."""
    corner_radial_px_u: float
    worst_tangential_px: NonNegative
    """Largest size of the tangential part; an ideal lens has none."""
    worst_tangential_px_u: float
    uniform_x_px: float
    uniform_x_px_u: float
    uniform_y_px: float
    uniform_y_px_u: float
    corner_radial_pct: float = nan
    """`corner_radial_px` of the picture's height."""
    corner_radial_pct_u: float = nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Fringing(Artefact):
    """Colour fringing at one setting."""

    red_green: Displacement
    blue_green: Displacement
    worst_red_green_px: NonNegative
    worst_red_green_px_u: float
    worst_blue_green_px: NonNegative
    worst_blue_green_px_u: float
    corner_fringe_px: NonNegative
    """Width of a band of full colour equivalent to the fringe at edges across the image radius, the wider of red and
    blue, mean over the corner zones. It includes lateral colour and differences of blur."""
    corner_fringe_px_u: float
    disc_count: int
    shot_count: int
