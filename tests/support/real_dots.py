"""Photographs by others of a printed lattice of dots, and results of general libraries for the same pixels.

scikit-surgeryimage, tests/data/calib-ucl-circles/10_54_44 (BSD, University College London 2018): 1920 x 1080, RGB, 8
bits, tilted and partly out of the frame. They are not part of this project: the environment variable
GLASSWRIGHT_REAL_FILES names the folder with `dots`. Their transfer curve is not known; sRGB is assumed. All ten have
video blanking at the border: five lines at the top are up to 46 levels darker than those below, four at the bottom 20
lighter, a column at the right up to 140 darker. These are no part of the picture and are cut off.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from scipy.ndimage import median_filter, uniform_filter
from scipy.optimize import least_squares
from skimage.measure import label, regionprops

from glasswright import CaptureFacts
from glasswright.config import read_config
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.edges.repeats import line_up
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.fringing.reading import displacement_u
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
BLANK_COLUMNS, BLANK_LINES = 2, 6
"""Cut off on each side, so that the middle stays."""
SIZE_PX = (1920 - 2 * BLANK_COLUMNS, 1080 - 2 * BLANK_LINES)
MIDDLE_PX = (np.array(SIZE_PX) - 1) / 2
HALF_DIAGONAL_PX = float(np.hypot(*SIZE_PX)) / 2
LEVEL = 0.3
"""Fraction of the largest depth above which light is weighted, as in the fit of whole discs."""
HALF_PITCH = 10 / 3.3
"""Of the lattice, in radii of a dot."""
RING_WINDOW = 1.9
"""Half-width in radii of the window in which sharpening rings are compared with the paper beside them."""
FAR = 1.4
"""Paper between the dots is farther than this many radii from the edge of each."""
AROUND = 7.2
"""Half-width in radii of the surroundings in which that paper is fitted: 1.2 pitches."""
EVERY = 3
"""Every third pixel of it is used, along and down: about 2000."""
MOST_APART = 0.1
"""Difference of one dot's displacement from the independent one that is asked for, px."""
KNOWN = 0.05
"""Standard uncertainty of an independent displacement, px, up to which it decides whether a dot differs by more than
MOST_APART: 95 % of its errors are smaller than that. Beside a large dot, at the print's border and where the blur is
cut by the frame, the two independent ways differ by up to 1 px. What the project states plays no part."""
FIELD_DEGREE = 6
"""Of the polynomial in x and y to which displacements are compared, to see how they scatter from dot to dot: 28
coefficients for about 300 dots."""


@cache
def make_stand() -> Stand:
    layout = read_config(Path(__file__).with_name("dots_25x18.yaml"), ChartLayout)
    return Stand(sensor=Sensor(pixel_pitch_um=3.0, transfer="srgb"), charts=(ChartUse(layout=layout),))


