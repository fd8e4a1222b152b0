"""Places and heights of a print's nodes, from shots of the print alone: a bundle adjustment.

Nodes, camera poses and lens are the unknowns of one least-squares problem (self-calibration: Evans, Hocken and Estler,
CIRP Annals 45/2, 1996, 617-634; target points as unknowns: Strobl and Hirzinger 2011). The print changes at random when
it is hung again; the variance of these changes is estimated for each mounting together with the rest (restricted
maximum likelihood, Patterson and Thompson 1971). Seven quantities are not determined by any shot: the print's position
(3), orientation (3) and size. They are fixed by constraints that move no node on average; the size then comes from a
steel rule.

Image places are in half-diagonals from the image centre. Nodes are in millimetres: x right, y down, z (the height) away
from the camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.spatial.transform import Rotation

from glasswright import Unmeasurable, format_count
from glasswright_camera.chart.model import draw_circle, find_centroids, fit_lattice

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

RADIAL_TERMS: Final = 4
"""r^2 to r^8. With fewer, a distortion of higher order is attributed to the print."""
RADIAL: Final = slice(3, 3 + RADIAL_TERMS)
TANGENTIAL: Final = slice(3 + RADIAL_TERMS, 5 + RADIAL_TERMS)
AXIS: Final = slice(5 + RADIAL_TERMS, 7 + RADIAL_TERMS)
LENS: Final = 8 + RADIAL_TERMS
"""Lens parameters: principal distance, principal point (2), radial terms, tangential terms (2), centre of the radial
distortion relative to the principal point (2), change of the distortion with distance."""
PRIOR_LENS: Final = np.array([0.1, 0.1, 0.1, *[1.0] * RADIAL_TERMS, 0.01, 0.01, 0.02, 0.02, 1.0])
"""Standard deviations of weak priors: the principal distance relative, all else in half-diagonals. The tangential terms
and the centre of the radial distortion differ only in the second order, so their priors decide between the two."""
PRIOR_NODE_MM: Final = 10.0
"""Weak prior about the designed place, for nodes that are in no shot."""
CONSTRAINT_MM: Final = 1e-5
"""Standard deviation of the seven constraints."""
LARGEST_ITERATIONS: Final = 40
SETTLED: Final = 1e-6
"""The iteration ends when the sum of squares decreases by less than this share."""
VARIANCE_ROUNDS: Final = 12
FEWEST_MOUNTINGS: Final = 3
"""With fewer mountings, all share one variance: a single mounting's own is not determined."""
FEWEST_SHOTS: Final = 4
OUTLINE: Final = 32
"""Corners of the polygon that represents a disc."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotCentres:
    """The disc centres of one shot."""

    mounting: int
    """Index of the mounting of the print, from 0."""
    node: NDArray[np.int64]
    """(discs,): index of each disc's node."""
    place: Array
    """(discs, 2): half-diagonals."""
    u: Array
    """(discs, 2): standard uncertainty from noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Values of all unknowns."""

    nodes: Array
    """(nodes, 3)."""
    turns: Array
    """(shots, 3, 3): rotation from print to camera."""
    shifts: Array
    """(shots, 3): millimetres."""
    lens: Array
    """(LENS,)."""
    distance_mm: float
    """Distance at which the distortion is that of the radial terms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintGeometry:
    """The print, the lens, and their uncertainties."""

    nodes: Array
    """(nodes, 3): size, position and orientation are the design's; see `scale_nodes`."""
    nodes_covariance: Array
    """(3 nodes, 3 nodes)."""
    movement_mm: Array
    """(mountings,): standard deviation of the nodes' movement from one mounting to another; empty with one mounting."""
    bundle: Bundle
    lens_covariance: Array
    """(LENS, LENS)."""
    noise_ratio: float
    """Residuals over the uncertainties of the centres; 1 if no mounting has three shots, which cannot tell it."""

    @property
    def nodes_u(self) -> Array:
        """Return the standard uncertainty of each coordinate (nodes, 3)."""
        return np.asarray(np.sqrt(np.diag(self.nodes_covariance)).reshape(-1, 3))


