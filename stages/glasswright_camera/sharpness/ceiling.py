"""The sharpest that light and pixel allow: diffraction of a circular aperture times the pixel's own aperture."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.optimize import brentq

HALF: Final = 0.5
SHORTEST_UM: Final = (0.56, 0.47, 0.4)
"""Shortest light that the red, green and blue planes of usual colour filters see (common practice, no source)."""
PIXEL_HALF_CY_PER_PX: Final = 0.6033545644016142
"""Where sinc(f), the transfer of a fully light-sensitive square pixel, is one half."""


def diffraction_transfer(share: float) -> float:
    """Return the transfer of a perfect lens with a circular aperture at a share of the cut-off frequency.

    (2/pi) (arccos x - x sqrt(1 - x^2)), 0 from the cut-off on: Goodman, Introduction to Fourier Optics, the incoherent
    transfer function of a circular pupil.
    """
    if share >= 1:
        return 0.0
    return float(2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2)))


def find_ceiling(f_number: float, wavelength_um: float, pitch_um: float) -> float:
    """Return the highest MTF50 that an image can have, in cycles per pixel.

    It is where the transfer of a perfect lens (cut-off 1 / (wavelength x f-number)) times that of the pixel, sinc(f),
    falls to one half. A pixel that is light-sensitive over less than its whole pitch, or an aperture wider than its
    f-number says, would lift it a little.

    Parameters
    ----------
    f_number
        As the lens bears it; the working f-number of a lens focused near is higher, so this errs to the safe side.
    wavelength_um
        Shortest wavelength that the plane sees.
    pitch_um
        Pixel pitch.
    """
    cut_off = pitch_um / (wavelength_um * f_number)

    def above_half(frequency: float) -> float:
        return diffraction_transfer(frequency / cut_off) * float(np.sinc(frequency)) - HALF

    return float(brentq(above_half, 0.0, min(cut_off, PIXEL_HALF_CY_PER_PX), xtol=1e-12))
