"""The print's own transfer function, which is divided out of measured ones.

Ink spreads, and paper scatters light, so the printed edges are blurred. Transfer functions of blurs that follow each
other multiply; their widths do not add unless all are Gaussian. Therefore the whole function is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
from pydantic import Field

from glasswright import Artefact

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Values = Annotated[tuple[Annotated[float, Field(gt=0, le=2)], ...], Field(min_length=3)]
Uncertainties = Annotated[tuple[Annotated[float, Field(ge=0)], ...], Field(min_length=3)]
BEYOND_U: Final = 0.5
"""Standard uncertainty beyond the highest measured frequency, as a share of the further fall."""
LEAST: Final = 1e-3
"""Smallest transfer that is used; division by less would amplify noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneTransfer:
    """Transfer of the print's edges in one colour plane, at the frequencies of its `PrintTransfer`."""

    plane: str
    """`red`, `green`, `blue`, or `white` for a sensor without colour filters."""
    across: Values
    """For blur across the print: of edges that run down it."""
    across_u: Uncertainties
    down: Values
    """For blur down the print: of edges that run across it."""
    down_u: Uncertainties


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintTransfer(Artefact):
    """The print's transfer function by plane and direction."""

    frequency_cy_per_mm: Annotated[tuple[Annotated[float, Field(gt=0)], ...], Field(min_length=3)]
    """On the print, ascending."""
    planes: Annotated[tuple[PlaneTransfer, ...], Field(min_length=1)]
    origin: str

    def __post_init__(self) -> None:
        """Refuse tables of different lengths, and frequencies out of order."""
        count = len(self.frequency_cy_per_mm)
        if any(low >= high for low, high in zip(self.frequency_cy_per_mm, self.frequency_cy_per_mm[1:], strict=False)):
            raise ValueError("frequency_cy_per_mm: must ascend")
        for each in self.planes:
            for name in ("across", "across_u", "down", "down_u"):
                if len(getattr(each, name)) != count:
                    raise ValueError(f"planes: {each.plane}: {name} has {len(getattr(each, name))} values, not {count}")

    def sample(self, frequency: Array, direction: Array, plane: str) -> tuple[Array, Array]:
        """Return the transfer and its standard uncertainty.

        Parameters
        ----------
        frequency
            Cycles per millimetre on the print, any shape.
        direction
            Direction of the blur on the print, radian from across; broadcasts with `frequency`.
        plane
            A plane that was not measured has the values of green, or else of the first.

        Returns
        -------
        tuple
            Values and standard uncertainties. The logarithm is interpolated linearly in the squared frequency, and in
            the square of the direction's cosine (exact for a Gaussian whose width depends on direction). All values
            share their errors.
        """
        named = {each.plane: each for each in self.planes}
        table = named.get(plane) or named.get("green") or self.planes[0]
        share = np.cos(direction) ** 2
        across, across_u = self._read(np.array(table.across), np.array(table.across_u), frequency)
        down, down_u = self._read(np.array(table.down), np.array(table.down_u), frequency)
        value = np.exp(share * np.log(across) + (1 - share) * np.log(down))
        return np.maximum(value, LEAST), np.asarray(value * (share * across_u / across + (1 - share) * down_u / down))

    def _read(self, value: Array, value_u: Array, frequency: Array) -> tuple[Array, Array]:
        """Interpolate the fall -ln T / f^2, which varies slowly; constant below the first frequency."""
        known = np.array(self.frequency_cy_per_mm)
        fall = np.interp(frequency, known, -np.log(value) / known**2)
        found = np.exp(-fall * frequency**2)
        last = np.exp(np.log(value[-1]) * np.minimum(frequency / known[-1], 1.0) ** 2)
        beyond = np.where(frequency > known[-1], BEYOND_U * np.abs(last - found), 0.0)
        u = found * np.interp(frequency, known, value_u / value / known**2) * np.minimum(frequency, known[-1]) ** 2
        return np.maximum(found, LEAST), np.hypot(u, beyond)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaussianPrint:
    """A print of which only the width of its edges was declared; as a transfer function it is a Gaussian."""

    edge_blur_um: float

    def sample(self, frequency: Array, direction: Array, plane: str) -> tuple[Array, Array]:
        """Return the transfer and its standard uncertainty, as `PrintTransfer` does."""
        del plane
        value = np.exp(-2 * (np.pi * self.edge_blur_um / 1000 * frequency) ** 2) + 0 * direction
        return np.maximum(value, LEAST), np.asarray(-DECLARED_U * value * np.log(value))


DECLARED_U: Final = 0.25
"""Relative standard uncertainty of the square of a declared width: the width has one of an eighth, and ink is not
Gaussian (common practice, no source)."""
