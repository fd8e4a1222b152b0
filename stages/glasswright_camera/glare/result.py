"""Result of `measure_glare`: glare within the field."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import Annotated

from glasswright import Artefact, Range


@dataclass(frozen=True, slots=True, kw_only=True)
class BlackSpot(Artefact):
    """One shot of an even bright field with a perfectly black patch in it, reduced."""

    shot: str
    spot_light_frac: float
    """Light in the middle of the patch's image, of white."""
    spot_light_frac_u: float
    field_light_frac: float
    """Light of the field about it, interpolated to the patch's place, of white."""
    field_light_frac_u: float
    diameter_px: float
    """Diameter of the patch's image."""
    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Glare(Artefact):
    """Glare within the field at one setting: light added to a black object, over that of the paper or field there, %.

    It is in-field glare on a black patch or a dark disc. The veiling glare index of ISO 9358 is another quantity: its
    source extends well beyond the field, so it is higher wherever light from outside is scattered in.

    Of the green plane, or the only one. The chart's discs are not perfectly black; they are corrected with the print's
    contrast, whose uncertainty dominates that of the glare.
    """

    chart_glare_pct: Annotated[float, Range(high=100)]
    """Mean over the field's discs."""
    chart_glare_pct_u: float
    centre_glare_pct: Annotated[float, Range(high=100)]
    """Mean over the centre zone's discs; NaN without any."""
    centre_glare_pct_u: float
    corner_glare_pct: Annotated[float, Range(high=100)]
    """Mean over the four corner zones' discs; NaN without any."""
    corner_glare_pct_u: float
    spot_glare_pct: Annotated[float, Range(high=100)]
    """In-field glare on the black patch: 100 times the light in its image over the field's. NaN without such a shot."""
    spot_glare_pct_u: float
    seen_contrast_ratio: float
    """Light of the paper over light of a disc as photographed, mean over the field."""
    seen_contrast_ratio_u: float
    disc_count: int
    shot_count: int
    spot_shot_count: int
    glare_pct: Annotated[float, Range(high=100)] = nan
    """Glare for limits: from the black patch if there is one, since it does not depend on the print; else from the
    discs."""
    glare_pct_u: float = nan
    glare_of: str = ""
    """`black patch` or `chart`."""
