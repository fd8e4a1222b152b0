"""Photographs by others of a printed lattice of dots, and results of general libraries for the same pixels.

scikit-surgeryimage, tests/data/calib-ucl-circles/10_54_44 (BSD, University College London 2018): 1920 x 1080, RGB, 8
bits, tilted and partly out of the frame. They are not part of this project: the environment variable
GLASSWRIGHT_REAL_FILES names the folder with `dots`. Their transfer curve is not known; sRGB is assumed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from scipy.optimize import least_squares
from skimage.measure import label, regionprops

from glasswright import CaptureFacts
from glasswright.config import read_config
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.raw.image import read_image
from glasswright_camera.stand import ChartLayout, ChartUse, Sensor, Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.chart_fit import ChartFit
    from glasswright_camera.distortion.result import Distortion
    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

FOLDER = Path(os.environ.get("GLASSWRIGHT_REAL_FILES", "")) / "dots"
IS_THERE = bool(os.environ.get("GLASSWRIGHT_REAL_FILES")) and FOLDER.is_dir()
PHOTOGRAPHS = tuple(f"{side}.{number}" for side in ("left", "right") for number in range(5))
LARGE = {(8, 5), (16, 5), (8, 12), (16, 12)}
SIZE_PX = (1920, 1080)
MIDDLE_PX = np.array([959.5, 539.5])
HALF_DIAGONAL_PX = float(np.hypot(*SIZE_PX)) / 2
LEVEL = 0.3
"""Fraction of the largest depth above which light is weighted, as in the fit of whole discs."""
WINDOW, RING_WINDOW, ROOM = 2.6, 1.9, 0.7
"""Half-width of the window about a dot, in radii, and its largest reach, as a fraction of the way to the next dot; the
outermost 4 px are paper. With 1.9 radii the tails of the widest blurs count as paper and shift blue by 0.2 px;
the paper beside a sharpening ring is compared nearer to it, within RING_WINDOW."""


@cache
def make_stand() -> Stand:
    layout = read_config(Path(__file__).with_name("dots_25x18.yaml"), ChartLayout)
    return Stand(sensor=Sensor(pixel_pitch_um=3.0, transfer="srgb"), charts=(ChartUse(layout=layout),))


@cache
def load(name: str) -> Mosaic:
    frame = read_image(str(FOLDER / f"{name}.png"), transfer="srgb")
    return Mosaic(
        values=frame.values,
        pattern=np.arange(3).reshape(3, 1, 1),
        planes=frame.planes,
        black_dn=np.zeros((3, 1, 1)),
        white_dn=65535.0,
        facts=CaptureFacts(),
        role="chart",
        shot=f"chart/{name}.png",
    )


@cache
def locate(name: str) -> ChartFit:
    return locate_chart(load(name), make_stand())


@cache
def trace(name: str) -> Trace:
    return trace_edges(load(name), locate(name), make_stand(), None, None)


def find_depth(
    light: Array, centre: Array, radius: float, clear: float, window: float = WINDOW
) -> tuple[Array, Array] | None:
    """Return a dot's depth below the paper, (size, size), and the window's centre; None if it is cut.

    The paper is a plane fitted to the window's rim. In these photographs light changes over a dot: a constant paper
    moves a centroid by up to 0.1 px.
    """
    reach = int(np.ceil(min(window * radius, radius + ROOM * clear))) + 1
    middle = np.round(centre).astype(int)
    x, y = middle.tolist()
    window = light[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
    if window.shape != (2 * reach + 1, 2 * reach + 1):
        return None
    down, along = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(down, along)
    rim = (away > reach - 4) & (away <= reach)
    design = np.stack([np.ones(away.shape), along, down], axis=-1)
    plane, *_ = np.linalg.lstsq(design[rim], window[rim], rcond=None)
    return 1 - window / (design @ plane), middle


def weigh_dot(light: Array, centre: Array, radius: float, clear: float, level: float = LEVEL) -> Array:
    """Return an independent position: the centroid of a dot's depth above a fraction of the largest; NaN if cut."""
    found = find_depth(light, centre, radius, clear)
    if found is None:
        return np.full(2, np.nan)
    depth, middle = found
    above = depth - level * np.percentile(depth, 99.5)
    regions, reach = label(above > 0), len(above) // 2
    if not regions[reach, reach]:
        return np.full(2, np.nan)
    inside = (regions == regions[reach, reach]).astype(int)
    row, column = regionprops(inside, intensity_image=np.maximum(above, 0))[0].centroid_weighted
    return np.asarray(middle + [column - reach, row - reach])


@dataclass(frozen=True, slots=True, kw_only=True)
class Displaced:
    """Difference of a plane's displacement from green to that of independent centroids, px."""

    dot_count: int
    median_px: float
    most_px: float
    """Nine tenths of the dots differ by less."""
    uniform_px: float
    """Length of the part common to all dots."""
    radial_px: float
    """Largest radial part, from the middle to the outermost dot."""
    radial_px_u: float
    """Its standard uncertainty, from those that the displacements have."""


