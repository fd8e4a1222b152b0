"""Correction for a non-linear response of the sensor, applied when a frame is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

VALUES = 1 << 16


class Curve(NamedTuple):
    """Light of the signal s, both of white: ``s (1 + a s + b s^2) / (1 + a + b)``, so white stays white."""

    a: float
    b: float

    def apply(self, signal: Array) -> tuple[Array, Array]:
        """Return the light of signals, and its derivative; below black the curve is a straight line."""
        s = np.maximum(signal, 0.0)
        scale = 1 + self.a + self.b
        light = s * (1 + self.a * s + self.b * s * s) / scale
        return light + np.minimum(signal, 0.0) / scale, (1 + 2 * self.a * s + 3 * self.b * s * s) / scale


def undo_response(mosaic: Mosaic, curve: Curve) -> None:
    """Convert the frame's signal to light, in place; clipped pixels stay clipped.

    Values are rounded to whole DN again, which adds 0.29 DN of noise.
    """
    channels, height, width = mosaic.black_dn.shape
    value = np.arange(VALUES, dtype=np.float64)
    for channel, row, column in np.ndindex(channels, height, width):
        black = mosaic.black_dn[channel, row, column]
        light = black + curve.apply((value - black) / (mosaic.white_dn - black))[0] * (mosaic.white_dn - black)
        table = np.where(value < mosaic.white_dn, np.clip(np.rint(light), 0, VALUES - 1), value).astype(np.uint16)
        site = mosaic.values[channel, row::height, column::width]
        site[:] = table[site]
