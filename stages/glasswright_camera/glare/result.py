"""Result of `measure_glare`: veiling glare."""

from __future__ import annotations

from dataclasses import dataclass
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
    """Light of the field about it, carried on to the patch's place, of white."""
    field_light_frac_u: float
    diameter_px: float
    """Of the patch's image."""
    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Glare(Artefact):
    """Veiling glare of a setting: light where there is none, over the light of the paper or field there, per cent.

    Of the green plane, or the only one. The chart's discs are grey, so what a black disc would show is reckoned from
    the print's contrast, whose uncertainty is most of the glare's.
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
    """Veiling glare index from the black patch (ISO 9358's quantity): 100 times the light in its image over the
    field's. NaN without such a shot."""
    spot_glare_pct_u: float
    seen_contrast_ratio: float
    """Light of the paper over light of a disc as photographed, over the field."""
    seen_contrast_ratio_u: float
    disc_count: int
    shot_count: int
    spot_shot_count: int