def compare_displacement(name: str, plane: int, level: float = LEVEL) -> Displaced:
    """Compare one photograph's displacement of a plane from green with that of scikit-image's centroids."""
    found, fit, light = trace(name), locate(name), load(name).values / 65535
    dots = list(zip(fit.centre_px, fit.radius_px, fit.clear_px, strict=True))
    green, other = (np.array([weigh_dot(light[each], *dot, level) for dot in dots]) for each in (1, plane))
    own, independent = found.centre_px[plane] - found.centre_px[1], other - green
    both = np.isfinite(own + independent).all(axis=1) & ~fit.is_mark
    off, place = (own - independent)[both], fit.centre_px[both]
    part, covariance = _split(off, place, np.hypot(found.centre_u_px[plane], found.centre_u_px[1])[both])
    height = np.linspace(0, np.hypot(*(place - MIDDLE_PX).T).max() / HALF_DIAGONAL_PX, 21)
    basis = np.column_stack([height, height**3])
    radial = np.abs(basis @ part[2:])
    most = int(np.argmax(radial))
    return Displaced(
        dot_count=int(both.sum()),
        median_px=float(np.median(np.hypot(*off.T))),
        most_px=float(np.percentile(np.hypot(*off.T), 90)),
        uniform_px=float(np.hypot(*part[:2])),
        radial_px=float(radial[most]),
        radial_px_u=float(np.sqrt(basis[most] @ covariance[2:, 2:] @ basis[most])),
    )


def _split(shift: Array, place: Array, shift_u: Array) -> tuple[Array, Array]:
    """Fit a uniform part x, y and r, r^3 along the image radius, weighted by uncertainty; (4,) and (4, 4)."""
    at = (place - MIDDLE_PX) / HALF_DIAGONAL_PX
    cube = at * (at**2).sum(axis=1, keepdims=True)
    one = np.ones(len(at))
    basis = np.column_stack([np.kron(one, [1, 0]), np.kron(one, [0, 1]), at.ravel(), cube.ravel()])
    weighted, seen = basis / shift_u.ravel()[:, None], shift.ravel() / shift_u.ravel()
    fitted = least_squares(lambda part: weighted @ part - seen, np.zeros(4), loss="soft_l1", f_scale=2.0)
    return fitted.x, np.linalg.inv(weighted.T @ weighted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bent:
    """The distortion that OpenCV fits to the same centres, beside that of `measure_distortion`."""

    rms_px: float
    """OpenCV's residual per coordinate."""
    curve_px: float
    """Largest difference of the radial curves out to the outermost dot, without differences of scale."""
    largest_px: float
    """Largest displacement by that part of OpenCV's curve."""


def compare_distortion(name: str, own: Distortion) -> Bent:
    """Calibrate with OpenCV on the centres of `own`, with the same terms and a fixed centre."""
    found = trace(name)
    row = {tuple(node): index for index, node in enumerate(found.node.tolist())}
    used = [row[tuple(node)] for node in own.disc_node.tolist()]
    print_mm = np.column_stack([found.node[used] * 10.0, np.zeros(len(used))]).astype(np.float32)
    camera = np.array([[1600.0, 0.0, MIDDLE_PX[0]], [0.0, 1600.0, MIDDLE_PX[1]], [0.0, 0.0, 1.0]])
    rms, camera, terms, *_ = cv2.calibrateCamera(
        [print_mm],
        [found.centre_px[1][used].astype(np.float32)[:, None]],
        SIZE_PX,
        camera,
        np.zeros(5),
        flags=cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    k1, k2, _, _, k3 = terms.ravel()
    height = own.curve_height_frac[own.curve_height_frac <= own.reach_frac]
    square = (height * HALF_DIAGONAL_PX / camera[0, 0]) ** 2
    theirs = height * HALF_DIAGONAL_PX * square * (k1 + square * (k2 + square * k3))
    ours = height * HALF_DIAGONAL_PX * own.curve_radial_pct[: len(height)] / 100
    apart = ours - theirs
    unscaled = apart - height * (height @ apart) / (height @ height)
    bend = theirs - height * (height @ theirs) / (height @ height)
    return Bent(
        rms_px=rms / np.sqrt(2),
        curve_px=float(np.abs(unscaled).max()),
        largest_px=float(np.abs(bend).max()),
    )


def find_overshoot(name: str, plane: int) -> float:
    """Return how much lighter than the paper the rings about the dots are, relative to the step; median over dots.

    No lens does that: a non-negative point spread function makes no place lighter than the paper.
    """
    fit, light = locate(name), load(name).values[plane] / 65535
    most = []
    for index in np.flatnonzero(~fit.is_mark):
        found = find_depth(light, fit.centre_px[index], fit.radius_px[index], fit.clear_px[index], RING_WINDOW)
        if found is None:
            continue
        depth, _ = found
        reach = len(depth) // 2
        down, along = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        ring = np.round(np.hypot(down, along)).astype(int)
        mean = np.bincount(ring.ravel(), depth.ravel())[: reach + 1] / np.bincount(ring.ravel())[: reach + 1]
        most.append(-mean.min() / mean.max())
    return float(np.median(most))
