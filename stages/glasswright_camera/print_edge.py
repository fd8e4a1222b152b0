"""Size of the effect of the print's own edges on MTF50, and whether they were measured.

Ink spreads, so the printed edges are blurred, and the measured MTF50 is lower than the lens's. The print's transfer
function is divided out where the stand file names it (`transfer` of a chart, see `print_transfer`), or where the layout
has a width (`edge_blur_um`, the standard deviation on the print, taken as a Gaussian).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from glasswright_camera.print_transfer import GaussianPrint

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright_camera.print_transfer import PrintTransfer
    from glasswright_camera.stand import ChartLayout, Stand

INK_UM: Final = (30.0, 60.0)
"""Common spread of office and photo printers on matte paper, as a standard deviation; common practice, no source."""
MOST_LOSS: Final = 0.15
"""Largest relative loss of MTF50 that an unmeasured print may cause; above it no limit passes."""
CAVEAT: Final = "print_blur_unknown"
GAUSSIAN: Final = math.sqrt(math.log(2) / 2) / math.pi
"""MTF50 times standard deviation of a Gaussian blur."""


def lose_to_print(mtf50: float, edge_blur_um: float, magnification_frac: float, pixel_pitch_um: float) -> float:
    """Return the relative loss of a lens's own MTF50 (cycles/pixel) by the print."""
    print_px = edge_blur_um * magnification_frac / pixel_pitch_um
    return 1 - 1 / math.hypot(1, mtf50 * print_px / GAUSSIAN)


def find_width(edge_blur_um: float, magnification_frac: float, pixel_pitch_um: float) -> float:
    """Return 1 / MTF50^2 of the print's edge alone, pixels^2 per cycle^2."""
    return (edge_blur_um * magnification_frac / pixel_pitch_um / GAUSSIAN) ** 2


def find_layout(stand: Stand, chart: str) -> ChartLayout | None:
    """Return the layout of a chart of the stand by its name."""
    return next((use.layout for use in stand.charts if use.layout.name == chart), None)


def find_print(stand: Stand, chart: str) -> PrintTransfer | GaussianPrint | None:
    """Return the transfer function of a chart of the stand; None where its edges were not measured, or are perfect."""
    use = next((use for use in stand.charts if use.layout.name == chart), None)
    if use is not None and use.transfer is not None:
        return use.transfer
    blur_um = use.layout.edge_blur_um if use is not None else None
    return GaussianPrint(edge_blur_um=blur_um) if blur_um else None


def note_print_blur(stand: Stand, chart: str, magnification_frac: float, mtf50: Iterable[float]) -> str:
    """Return a note where an unmeasured print may lower MTF50 by more than MOST_LOSS; empty elsewhere."""
    layout = find_layout(stand, chart)
    measured = find_print(stand, chart) is not None
    highest = max((value for value in mtf50 if math.isfinite(value)), default=0.0)
    if layout is None or measured or layout.edge_blur_um is not None or highest <= 0:
        return ""
    width = find_width(INK_UM[1], magnification_frac, stand.sensor.pixel_pitch_um)
    loss = 1 - math.sqrt(max(1 - width * highest**2, 0.0))
    if loss <= MOST_LOSS:
        return ""
    return (
        f"the print's own edge may take {loss:.0%} of the MTF50 (ink of {INK_UM[1]:g} µm at a magnification of "
        f"{magnification_frac:.4g}): measure it (`glasswright commission ink`) or write edge_blur_um into the "
        f"layout {layout.name}, or shoot a larger print from farther away"
    )


def describe_ink(magnification_frac: float, pixel_pitch_um: float, edge_blur_um: float | None = None) -> str:
    """Return a text on the loss of a sharp lens's MTF50 by ink at a magnification, and its consequence."""
    sharp = 0.4
    low, high = (lose_to_print(sharp, ink, magnification_frac, pixel_pitch_um) for ink in INK_UM)
    text = (
        f"Ink that spreads by {INK_UM[0]:g} to {INK_UM[1]:g} µm takes {100 * low:.0f} to {100 * high:.0f} % off an "
        f"MTF50 of {sharp:g} cycles/pixel at a magnification of {magnification_frac:.3g}"
    )
    if edge_blur_um is not None:
        own = lose_to_print(sharp, edge_blur_um, magnification_frac, pixel_pitch_um)
        return f"The print's edge of {edge_blur_um:g} µm takes {100 * own:.0f} % off an MTF50 of {sharp:g}: corrected"
    if high <= MOST_LOSS:
        return f"{text}."
    return (
        f"{text}: no limit on MTF50 passes where it may be more than {100 * MOST_LOSS:.0f} %, until the print's edge "
        "was measured (`glasswright commission ink`, or edge_blur_um in the layout file) or a larger print hangs "
        "farther away."
    )
