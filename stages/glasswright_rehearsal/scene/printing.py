"""Errors of a printed chart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.scene.layout import list_designed_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.scene.layout import Layout

    Array = NDArray[np.float64]

DESIGN_PITCH_MM = 60.0
"""Pitch for which the errors are stated; a smaller print has proportionally smaller ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintErrors:
    """Errors by printer and paper, for a pitch of 60 mm."""

    scale_frac: tuple[float, float] = (0.0015, -0.001)
    """Across and down."""
    shear_frac: float = 0.0003
    wander_mm: float = 0.03
    """Standard deviation of a node."""
    bow_mm: float = 1.0
    """Distance of the middle behind the left and right edges."""
    twist_mm: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Ink:
    """Blur of the print's edges: spread of the ink, and light that the paper scatters.

    The transfer function is ``exp(-2 pi^2 s^2 f^2) (1 - w + w / (1 + (k f)^2))``, that of a Gaussian with a wide tail.
    The second factor is that of paper in the model of Arney, Arney, Katsube and Engeldrum, J. Imaging Sci. Technol. 40
    (1996), from memory.
    """

    core_um: tuple[float, float] = (30.0, 40.0)
    """Standard deviation s of the spread, across and down."""
    scatter_frac: float = 0.2
    scatter_um: float = 250.0
    """Length k."""

    def transfer(self, frequency: Array, direction: Array) -> Array:
        """Return the transfer at frequencies (cycles/mm on the print), `direction` in radian from across."""
        across, down = (width / 1000 for width in self.core_um)
        square = (across * np.cos(direction)) ** 2 + (down * np.sin(direction)) ** 2
        scattered = self.scatter_frac / (1 + (self.scatter_um / 1000 * frequency) ** 2)
        return np.asarray(np.exp(-2 * np.pi**2 * square * frequency**2) * (1 - self.scatter_frac + scattered))


def draw_ink(generator: np.random.Generator) -> Ink:
    """Draw the edges of a print from an office or photo printer on matte paper."""
    return Ink(
        core_um=(float(generator.uniform(20, 50)), float(generator.uniform(20, 50))),
        scatter_frac=float(generator.uniform(0.1, 0.25)),
        scatter_um=float(generator.uniform(150, 350)),
    )


def draw_print(layout: Layout, errors: PrintErrors, generator: np.random.Generator) -> Layout:
    """Return the layout with the nodes as printed and hung."""
    size = layout.pitch_mm / DESIGN_PITCH_MM
    flat = list_designed_nodes(layout)[:, :2]
    far = flat / np.abs(flat).max(axis=0)
    printed = flat * (1 + np.array(errors.scale_frac))
    printed[:, 0] += errors.shear_frac * flat[:, 1]
    printed += size * errors.wander_mm * generator.standard_normal(flat.shape)
    height = size * (errors.bow_mm * (1 - far[:, 0] ** 2) + errors.twist_mm * far[:, 0] * far[:, 1])
    return place_nodes(layout, np.column_stack([printed, height]))


def place_nodes(layout: Layout, nodes: Array) -> Layout:
    """Return the layout with its nodes at given places (nodes, 3)."""
    return replace(layout, nodes_mm=tuple((float(x), float(y), float(z)) for x, y, z in nodes))


def draw_errors(generator: np.random.Generator) -> PrintErrors:
    """Draw the errors of a print that is glued to a plate."""
    return PrintErrors(
        scale_frac=(float(generator.normal(0, 0.0015)), float(generator.normal(0, 0.0015))),
        shear_frac=float(generator.normal(0, 0.0003)),
        bow_mm=float(generator.uniform(-1.5, 1.5)),
        twist_mm=float(generator.normal(0, 0.3)),
    )
