"""Model of the lattice's image: a plane in perspective, then radial and tangential distortion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

if TYPE_CHECKING:
    from numpy.typing import NDArray

PLANE = 8
"""Free elements of the plane's homography; the ninth is 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The units of image places: half-diagonals from the image centre, x right, y down."""

    width_px: int
    height_px: int

    @property
    def centre_px(self) -> NDArray[np.float64]:
        """Return the image centre in sensor pixels, (2,)."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def half_diagonal_px(self) -> float:
        """Return half the diagonal of the image area."""
        return float(np.hypot(self.width_px, self.height_px) / 2)

    def from_px(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert sensor pixels (..., 2) to half-diagonals from the centre."""
        return (place - self.centre_px) / self.half_diagonal_px

    def to_px(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert half-diagonals from the centre (..., 2) to sensor pixels."""
        return place * self.half_diagonal_px + self.centre_px


@dataclass(frozen=True, slots=True, kw_only=True)
class DistortionModel:
    """A lens's distortion, with places in half-diagonals.

    x' = x c + 2 p1 x y + p2 (r^2 + 2 x^2), y' = y c + p1 (r^2 + 2 y^2) + 2 p2 x y, c = 1 + k1 r^2 + k2 r^4 + ...
    (Brown 1971, "Close-range camera calibration"; Conrady 1919).
    """

    radial: NDArray[np.float64]
    """(terms,): k1, k2, ..."""
    tangential: NDArray[np.float64]
    """(2,): p1, p2."""

    def apply(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distort undistorted places (..., 2)."""
        x, y = place[..., 0], place[..., 1]
        square = x * x + y * y
        scale = 1 + square * np.polynomial.polynomial.polyval(square, self.radial) if len(self.radial) else 1.0
        p1, p2 = self.tangential
        return np.stack(
            [
                x * scale + 2 * p1 * x * y + p2 * (square + 2 * x * x),
                y * scale + p1 * (square + 2 * y * y) + 2 * p2 * x * y,
            ],
            axis=-1,
        )

    def differentiate(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative of distorted by undistorted places, (..., 2, 2)."""
        x, y = place[..., 0], place[..., 1]
        square = x * x + y * y
        order = np.arange(1, len(self.radial) + 1)
        scale = 1 + np.sum(self.radial * square[..., None] ** order, axis=-1)
        slope = np.sum(self.radial * order * square[..., None] ** (order - 1), axis=-1)
        p1, p2 = self.tangential
        cross = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
        return np.stack(
            [
                np.stack([scale + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x, cross], axis=-1),
                np.stack([cross, scale + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x], axis=-1),
            ],
            axis=-2,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LatticeModel:
    """A plane lattice in a pose, imaged by a lens with distortion."""

    plane: NDArray[np.float64]
    """(3, 3): lattice places (in half-extents of the lattice, from its middle) to undistorted half-diagonals."""
    distortion: DistortionModel
    covariance: NDArray[np.float64]
    """Of the parameters (eight of the plane, radial, tangential) for unit variance of a coordinate."""

    def place(self, lattice: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return distorted places (..., 2) of lattice places (..., 2)."""
        return self.distortion.apply(project(self.plane, lattice))


def project(plane: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map places (..., 2) by a homography (3, 3)."""
    full = place @ plane[:, :2].T + plane[:, 2]
    return np.asarray(full[..., :2] / full[..., 2:])


def draw_circle(corners: int) -> NDArray[np.float64]:
    """Return a polygon (corners, 2) with the second moments of the unit circle."""
    angle = 2 * np.pi * np.arange(corners) / corners
    reach = np.sqrt(3 / (2 + np.cos(2 * np.pi / corners)))
    return np.asarray(np.stack([np.cos(angle), np.sin(angle)], axis=-1) * reach)


def find_centroids(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the centroids (..., 2) of the areas of polygons (..., corners, 2)."""
    x, y = np.moveaxis(outline, -1, 0)
    next_x, next_y = np.roll(x, -1, axis=-1), np.roll(y, -1, axis=-1)
    cross = x * next_y - next_x * y
    area = 3 * cross.sum(axis=-1)
    return np.stack([((x + next_x) * cross).sum(axis=-1) / area, ((y + next_y) * cross).sum(axis=-1) / area], axis=-1)


def pack(model_plane: NDArray[np.float64], distortion: DistortionModel) -> NDArray[np.float64]:
    """Put a model's parameters into one row: eight of the plane, radial, tangential."""
    return np.concatenate([(model_plane / model_plane[2, 2]).ravel()[:PLANE], distortion.radial, distortion.tangential])


def unpack(parameters: NDArray[np.float64], radial_terms: int) -> tuple[NDArray[np.float64], DistortionModel]:
    """Undo `pack`; tangential terms that are not in the row are 0."""
    plane = np.append(parameters[:PLANE], 1.0).reshape(3, 3)
    rest = parameters[PLANE + radial_terms :]
    tangential = rest if len(rest) else np.zeros(2)
    return plane, DistortionModel(radial=parameters[PLANE : PLANE + radial_terms], tangential=tangential)


def differentiate_model(
    parameters: NDArray[np.float64], lattice: NDArray[np.float64], radial_terms: int
) -> NDArray[np.float64]:
    """Return the derivative of places by parameters, (2 n, parameters): all x and y of a disc in turn."""
    plane, distortion = unpack(parameters, radial_terms)
    flat = project(plane, lattice)
    u, v = flat.T
    x, y = lattice.T
    w = x * plane[2, 0] + y * plane[2, 1] + 1
    zero, one = np.zeros_like(x), np.ones_like(x)
    by_plane = (
        np.stack(
            [
                np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=-1),
                np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=-1),
            ],
            axis=1,
        )
        / w[:, None, None]
    )
    square = u * u + v * v
    by_radial = flat[:, :, None] * square[:, None, None] ** np.arange(1, radial_terms + 1)
    parts = [distortion.differentiate(flat) @ by_plane, by_radial]
    if len(parameters) > PLANE + radial_terms:
        by_p1 = np.stack([2 * u * v, square + 2 * v * v], axis=-1)
        by_p2 = np.stack([square + 2 * u * u, 2 * u * v], axis=-1)
        parts.append(np.stack([by_p1, by_p2], axis=-1))
    return np.concatenate(parts, axis=2).reshape(2 * len(lattice), -1)


def fit_lattice(
    lattice: NDArray[np.float64],
    observed: NDArray[np.float64],
    *,
    radial_terms: int,
    tangential: bool,
    weight: NDArray[np.float64] | None = None,
    offset: NDArray[np.float64] | None = None,
) -> LatticeModel:
    """Fit plane and lens together to the discs' places by least squares.

    Parameters
    ----------
    lattice
        (discs, 2): places on the lattice, in its half-extents from its middle.
    observed
        (discs, 2): places in the image, in half-diagonals from its centre.
    radial_terms
        Number of radial terms.
    tangential
        Whether p1 and p2 are fitted; otherwise they are 0.
    weight
        (discs, 2): one over the standard uncertainty of each coordinate; 1 if None.
    offset
        (discs, 2): displacement of a disc's centre from the image of its node; 0 if None.
    """
    target = observed if offset is None else observed - offset
    rate = np.ones_like(target) if weight is None else weight
    rate = rate / np.mean(rate)
    start = np.zeros(PLANE + radial_terms + (2 if tangential else 0))
    start[:6] = _fit_affine(lattice, target).ravel()

    def miss(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        plane, distortion = unpack(parameters, radial_terms)
        return ((distortion.apply(project(plane, lattice)) - target) * rate).ravel()

    def slope(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return differentiate_model(parameters, lattice, radial_terms) * rate.reshape(-1, 1)

    found = least_squares(miss, start, jac=slope, method="lm", xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    design = slope(found)
    covariance = np.linalg.pinv(design.T @ design, hermitian=True)
    plane, distortion = unpack(found, radial_terms)
    return LatticeModel(plane=plane, distortion=distortion, covariance=np.asarray(covariance, np.float64))


def _fit_affine(lattice: NDArray[np.float64], observed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return an affine map (2, 3) fitted to the third of the discs nearest the image centre."""
    near = np.argsort(np.hypot(*observed.T))[: max(len(observed) // 3, 6)]
    design = np.column_stack([lattice[near], np.ones(len(near))])
    if np.linalg.matrix_rank(design) < 3:
        near = np.arange(len(observed))
        design = np.column_stack([lattice, np.ones(len(lattice))])
    return np.asarray(np.linalg.lstsq(design, observed[near], rcond=None)[0].T)
