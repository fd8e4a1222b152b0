"""The highest MTF50 that diffraction and the pixel allow (the ceiling), and a caveat for values above it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
from scipy.optimize import brentq

from glasswright_camera.sharpness.result import BestFocus, Sharpness
from glasswright_camera.sharpness.table import PLANES, SIDES, ZONES, lay_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright import Setting
    from glasswright_camera.sharpness.table import Table
    from glasswright_camera.stand import Stand


HALF: Final = 0.5
SHORTEST_UM: Final = (0.56, 0.47, 0.4)
"""Shortest wavelengths that common red, green and blue filters pass (common practice, no source)."""
PIXEL_HALF_CY_PER_PX: Final = 0.6033545644016142
"""Frequency at which sinc(f), the transfer function of a fully light-sensitive square pixel, is one half."""


def diffraction_transfer(share: float) -> float:
    """Return the MTF of a perfect lens with a circular aperture at a share x of the cut-off frequency.

    (2/pi) (arccos x - x sqrt(1 - x^2)), 0 from the cut-off on: Goodman, Introduction to Fourier Optics, incoherent
    transfer function of a circular pupil.
    """
    if share >= 1:
        return 0.0
    return float(2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2)))


def find_ceiling(f_number: float, wavelength_um: float, pitch_um: float) -> float:
    """Return the highest MTF50 that an image can have, in cycles per pixel.

    There the MTF of a perfect lens (cut-off 1 / (wavelength x f-number)) times that of the pixel, sinc(f), falls to one
    half. A pixel that is light-sensitive over less than its whole pitch, or an aperture wider than its f-number, would
    raise it a little.

    Parameters
    ----------
    f_number
        As engraved on the lens. The working f-number at close focus is higher, so the true ceiling is lower.
    wavelength_um
        Shortest wavelength that reaches the plane.
    pitch_um
        Pixel pitch.
    """
    cut_off = pitch_um / (wavelength_um * f_number)

    def above_half(frequency: float) -> float:
        return diffraction_transfer(frequency / cut_off) * float(np.sinc(frequency)) - HALF

    return float(brentq(above_half, 0.0, min(cut_off, PIXEL_HALF_CY_PER_PX), xtol=1e-12))


Measured = TypeVar("Measured", Sharpness, BestFocus)
CAVEAT: Final = "above_diffraction_limit"
BEYOND_U: Final = 3.0
"""Standard uncertainties by which a value must exceed its ceiling to count as a fault of the measurement."""


def flag_impossible(sharpness: Measured, setting: Setting | None, stand: Stand) -> Measured:
    """Return a setting's sharpness, with the caveat and a note if a value lies significantly above its ceiling.

    Parameters
    ----------
    setting
        Setting of the shots; without an f-number there is no ceiling and no caveat.
    """
    if setting is None or setting.f_number is None:
        return sharpness
    table = lay_table((replace(sharpness, setting=setting),), ())
    faults: tuple[str, ...] = compare_with_ceiling(table, lay_ceiling(table, stand, SHORTEST_UM), BEYOND_U).faults
    if not faults:
        return sharpness
    return replace(sharpness, caveats=(*sharpness.caveats, CAVEAT), notes=(*sharpness.notes, *faults))


def lay_ceiling(table: Table, stand: Stand, shortest_um: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return the ceiling of each setting and plane, cycles per pixel: (settings, planes)."""
    red, green, blue = shortest_um
    # without colour filters the plane reported as green gets all wavelengths
    if stand.sensor.monochrome or not np.isfinite(table.detail[:, (0, 2)]).any():
        green = blue
    pitch = stand.sensor.pixel_pitch_um
    return np.array([[find_ceiling(f, each, pitch) for each in (red, green, blue)] for f in table.f_number.tolist()])


@dataclass(frozen=True, slots=True, kw_only=True)
class Nearness:
    """Ratio of MTF50 to its ceiling: the highest of a table, where it is, and values above the ceiling."""

    ratio: float
    ratio_u: float
    where: str
    faults: tuple[str, ...]
    """Texts on values significantly above the ceiling, the worst of each setting."""


def compare_with_ceiling(table: Table, ceiling: NDArray[np.float64], beyond_u_ratio: float) -> Nearness:
    """Compare every measured MTF50 with the ceiling of its setting and plane.

    Parameters
    ----------
    ceiling
        (settings, planes).
    beyond_u_ratio
        Standard uncertainties above the ceiling from which on a value is a fault.
    """
    share = table.detail / ceiling[:, :, None, None]
    if not np.isfinite(share).any():
        return Nearness(ratio=np.nan, ratio_u=np.nan, where="nothing measured", faults=())
    # values without an uncertainty count as exact
    own = np.nan_to_num(table.detail_u)
    excess = table.detail - ceiling[:, :, None, None] - beyond_u_ratio * own
    top = np.unravel_index(int(np.nanargmax(share)), share.shape)
    faults = []
    for row, setting in enumerate(table.settings):
        if np.nanmax(excess[row], initial=-np.inf) > 0:
            plane, zone, side = np.unravel_index(int(np.nanargmax(excess[row])), excess.shape[1:])
            value = table.detail[row, plane, zone, side]
            faults.append(
                f"{setting}: {PLANES[plane]} {ZONES[zone]} {SIDES[side]} {value:.4f} cycles/pixel lies above "
                f"{ceiling[row, plane]:.4f}, the most that diffraction and pixel allow, by more than "
                f"{beyond_u_ratio:g} u: the measurement is at fault, or the aperture did not close to its f-number"
            )
    where = f"{table.settings[top[0]]} {PLANES[top[1]]} {ZONES[top[2]]} {SIDES[top[3]]}"
    ratio_u = float(own[top] / ceiling[top[:2]])
    return Nearness(ratio=float(share[top]), ratio_u=ratio_u, where=where, faults=tuple(faults))