def adjust_print(
    design: Array, shots: Sequence[ShotCentres], principal_distance: float, centroids: CentroidShift
) -> PrintGeometry:
    """Estimate nodes, poses and lens.

    Parameters
    ----------
    design
        (nodes, 2): designed places, mm.
    shots
        Six or more: rotated by quarter turns, shifted and tilted.
    principal_distance
        Approximate, in half-diagonals: focal length times (1 + magnification).
    centroids
        Displacement of a disc's centre from the image of its node.

    Raises
    ------
    Unmeasurable
        If there are too few shots, or the iteration does not converge.
    """
    if len(shots) < FEWEST_SHOTS:
        raise Unmeasurable(
            f"{format_count(len(shots), 'shot')} of the print: at least {FEWEST_SHOTS} are needed, better 12"
        )
    bundle = start_bundle(design, shots, principal_distance)
    mountings = 1 + max(shot.mounting for shot in shots)
    movement = np.full(mountings if mountings > 1 else 0, 0.01)
    noise = 1.0
    for _ in range(3):
        bundle = solve(bundle, design, shots, find_whitening(bundle, shots, movement, noise), centroids)
        movement, noise = estimate_variances(bundle, design, shots, movement, noise, centroids)
    whitening = find_whitening(bundle, shots, movement, noise)
    bundle = solve(bundle, design, shots, whitening, centroids)
    root = _root_of_covariance(whitening.apply(linearise(bundle, design, shots, centroids)[1]))
    of_nodes, of_lens = root[: 3 * len(design)], root[-LENS:]
    return PrintGeometry(
        nodes=bundle.nodes,
        nodes_covariance=of_nodes @ of_nodes.T,
        movement_mm=movement,
        bundle=bundle,
        lens_covariance=of_lens @ of_lens.T,
        noise_ratio=noise,
    )


