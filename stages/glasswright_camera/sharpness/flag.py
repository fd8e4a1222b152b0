"""Sharpness that light and pixel do not allow: flagged where it is measured, so that no limit passes on it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.sharpness.ceiling import SHORTEST_UM, find_ceiling
from glasswright_camera.sharpness.table import lay_table
from glasswright_camera.sweep.reading import compare_with_ceiling

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright import Setting
    from glasswright_camera.sharpness.result import Sharpness
    from glasswright_camera.sharpness.table import Table
    from glasswright_camera.stand import Stand

CAVEAT: Final = "above_diffraction_limit"
BEYOND_U: Final = 3.0
"""A value that lies above its ceiling by more than so many of its standard uncertainties is a measuring fault."""


def flag_impossible(sharpness: Sharpness, setting: Setting | None, stand: Stand) -> Sharpness:
    """Give a setting's sharpness with the caveat and a note where a value lies above its ceiling beyond doubt.

    Parameters
    ----------
    setting
        Of the shots; without an f-number there is no ceiling, and nothing is flagged.
    """
    if setting is None or setting.f_number is None:
        return sharpness
    table = lay_table((replace(sharpness, setting=setting),), ())
    faults = compare_with_ceiling(table, lay_ceiling(table, stand, SHORTEST_UM), BEYOND_U).faults
    if not faults:
        return sharpness
    return replace(sharpness, caveats=(*sharpness.caveats, CAVEAT), notes=(*sharpness.notes, *faults))


def lay_ceiling(table: Table, stand: Stand, shortest_um: tuple[float, float, float]) -> NDArray[np.float64]:
    """Give the ceiling of each setting and plane, cycles per pixel: (settings, planes)."""
    red, green, blue = shortest_um
    # what is reported as green sees all light where there are no colour filters
    if stand.sensor.monochrome or not np.isfinite(table.detail[:, (0, 2)]).any():
        green = blue
    pitch = stand.sensor.pixel_pitch_um
    return np.array([[find_ceiling(f, each, pitch) for each in (red, green, blue)] for f in table.f_number.tolist()])
