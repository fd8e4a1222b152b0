"""Drawings of distortion: the distorted lattice over the ideal one, and distortion against image height."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import Picture, Plot, canvas, dot, line, mark_dot, path, reach
from glasswright_camera.plots import WIDTH, legend, plot_canvas

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.distortion.result import Distortion

    Array = NDArray[np.float64]

MAGNIFICATIONS = (1, 2, 5, 10, 20, 50, 100)
MOST_BEND = 0.12
"""Largest deviation of the magnified lattice from the ideal one, in image heights."""


def place_nodes(distortion: Distortion) -> Array:
    """Return each disc's ideal place in half-diagonals from the image centre, (discs, 2).

    Pitch and centre are fitted by least squares to the discs' image heights and nodes; the lattice is then rotated as
    measured.
    """
    node = distortion.disc_node.astype(np.float64)
    square = np.sum(node**2, axis=1)
    terms = np.column_stack([square, node, np.ones(len(node))])
    weight = np.linalg.lstsq(terms, distortion.disc_height_frac**2, rcond=None)[0]
    pitch = float(np.sqrt(max(weight[0], 1e-12)))
    centre = -weight[1:3] / (2 * weight[0])
    turn = np.radians(distortion.rotation_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.asarray((node - centre) * pitch @ rotation.T)


def choose_magnification(bend: Array) -> int:
    """Return the largest round magnification that keeps the lattice readable."""
    largest = float(np.nanmax(np.abs(bend), initial=0.0))
    fitting = [each for each in MAGNIFICATIONS if largest * each <= MOST_BEND]
    return fitting[-1] if fitting else 1


def draw_distortion(distortion: Distortion) -> list[Picture]:
    """Draw the distorted lattice, and the radial curve with its discs."""
    return [_draw_lattice(distortion), _draw_curve(distortion)]


def _draw_lattice(distortion: Distortion) -> Picture:
    ideal = place_nodes(distortion)
    curve = np.interp(distortion.disc_height_frac, distortion.curve_height_frac, distortion.curve_radial_pct)
    local = np.where(np.isfinite(distortion.disc_local_pct), distortion.disc_local_pct, curve) / 100
    times = choose_magnification(local * distortion.disc_height_frac)
    bent = ideal * (1 + times * local[:, None])
    spread = float(max(np.abs(ideal[:, 0]).max(), np.abs(bent[:, 0]).max()))
    unit = (WIDTH / 2 - 18) / spread
    high = float(max(np.abs(ideal[:, 1]).max(), np.abs(bent[:, 1]).max())) * unit + 18
    middle = np.array([WIDTH / 2, high])
    parts = [_draw_lines(distortion.disc_node, middle + ideal * unit, "ideal")]
    parts.append(_draw_lines(distortion.disc_node, middle + bent * unit, "line one plain"))
    for k, (x, y) in enumerate(middle + bent * unit):
        column, row = distortion.disc_node[k]
        tip = f"column {column}, row {row}: {100 * local[k]:+.3f} % of its height {distortion.disc_height_frac[k]:.2f}"
        parts.append(mark_dot(float(x), float(y), "fill one", 3, tip))
    bottom = 2 * high + 22
    parts.append(legend(34, bottom, [("ideal", "ideal lattice"), ("one plain", f"as measured, ×{times}")], apart=160))
    title = f"The lattice as the lens bends it, ×{times}"
    described = (
        f"Local distortion of every disc, {times} times magnified, over the ideal lattice; the chart's tilt is "
        "removed. Heights are in half-diagonals."
    )
    return Picture(title, canvas(WIDTH, bottom + 12, *parts, label=title, marks=True), described)


def _draw_lines(node: NDArray[np.int64], place: Array, class_: str) -> str:
    points: list[tuple[float, float]] = []
    for axis in range(2):
        for value in np.unique(node[:, axis]):
            row = np.flatnonzero(node[:, axis] == value)
            ordered = place[row[np.argsort(node[row, 1 - axis])]]
            points += [(float(x), float(y)) for x, y in ordered]
            points.append((np.nan, np.nan))
    return path(points, class_)


def _draw_curve(distortion: Distortion) -> Picture:
    height, radial, u = distortion.curve_height_frac, distortion.curve_radial_pct, distortion.curve_radial_pct_u
    up = reach([*(radial - 2 * u), *(radial + 2 * u), *distortion.disc_local_pct, 0.0], least=0.05)
    plot = Plot.between((0.0, 1.0), up, left=74, bottom=330)
    inside = height <= distortion.reach_frac + 1e-9
    parts = [plot.axes("ideal image height (half-diagonals)", "radial distortion (%)")]
    parts.append(line(plot.x.start, plot.y(0.0), plot.x.end, plot.y(0.0), "guide"))
    parts.append(plot.band(height.tolist(), (radial - 2 * u).tolist(), (radial + 2 * u).tolist()))
    parts.append(plot.line(height.tolist(), radial.tolist(), "line one"))
    for x, y in zip(distortion.disc_height_frac, distortion.disc_local_pct, strict=True):
        if np.isfinite(y):
            parts.append(dot(plot.x(float(x)), plot.y(float(y)), "hollow two", 3))
    parts.append(legend(74, plot.y.start + 62, [("one", "fit"), ("hollow two", "discs as measured")], apart=120))
    beyond = "" if inside.all() else f" Beyond height {distortion.reach_frac:.2f} there are no discs: extrapolated."
    described = (
        "The fitted radial curve, its band two standard uncertainties wide on each side, and each disc's own local "
        f"distortion. Below zero is barrel.{beyond}"
    )
    title = "Distortion against image height"
    return Picture(title, plot_canvas(plot, *parts, name=title, marks=False), described)