def start_bundle(design: Array, shots: Sequence[ShotCentres], principal_distance: float) -> Bundle:
    """Return start values: each shot's own pose, the print as designed, the median distortion of the shots."""
    turns, shifts, radial = [], [], []
    camera = np.diag([1 / principal_distance, 1 / principal_distance, 1.0])
    for shot in shots:
        model = fit_lattice(design[shot.node], shot.place, radial_terms=2, tangential=False)
        columns = camera @ model.plane
        size = np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1])) * np.sign(columns[2, 2])
        first, second, shift = (columns / size).T
        left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
        turns.append(left @ right)
        shifts.append(shift)
        radial.append(model.distortion.radial)
    lens = np.zeros(LENS)
    lens[0] = principal_distance
    lens[3:5] = np.median(radial, axis=0)
    return Bundle(
        nodes=np.column_stack([design, np.zeros(len(design))]),
        turns=np.array(turns),
        shifts=np.array(shifts),
        lens=lens,
        distance_mm=float(np.median([shift[2] for shift in shifts])),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Projection:
    """Image places of points, and their derivatives."""

    place: Array
    """(points, 2)."""
    by_point: Array
    """(points, 2, 3): by the point's coordinates on the print."""
    by_camera: Array
    """(points, 2, 3): by its coordinates in the camera's frame."""
    by_lens: Array
    """(points, 2, LENS)."""


def _to_flat(bundle: Bundle, shot: int, points: Array) -> tuple[Array, Array, Array]:
    """Return points in the camera's frame (n, 3), undistorted places relative to the principal point (n, 2), depth."""
    camera = points @ bundle.turns[shot].T + bundle.shifts[shot]
    depth = camera[:, 2]
    return camera, bundle.lens[0] * camera[:, :2] / depth[:, None], depth


def place_points(bundle: Bundle, shot: int, points: Array) -> Array:
    """Return the image places (n, 2) of points (n, 3) of the print."""
    _, flat, depth = _to_flat(bundle, shot, points)
    lens = bundle.lens
    offset = flat - lens[AXIS]
    square = np.sum(offset**2, axis=1)
    bent = square * np.polynomial.polynomial.polyval(square, lens[RADIAL])
    bent = bent * (1 + lens[-1] * (depth / bundle.distance_mm - 1))
    return np.asarray(flat + offset * bent[:, None] + _by_tangential(flat) @ lens[TANGENTIAL] + lens[1:3])


def _by_tangential(flat: Array) -> Array:
    """Return the derivative (n, 2, 2) of a place by p1 and p2 (Brown 1971; Conrady 1919)."""
    u, v = flat.T
    square = u * u + v * v
    by_p1 = np.stack([2 * u * v, square + 2 * v * v], axis=1)
    by_p2 = np.stack([square + 2 * u * u, 2 * u * v], axis=1)
    return np.stack([by_p1, by_p2], axis=2)


def project_points(bundle: Bundle, shot: int, points: Array) -> Projection:
    """Return the image places of points (n, 3) of the print, with derivatives."""
    lens, turn = bundle.lens, bundle.turns[shot]
    camera, flat, depth = _to_flat(bundle, shot, points)
    k, (p1, p2) = lens[RADIAL], lens[TANGENTIAL]
    offset = flat - lens[AXIS]
    square = np.sum(offset**2, axis=1)
    orders = np.arange(1, RADIAL_TERMS + 1)
    far = depth / bundle.distance_mm - 1
    reach = 1 + lens[-1] * far
    bent = square[:, None] ** orders @ k
    slope = square[:, None] ** (orders - 1) @ (k * orders)
    # derivative of the radial displacement by the undistorted place
    by_offset = (reach * bent)[:, None, None] * np.eye(2) + (2 * reach * slope)[:, None, None] * offset[
        :, :, None
    ] * offset[:, None, :]
    u, v = flat.T
    cross = 2 * (p1 * u + p2 * v)
    by_flat = (
        by_offset
        + np.eye(2)
        + np.stack(
            [np.stack([2 * p1 * v + 6 * p2 * u, cross], axis=1), np.stack([cross, 6 * p1 * v + 2 * p2 * u], axis=1)],
            axis=1,
        )
    )
    ray = camera[:, :2] / depth[:, None]
    flat_by_camera = np.zeros((len(points), 2, 3))
    flat_by_camera[:, 0, 0] = flat_by_camera[:, 1, 1] = lens[0] / depth
    flat_by_camera[:, :, 2] = -(lens[0] / depth)[:, None] * ray
    by_camera = by_flat @ flat_by_camera
    by_camera[:, :, 2] += offset * (bent * lens[-1] / bundle.distance_mm)[:, None]
    by_lens = np.zeros((len(points), 2, LENS))
    by_lens[:, :, 0] = np.einsum("nij,nj->ni", by_flat, ray)
    by_lens[:, 0, 1] = by_lens[:, 1, 2] = 1.0
    by_lens[:, :, RADIAL] = offset[:, :, None] * (square[:, None] ** orders * reach[:, None])[:, None, :]
    by_lens[:, :, TANGENTIAL] = _by_tangential(flat)
    by_lens[:, :, AXIS] = -by_offset
    by_lens[:, :, -1] = offset * (bent * far)[:, None]
    return Projection(
        place=place_points(bundle, shot, points), by_point=by_camera @ turn, by_camera=by_camera, by_lens=by_lens
    )


class CentroidShift:
    """Displacement of a disc's centroid from the image of its node, by perspective and distortion."""

    def __init__(self, radius_mm: Array) -> None:
        """Keep the radius (nodes,) of each disc."""
        self._outline = np.column_stack([draw_circle(OUTLINE), np.zeros(OUTLINE)])
        self._radius = radius_mm

    def find(self, bundle: Bundle, shot: int, node: NDArray[np.int64]) -> Array:
        """Return the centroid of each disc's image less the image of its node, (discs, 2)."""
        points = bundle.nodes[node][:, None] + self._radius[node][:, None, None] * self._outline
        middle = place_points(bundle, shot, bundle.nodes[node])
        rim = place_points(bundle, shot, points.reshape(-1, 3)).reshape(len(node), -1, 2)
        return find_centroids(rim - middle[:, None])


def find_misses(bundle: Bundle, design: Array, shots: Sequence[ShotCentres], centroids: CentroidShift) -> Array:
    """Return the residuals (rows,): all coordinates of the shots, the constraints, the priors."""
    parts = [
        shot.place - place_points(bundle, k, bundle.nodes[shot.node]) - centroids.find(bundle, k, shot.node)
        for k, shot in enumerate(shots)
    ]
    off = bundle.nodes - np.column_stack([design, np.zeros(len(design))])
    at, prior = _lens_prior(bundle)
    held = [-_constraints(design) @ off.ravel(), -off.ravel() / PRIOR_NODE_MM, (at - bundle.lens) / prior]
    return np.concatenate([*(part.ravel() for part in parts), *held])


def linearise(
    bundle: Bundle, design: Array, shots: Sequence[ShotCentres], centroids: CentroidShift
) -> tuple[Array, Array]:
    """Return the residuals (rows,), and the derivative of the model (rows, unknowns).

    The unknowns are three for each node, six for each shot, and the lens's.
    """
    nodes = len(design)
    count = 3 * nodes + 6 * len(shots) + LENS
    slopes = []
    for number, shot in enumerate(shots):
        points = bundle.nodes[shot.node]
        seen = project_points(bundle, number, points)
        n = len(shot.node)
        slope = np.zeros((n, 2, count))
        columns = 3 * shot.node[:, None] + np.arange(3)
        slope[np.arange(n)[:, None, None], np.arange(2)[None, :, None], columns[:, None, :]] = seen.by_point
        at = 3 * nodes + 6 * number
        slope[:, :, at : at + 3] = np.cross((points @ bundle.turns[number].T)[:, None, :], seen.by_camera)
        slope[:, :, at + 3 : at + 6] = seen.by_camera
        slope[:, :, -LENS:] = seen.by_lens
        slopes.append(slope.reshape(2 * n, count))
    held = np.zeros((7 + 3 * nodes + LENS, count))
    held[:7, : 3 * nodes] = _constraints(design)
    held[7 : 7 + 3 * nodes, : 3 * nodes] = np.eye(3 * nodes) / PRIOR_NODE_MM
    held[-LENS:, -LENS:] = np.diag(1 / _lens_prior(bundle)[1])
    return find_misses(bundle, design, shots, centroids), np.vstack([*slopes, held])


def _constraints(design: Array) -> Array:
    """Return the seven constraints (7, 3 nodes): no mean shift, rotation or change of size against the design."""
    flat = np.column_stack([design, np.zeros(len(design))])
    size = np.sqrt(np.mean(design**2))
    rows = [np.tile(unit, (len(design), 1)) for unit in np.eye(3)]
    rows += [np.cross(unit, flat) / size for unit in np.eye(3)]
    rows.append(flat / size)
    return np.asarray(np.array(rows).reshape(7, -1) / np.sqrt(len(design)) / CONSTRAINT_MM)


def _lens_prior(bundle: Bundle) -> tuple[Array, Array]:
    """Return expected values and standard deviations of the lens parameters."""
    expected = np.zeros(LENS)
    expected[0] = bundle.lens[0]
    return expected, PRIOR_LENS * np.array([bundle.lens[0], *[1.0] * (LENS - 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Whitening:
    """Converts rows to unit variance. The rows of a node within one mounting are correlated by the print's movement."""

    groups: tuple[tuple[NDArray[np.int64], Array], ...]
    """Row indices (groups, rows), and the inverse Cholesky factor of their covariance (groups, rows, rows)."""

    def apply(self, rows: Array) -> Array:
        """Whiten a vector (rows,) or the rows of a matrix (rows, columns)."""
        found = rows.copy()
        for at, inverse in self.groups:
            found[at] = np.einsum("gij,gj...->gi...", inverse, rows[at], optimize=True)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class RowGroup:
    """Nodes with the same number of shots in a mounting: all rows of each."""

    rows: NDArray[np.int64]
    """(groups, rows)."""
    mounting: NDArray[np.int64]
    """(groups,)."""
    noise: Array
    """(groups, rows, rows): covariance from noise."""
    moved: Array
    """(groups, rows, rows): covariance from a movement with a standard deviation of 1 mm."""


def group_rows(bundle: Bundle, shots: Sequence[ShotCentres]) -> Iterator[RowGroup]:
    """Return the correlated rows, those of one size together."""
    variance = np.concatenate([(shot.u**2).ravel() for shot in shots])
    slope = np.concatenate(
        [project_points(bundle, k, bundle.nodes[shot.node]).by_point.reshape(-1, 3) for k, shot in enumerate(shots)]
    )
    start = 0
    members: dict[tuple[int, int], list[int]] = {}
    for shot in shots:
        for k, node in enumerate(shot.node):
            members.setdefault((shot.mounting, int(node)), []).extend((start + 2 * k, start + 2 * k + 1))
        start += 2 * len(shot.node)
    for size in sorted({len(rows) for rows in members.values()}):
        chosen = [(key, rows) for key, rows in members.items() if len(rows) == size]
        rows = np.array([rows for _, rows in chosen])
        yield RowGroup(
            rows=rows,
            mounting=np.array([mounting for (mounting, _), _ in chosen]),
            noise=np.eye(size) * variance[rows][:, None, :],
            moved=np.einsum("gik,gjk->gij", slope[rows], slope[rows]),
        )


def find_whitening(bundle: Bundle, shots: Sequence[ShotCentres], movement: Array, noise: float) -> Whitening:
    """Return the whitening for movements between mountings (mm) and a factor on the centres' uncertainties."""
    return _whiten(tuple(group_rows(bundle, shots)), movement, noise)


def _whiten(groups: Sequence[RowGroup], movement: Array, noise: float) -> Whitening:
    found = []
    for group in groups:
        size = movement[group.mounting] ** 2 if len(movement) else np.zeros(len(group.mounting))
        covariance = noise**2 * group.noise + size[:, None, None] * group.moved
        found.append((group.rows, np.linalg.inv(np.linalg.cholesky(covariance))))
    return Whitening(groups=tuple(found))


def solve(
    bundle: Bundle, design: Array, shots: Sequence[ShotCentres], whitening: Whitening, centroids: CentroidShift
) -> Bundle:
    """Minimise the sum of squares by Gauss-Newton steps, halved while they increase it.

    Raises
    ------
    Unmeasurable
        If it does not converge.
    """
    cost = float(np.sum(whitening.apply(find_misses(bundle, design, shots, centroids)) ** 2))
    for _ in range(LARGEST_ITERATIONS):
        miss, slope = linearise(bundle, design, shots, centroids)
        white, target = whitening.apply(slope), whitening.apply(miss)
        scale = np.sqrt(np.sum(white**2, axis=0))
        factor = cho_factor((white.T @ white) / np.outer(scale, scale))
        step = cho_solve(factor, (white.T @ target) / scale) / scale
        for halving in range(11):
            tried = apply_step(bundle, step / 2**halving)
            tried_cost = float(np.sum(whitening.apply(find_misses(tried, design, shots, centroids)) ** 2))
            if tried_cost <= cost * (1 + 1e-12):
                break
        gain, bundle, cost = cost - tried_cost, tried, tried_cost
        if gain <= SETTLED * cost + 1e-9:
            return bundle
    raise Unmeasurable("nodes, poses and lens do not converge: are all shots of this print, at one focus?")


def apply_step(bundle: Bundle, step: Array) -> Bundle:
    """Return the unknowns after a step."""
    nodes, shots = len(bundle.nodes), len(bundle.shifts)
    poses = step[3 * nodes : -LENS].reshape(shots, 6)
    return replace(
        bundle,
        nodes=bundle.nodes + step[: 3 * nodes].reshape(-1, 3),
        turns=Rotation.from_rotvec(poses[:, :3]).as_matrix() @ bundle.turns,
        shifts=bundle.shifts + poses[:, 3:],
        lens=bundle.lens + step[-LENS:],
    )


def _root_of_covariance(white: Array) -> Array:
    """Return R (unknowns, unknowns) with R R^T the inverse of the normal matrix."""
    scale = np.sqrt(np.sum(white**2, axis=0))
    lower = np.linalg.cholesky((white.T @ white) / np.outer(scale, scale))
    inverse = solve_triangular(lower, np.eye(len(scale)), lower=True)
    return np.asarray(inverse.T / scale[:, None])


def estimate_variances(
    bundle: Bundle,
    design: Array,
    shots: Sequence[ShotCentres],
    movement: Array,
    noise: float,
    centroids: CentroidShift,
) -> tuple[Array, float]:
    """Estimate the print's movement between mountings, and the factor on the centres' uncertainties.

    In each round a variance is multiplied by its quadratic form in the residuals over that form's expectation. The
    factor stays 1 if no mounting has three shots: noise and movement are then not separable.
    """
    miss, slope = linearise(bundle, design, shots, centroids)
    shots_of = np.bincount([shot.mounting for shot in shots])
    with_noise = not len(movement) or shots_of.max() >= 3
    groups = tuple(group_rows(bundle, shots))
    for _ in range(VARIANCE_ROUNDS if len(movement) else 2):
        whitening = _whiten(groups, movement, noise)
        white, left = whitening.apply(slope), whitening.apply(miss)
        basis = white @ _root_of_covariance(white)
        left = left - basis @ (basis.T @ left)
        found, due = np.zeros(len(shots_of) + 1), np.zeros(len(shots_of) + 1)
        for group, (rows, inverse) in zip(groups, whitening.groups, strict=True):
            keep = np.eye(rows.shape[1]) - np.einsum("gik,gjk->gij", basis[rows], basis[rows])
            for place, kind in ((group.mounting, group.moved), (np.full(len(rows), len(shots_of)), group.noise)):
                turned = inverse @ kind @ np.swapaxes(inverse, 1, 2)
                np.add.at(found, place, np.einsum("gi,gij,gj->g", left[rows], turned, left[rows]))
                np.add.at(due, place, np.einsum("gij,gji->g", keep, turned))
        if len(movement):
            ratio = found[:-1] / due[:-1]
            if len(movement) < FEWEST_MOUNTINGS:
                ratio = np.full_like(ratio, found[:-1].sum() / due[:-1].sum())
            movement = movement * np.sqrt(ratio)
        if with_noise:
            noise *= float(np.sqrt(found[-1] / due[-1]))
    return movement, noise


def scale_nodes(
    geometry: PrintGeometry, ends: tuple[int, int], length_mm: float, length_u_mm: float
) -> tuple[Array, float]:
    """Return the nodes at the size given by a steel rule, and the relative standard uncertainty of that size.

    Parameters
    ----------
    ends
        Indices of the nodes between whose middles the rule lay.
    length_mm, length_u_mm
        The reading and its standard uncertainty.
    """
    apart = float(np.linalg.norm(geometry.nodes[ends[0]] - geometry.nodes[ends[1]]))
    return geometry.nodes * (length_mm / apart), length_u_mm / length_mm


def list_distortion(geometry: PrintGeometry, heights: Array) -> tuple[Array, Array]:
    """Return the lens's radial displacement and its standard uncertainty at image heights, all in half-diagonals."""
    powers = heights[:, None] ** (2 * np.arange(1, RADIAL_TERMS + 1) + 1)
    covariance = geometry.lens_covariance[RADIAL, RADIAL]
    u = np.sqrt(np.einsum("ij,jk,ik->i", powers, covariance, powers))
    return powers @ geometry.bundle.lens[RADIAL], u