@cache
def load(name: str) -> Mosaic:
    frame = read_image(str(FOLDER / f"{name}.png"), transfer="srgb")
    return Mosaic(
        values=np.ascontiguousarray(frame.values[:, BLANK_LINES:-BLANK_LINES, BLANK_COLUMNS:-BLANK_COLUMNS]),
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Dots:
    """Where dots lie, roughly: as chart location returns it. Arrays over dots; px."""

    centre: Array
    radius: Array
    clear: Array
    """Width free of other things beyond the edge."""

    @classmethod
    def of(cls, fit: ChartFit) -> Dots:
        return cls(centre=fit.centre_px, radius=fit.radius_px, clear=fit.clear_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Independent positions of dots in one plane."""

    ways: Array
    """(ways, dots, 2) px: with the paper about a dot, and with that between the dots of its surroundings."""
    halves: Array
    """(halves, dots, 2) px: from two halves of a dot's pixels, with the paper about it."""

    @property
    def centre(self) -> Array:
        return np.asarray(self.ways.mean(axis=0))


def cut_window(light: Array, centre: Array, reach: int) -> tuple[Array, Array] | None:
    """Return a square window of light about a dot, and the pixel in its middle; None if it is cut by the border."""
    middle = np.round(centre).astype(int)
    x, y = middle.tolist()
    window = light[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
    return (window, middle) if window.shape == (2 * reach + 1, 2 * reach + 1) else None


def find_depth(light: Array, centre: Array, reach: int) -> tuple[Array, Array] | None:
    """Return a dot's depth below the paper, (size, size), and the pixel in the window's middle; None if it is cut.

    The paper is a plane fitted to the window's rim. In these photographs light changes over a dot: a constant paper
    moves a centroid by up to 0.1 px.
    """
    found = cut_window(light, centre, reach)
    if found is None:
        return None
    window, middle = found
    down, along = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    away = np.hypot(down, along)
    rim = (away > reach - 4) & (away <= reach)
    design = np.stack([np.ones(away.shape), along, down], axis=-1)
    plane, *_ = np.linalg.lstsq(design[rim], window[rim], rcond=None)
    return 1 - window / (design @ plane), middle


def mask_paper(light: Array, dots: Dots) -> NDArray[np.bool_]:
    """Return which pixels are paper: far from every dot, and not darker than the paper about them (cut dots)."""
    height, width = light.shape
    near = np.zeros((height, width), dtype=bool)
    for (x, y), radius in zip(dots.centre, dots.radius, strict=True):
        reach = (1 + FAR) * radius
        low, high = max(int(y - reach), 0), int(y + reach) + 2
        left, right = max(int(x - reach), 0), int(x + reach) + 2
        down, along = np.mgrid[low : min(high, height), left : min(right, width)]
        near[low:high, left:right] |= np.hypot(down - y, along - x) < reach
    coarse = median_filter(light[::8, ::8], 15, mode="nearest")
    usual = np.kron(coarse, np.ones((8, 8)))[:height, :width]
    return np.asarray(~near & (light > 0.85 * usual))


def fit_paper(light: Array, is_paper: NDArray[np.bool_], middle: Array, half: int, reach: int) -> Array | None:
    """Return the light of the paper in a dot's window, a quadratic surface fitted between the dots about it."""
    x, y = middle.tolist()
    low, left = max(y - half, 0), max(x - half, 0)
    cut = (slice(low, y + half + 1, EVERY), slice(left, x + half + 1, EVERY))
    down, along = np.nonzero(is_paper[cut])
    if len(down) < 100:
        return None
    level = light[cut][down, along]

    def terms(across: Array, along: Array) -> Array:
        return np.stack([across**i * along**k for i in range(3) for k in range(3 - i)], axis=-1)

    design = terms((EVERY * along + left - x) / half, (EVERY * down + low - y) / half)
    used = np.ones(len(level), dtype=bool)
    for _ in range(3):
        surface, *_ = np.linalg.lstsq(design[used], level[used], rcond=None)
        off = np.abs(level - design @ surface)
        used = off < 5 * np.median(off[used])
    down, along = np.mgrid[-reach : reach + 1, -reach : reach + 1] / half
    return np.asarray(terms(along, down) @ surface)


def weigh_depth(depth: Array, middle: Array, level: float, parts: NDArray[np.bool_]) -> Array:
    """Return centroids of a dot's depth above a fraction of the largest: (parts, 2); NaN if there is no dot.

    `parts`, (size, size, parts), chooses the pixels of each.
    """
    reach = len(depth) // 2
    within = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) < 0.5 * reach
    # the largest of a noisy picture is noise: means of 3 x 3
    above = depth - level * uniform_filter(depth, 3)[within].max()
    regions = label(above > 0)
    if not regions[reach, reach]:
        return np.full((parts.shape[2], 2), np.nan)
    inside = (regions == regions[reach, reach]).astype(int)
    weight = np.maximum(above, 0)[..., None] * parts
    row, column = regionprops(inside, intensity_image=weight)[0].centroid_weighted
    return np.asarray(middle + np.column_stack([column - reach, row - reach]))


def place_dots(light: Array, dots: Dots, level: float = LEVEL) -> Placed:
    """Place the dots of one plane with scikit-image, independently of the project.

    A position is the centroid of the depth below the paper, above `level` of the largest. Two ways know the paper: a
    plane fitted half-way to the next dots, where a lattice of blurred dots takes as much light on one side as on the
    other; and a surface fitted in the gaps of the lattice out to 1.2 pitches. On drawn dots with known positions both
    are true to 0.01 px (`test_real_dots`); their difference shows what the paper does to a centroid.
    """
    is_paper = mask_paper(light, dots)
    ways = np.full((2, len(dots.centre), 2), np.nan)
    halves = np.full((2, len(dots.centre), 2), np.nan)
    for index, (centre, radius, clear) in enumerate(zip(dots.centre, dots.radius, dots.clear, strict=True)):
        reach = int(min(HALF_PITCH * radius, radius + clear))
        found, window = find_depth(light, centre, reach), cut_window(light, centre, reach)
        if found is None or window is None:
            continue
        depth, middle = found
        # squares of two pixels, so that both halves have all lines of an interlaced picture
        squares = np.add.outer(np.arange(len(depth)) // 2, np.arange(len(depth)) // 2) % 2 == 1
        parts = np.stack([np.ones_like(squares), ~squares, squares], axis=-1)
        ways[0, index], *halves[:, index] = weigh_depth(depth, middle, level, parts)
        paper = fit_paper(light, is_paper, middle, int(AROUND * radius), reach)
        if paper is not None:
            ways[1, index] = weigh_depth(1 - window[0] / paper, middle, level, parts[..., :1])[0]
    return Placed(ways=ways, halves=halves)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """Independent displacements of one plane from green: arrays over dots, px."""

    value: Array
    """(dots, 2)."""
    u: Array
    """(dots,): standard uncertainty, the root mean square of its two parts: half the difference of the two ways, and of
    the two halves of the pixels."""


def find_shift(green: Placed, other: Placed) -> Shift:
    """Return displacements and their uncertainties; parts common to both planes cancel."""
    ways, halves = other.ways - green.ways, other.halves - green.halves
    parts = [np.hypot(*(both[1] - both[0]).T) / 2 for both in (ways, halves)]
    return Shift(value=ways.mean(axis=0), u=np.hypot(*parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Displaced:
    """Difference of a plane's displacement from green to that of independent centroids, px.

    Both methods see the same pixels, so noise moves them alike, and their difference does not show it. What it does to
    a displacement is seen in the scatter from dot to dot, about a smooth field.
    """

    dot_count: int
    over_count: int
    """Of all dots with a displacement by both, those that differ by more than MOST_APART."""
    known_count: int
    """Dots whose displacement the independent ways know within KNOWN; all that follows is theirs."""
    known_over_count: int
    """Those that differ by more than MOST_APART, whatever uncertainty the project states."""
    median_px: float
    most_px: float
    """Nine tenths of the dots differ by less."""
    worst_px: float
    pull: float
    """Rms of the differences over the root sum of squares of both stated uncertainties."""
    covered_frac: float
    """Share of differences below twice that."""
    scatter_pull: float
    """Rms, over dots and axes, of a displacement's deviation from a smooth field over its stated uncertainty."""
    scatter_covered_frac: float
    """Share of those deviations below twice the stated uncertainty."""
    stated_px: float
    """Median of the stated uncertainty along one axis."""
    uniform_px: float
    """Length of the part common to all dots."""
    radial_px: float
    """Largest radial part, from the middle to the outermost dot."""
    radial_px_u: float
    """Its standard uncertainty, from those that the displacements have."""
    ways_uniform_px: float
    ways_radial_px: float
    """The same parts of the difference of the two independent ways."""


@cache
def place(name: str, plane: int, level: float = LEVEL) -> Placed:
    return place_dots(load(name).values[plane] / 65535, Dots.of(locate(name)), level)


@cache
def compare_displacement(name: str, plane: int, level: float = LEVEL) -> Displaced:
    """Compare one photograph's displacement of a plane from green with that of scikit-image's centroids."""
    found, fit = trace(name), locate(name)
    green, other = place(name, 1, level), place(name, plane, level)
    shift = find_shift(green, other)
    own = found.centre_px[plane] - found.centre_px[1]
    own_u = displacement_u(line_up([found], found.node), plane, 1)[0]
    off = own - shift.value
    both = np.isfinite(off).all(axis=1) & ~fit.is_mark
    ways = (other.ways - green.ways)[1] - (other.ways - green.ways)[0]
    weight = np.hypot(own_u, shift.u[:, None] / np.sqrt(2))
    uniform, radial, radial_u = _read_parts(off[both], fit.centre_px[both], weight[both])
    ways_uniform, ways_radial, _ = _read_parts(ways[both], fit.centre_px[both], weight[both])
    known = both & (shift.u < KNOWN)
    apart = np.hypot(*off.T)
    pull = (apart / np.hypot(np.hypot(*own_u.T), shift.u))[known]
    scatter = _deviate(own[known], fit.centre_px[known]) / own_u[known]
    return Displaced(
        dot_count=int(both.sum()),
        over_count=int((apart[both] > MOST_APART).sum()),
        known_count=int(known.sum()),
        known_over_count=int((apart[known] > MOST_APART).sum()),
        median_px=float(np.median(apart[known])),
        most_px=float(np.percentile(apart[known], 90)),
        worst_px=float(apart[known].max()),
        pull=float(np.sqrt(np.mean(pull**2))),
        covered_frac=float(np.mean(pull < 2)),
        scatter_pull=float(np.sqrt(np.mean(scatter**2))),
        scatter_covered_frac=float(np.mean(np.abs(scatter) < 2)),
        stated_px=float(np.median(own_u[known])),
        uniform_px=uniform,
        radial_px=radial,
        radial_px_u=radial_u,
        ways_uniform_px=ways_uniform,
        ways_radial_px=ways_radial,
    )


def _deviate(shift: Array, place: Array) -> Array:
    """Return deviations of displacements from a smooth field, (dots, 2), enlarged by what the field takes of each."""
    x, y = ((place - MIDDLE_PX) / HALF_DIAGONAL_PX).T
    basis = np.column_stack([x**i * y**k for i in range(FIELD_DEGREE + 1) for k in range(FIELD_DEGREE + 1 - i)])
    smooth = basis @ np.linalg.pinv(basis)
    return np.asarray((shift - smooth @ shift) / np.sqrt(1 - np.diag(smooth))[:, None])


def _read_parts(off: Array, place: Array, off_u: Array) -> tuple[float, float, float]:
    """Return the length of the uniform part, the largest radial part out to the last dot, and its uncertainty."""
    part, covariance = _split(off, place, off_u)
    height = np.linspace(0, np.hypot(*(place - MIDDLE_PX).T).max() / HALF_DIAGONAL_PX, 21)
    basis = np.column_stack([height, height**3])
    radial = np.abs(basis @ part[2:])
    most = int(np.argmax(radial))
    radial_u = float(np.sqrt(basis[most] @ covariance[2:, 2:] @ basis[most]))
    return float(np.hypot(*part[:2])), float(radial[most]), radial_u


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
        radius = fit.radius_px[index]
        reach = int(np.ceil(min(RING_WINDOW * radius, radius + 0.7 * fit.clear_px[index]))) + 1
        found = find_depth(light, fit.centre_px[index], reach)
        if found is None:
            continue
        depth, _ = found
        reach = len(depth) // 2
        down, along = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        ring = np.round(np.hypot(down, along)).astype(int)
        mean = np.bincount(ring.ravel(), depth.ravel())[: reach + 1] / np.bincount(ring.ravel())[: reach + 1]
        most.append(-mean.min() / mean.max())
    return float(np.median(most))
