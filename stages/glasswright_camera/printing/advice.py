"""Requirements on the printer, and advice for printing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

LOSS_FRAC: Final = 0.01
"""Largest relative loss of MTF by the print's own edge, at `LOSS_AT_CY_PER_PX`."""
LOSS_AT_CY_PER_PX: Final = 0.25
FRAME_MM: Final = (36.0, 24.0)
"""The frame that a print is made for, unless another magnification is given."""
FILL_FRAC: Final = 0.9
"""Share of the frame that the outermost centres span, in the tighter direction."""
RAMP_DISC_MM: Final = 0.2025
"""Size on the sensor of a disc of 9 mm at a magnification of 0.0225: 34 pixels of 6 um."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeNeed:
    """Requirement on the print's edges."""

    magnification_frac: float
    pixel_pitch_um: float
    roughness_um: float
    """Largest standard deviation of the printed edge from its circle."""
    dots_per_inch: int
    """Resolution of a printer whose dots alone make the edge that rough, rounded up to tens."""


def find_edge_need(magnification_frac: float, pixel_pitch_um: float) -> EdgeNeed:
    """Return the roughest edge that does not affect the measured sharpness.

    An edge whose place varies along the disc's rim with a standard deviation s has, averaged over the rim, the blur of
    a Gaussian of that s: the MTF falls by exp(-2 pi^2 s^2 f^2). At 0.25 cycles/pixel one per cent is lost if s is 0.090
    pixels on the sensor. The dots of a raster of pitch d move an edge uniformly by up to half of d to each side, a
    standard deviation of d / sqrt(12).

    Parameters
    ----------
    magnification_frac
        Size on the sensor over size on the print.
    pixel_pitch_um
        Of the sensor.
    """
    spread_px = math.sqrt(-math.log(1 - LOSS_FRAC) / 2) / (math.pi * LOSS_AT_CY_PER_PX)
    roughness = spread_px * pixel_pitch_um / magnification_frac
    return EdgeNeed(
        magnification_frac=magnification_frac,
        pixel_pitch_um=pixel_pitch_um,
        roughness_um=roughness,
        dots_per_inch=math.ceil(2_540 / (roughness * math.sqrt(12))) * 10,
    )


def ramp_magnification(disc_mm: float) -> float:
    """Return the magnification at which a ramp's small discs have their intended size on the sensor."""
    return RAMP_DISC_MM / disc_mm


def chart_magnification(across_mm: float, down_mm: float, frame_mm: tuple[float, float] = FRAME_MM) -> float:
    """Return the magnification at which a print's outermost centres span FILL_FRAC of the frame."""
    return FILL_FRAC * min(frame_mm[0] / across_mm, frame_mm[1] / down_mm)


def format_edge_need(need: EdgeNeed) -> str:
    """Return the requirement as one sentence."""
    return (
        f"At a magnification of {need.magnification_frac:.4g} on pixels of {need.pixel_pitch_um:g} µm a disc's edge "
        f"may deviate by {need.roughness_um:.0f} µm (standard deviation): a printer of "
        f"{need.dots_per_inch} dots per inch or finer, without screened edges."
    )


def advise(need: EdgeNeed, name: str, sheets: int) -> tuple[str, ...]:
    """Return the advice for printing a chart or ramp, one topic a line."""
    lines = [
        "Print at 100 % (`actual size`): no `fit to page`, no scaling by the driver.",
        format_edge_need(need),
        "Pure black, one ink, no toner saving; matte paper of 170 g/m2 or more, or matte film: gloss mirrors lamps.",
        "Mount it flat on a stiff board: a bulge of a hundredth of the distance changes the scale by one per cent.",
        "Measure paper and discs with a densitometer, and write the ratio of their light into the layout file as "
        "contrast_ratio.",
        "Let it dry for a day. Then measure the bars, from end tick to end tick, with a steel ruler.",
        f"Both bars across and both down must be right to 0.1 %. If all are wrong by the same share, write {name}.yaml "
        "again with the same options and --measured ACROSS DOWN. If across and down differ by more, print on another "
        "machine.",
    ]
    if sheets > 1:
        lines.append(
            f"{sheets} sheets: cut along the seam that the crosses mark, lay cross on cross on a light table, glue on "
            "the overlap, and measure the whole lattice from the first to the last centre."
        )
    return tuple(lines)
