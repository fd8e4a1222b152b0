"""Correction of MTF50 for the blur of the print's own edges.

Ink spreads, so the printed edges are blurred. The blur is modelled as a Gaussian; its standard deviation on the print,
in micrometres, is the layout's `edge_blur_um`. Squares of blur widths add, and the width is proportional to 1 / MTF50,
so the lens's MTF50 is given by 1 / own^2 = 1 / measured^2 - 1 / print^2.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from glasswright_camera.stand import ChartLayout, Stand

    Array = NDArray[np.float64]

INK_UM: Final = (30.0, 60.0)
"""Common spread of office and photo printers on matte paper, as a standard deviation; common practice, no source."""
MOST_LOSS: Final = 0.15
"""Largest relative loss of MTF50 that an unmeasured print may cause; above it no limit passes."""
CAVEAT: Final = "print_blur_unknown"
GAUSSIAN: Final = math.sqrt(math.log(2) / 2) / math.pi
"""MTF50 times standard deviation of a Gaussian blur."""
CORRECTION_U: Final = 0.25
"""Relative standard uncertainty of the correction. Blurs of diffraction, defocus and pixel are not Gaussian: over 120
combinations of them with Gaussian prints that take up to 70 % the rms error of the correction was 23 %."""


def lose_to_print(mtf50: float, edge_blur_um: float, magnification_frac: float, pixel_pitch_um: float) -> float:
    """Return the relative loss of a lens's own MTF50 (cycles/pixel) by the print."""
    print_px = edge_blur_um * magnification_frac / pixel_pitch_um
    return 1 - 1 / math.hypot(1, mtf50 * print_px / GAUSSIAN)


def find_width(edge_blur_um: float, magnification_frac: float, pixel_pitch_um: float) -> float:
    """Return 1 / MTF50^2 of the print's edge alone, pixels^2 per cycle^2."""
    return (edge_blur_um * magnification_frac / pixel_pitch_um / GAUSSIAN) ** 2


def take_off_print(mtf50: Array, mtf50_u: Array, width: float) -> tuple[Array, Array]:
    """Return MTF50 and its uncertainty corrected for the print; NaN where the print alone explains the blur.

    The uncertainty of the correction itself is not included: see `correction_u`.
    """
    if width == 0:
        return mtf50, mtf50_u
    left = 1 - width * mtf50**2
    grow = np.where(left > 0, left, np.nan) ** -0.5
    return mtf50 * grow, mtf50_u * grow**3


def correction_u(mtf50: Array, width: float) -> Array:
    """Return the standard uncertainty that the correction adds to a corrected MTF50; all discs and shots share it."""
    return np.asarray(CORRECTION_U * (mtf50 - mtf50 / np.sqrt(1 + width * mtf50**2)))


def find_layout(stand: Stand, chart: str) -> ChartLayout | None:
    """Return the layout of a chart of the stand by its name."""
    return next((use.layout for use in stand.charts if use.layout.name == chart), None)


def width_of_print(stand: Stand, chart: str, magnification_frac: float) -> float:
    """Return `find_width` of a chart of the stand, 0 where its edge was not measured."""
    layout = find_layout(stand, chart)
    blur_um = layout.edge_blur_um if layout is not None else None
    return find_width(blur_um or 0.0, magnification_frac, stand.sensor.pixel_pitch_um)


def note_print_blur(stand: Stand, chart: str, magnification_frac: float, mtf50: Iterable[float]) -> str:
    """Return a note where an unmeasured print may lower MTF50 by more than MOST_LOSS; empty elsewhere."""
    layout = find_layout(stand, chart)
    highest = max((value for value in mtf50 if math.isfinite(value)), default=0.0)
    if layout is None or layout.edge_blur_um is not None or highest <= 0:
        return ""
    width = find_width(INK_UM[1], magnification_frac, stand.sensor.pixel_pitch_um)
    loss = 1 - math.sqrt(max(1 - width * highest**2, 0.0))
    if loss <= MOST_LOSS:
        return ""
    return (
        f"the print's own edge may take {loss:.0%} of the MTF50 (ink of {INK_UM[1]:g} µm at a magnification of "
        f"{magnification_frac:.4g}): measure it and write edge_blur_um into the layout {layout.name}, or shoot a "
        "larger print from farther away"
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
        "was measured (edge_blur_um in the layout file) or a larger print hangs farther away."
    )
