"""Separate the even source from lens and sensor, from flats with the source turned, shifted and tilted.

Pure mathematics. A flat is the product of the source's map and the map of lens and sensor. If the source is moved, its
map moves and the other stays (multi-position error separation: Evans, Hocken and Estler, CIRP Annals 45/2, 1996,
617-634). Turns alone cannot separate rotationally symmetric parts. Shifts alone leave two gradients undetermined.
Without tilts, the source's emission by angle is assigned to the lens. Lens and sensor are not separated, since the lens
mounts one way only.

Places are in half-diagonals from the frame's centre, light in EV.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.polynomial import legendre
from scipy.spatial.transform import Rotation

from glasswright import Unmeasurable, format_count
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

DEGREE: Final = 6
"""Total degree in x and y of both polynomials: source, and lens with sensor."""
REACH: Final = 1.4
"""Domain of the polynomials in half-diagonals: shifts bring parts of the source beyond the frame into it."""
ANGLES: Final = 2
"""Number of terms of the emission by angle: sine squared and its square."""
PRIOR_EV: Final = 1.0
"""Prior standard deviation of a term of the source."""
LENS_PRIOR_EV: Final = 4.0
"""Prior standard deviation of a term of lens and sensor. It is wider: lenses lose up to 4 EV, and a part that cannot be
separated belongs to the lens rather than to a source made to be even."""
ROUNDS: Final = 6
REJECT_BEYOND: Final = 6.0
"""Times a block is left out, at most, and robust standard deviations from which it is: by chance one block in 5e8."""
UNKNOWN_EV: Final = 0.01
"""A part of the source that is known less well is named. Chosen: three times what a corner's loss may be off by."""
LEAST_U_EV: Final = 2e-4
"""Least standard uncertainty of a block's mean: blooming, reflections, changes of the lamp's distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Position of the source before the camera in one shot, with standard uncertainties."""

    turn_deg: float = 0.0
    """Clockwise, seen from the camera."""
    shift: tuple[float, float] = (0.0, 0.0)
    """Right and down, in half-diagonals."""
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    """About x, lower edge away; about y, right edge towards the camera."""
    turn_u_deg: float = 0.3
    shift_u: float = 0.003
    tilt_u_deg: float = 0.2

    def as_row(self) -> Array:
        """Return turn and tilts in degrees, shifts in half-diagonals."""
        return np.array([self.turn_deg, *self.shift, *self.tilt_deg])

    def u(self) -> Array:
        """Return the standard uncertainties of `as_row`."""
        return np.array([self.turn_u_deg, self.shift_u, self.shift_u, self.tilt_u_deg, self.tilt_u_deg])


@dataclass(frozen=True, slots=True, kw_only=True)
class Flat:
    """Block means of one colour plane of a flat."""

    place: Array
    """(blocks, 2)."""
    light_ev: Array
    """(blocks,): logarithm to base two, up to a constant."""
    u_ev: Array
    placement: Placement


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceParts:
    """Fitted maps of the source and of lens and sensor, with covariance."""

    terms: Array
    """Coefficients in EV: source by place (`list_terms`), source by angle, lens and sensor."""
    covariance: Array
    field_tan: float
    """Tangent of the field angle at a half-diagonal."""
    scatter_ratio: float
    left_out: int
    placements: Array = field(default_factory=lambda: np.zeros((0, 5)))
    """(shots, 5): positions of the source after adjustment."""

    @property
    def count(self) -> int:
        """Number of terms by place."""
        return len(list_orders())

    def map_place(self, place: Array) -> tuple[Array, Array]:
        """Return the source by place at places (n, 2), EV relative to the centre, and its standard uncertainty."""
        design = list_terms(place) - list_terms(np.zeros((1, 2)))
        covariance = self.covariance[: self.count, : self.count]
        return design @ self.terms[: self.count], np.sqrt(np.einsum("ij,jk,ik->i", design, covariance, design))

    def map_source(self, place: Array) -> tuple[Array, Array]:
        """Return the source by place and angle at places (n, 2), EV relative to the centre, and its uncertainty."""
        design = np.hstack([list_terms(place) - list_terms(np.zeros((1, 2))), list_angles(place, self.field_tan)])
        size = design.shape[1]
        return design @ self.terms[:size], np.sqrt(
            np.einsum("ij,jk,ik->i", design, self.covariance[:size, :size], design)
        )

    def list_unknown(self) -> tuple[str, ...]:
        """Return a line for each part of the source that the shots do not determine."""
        rim = np.array([[0.8, 0.0], [-0.8, 0.0], [0.0, 0.55], [0.0, -0.55]])
        terms = list_terms(rim) - list_terms(np.zeros((1, 2)))
        ways = {
            "the source's gradient across": (terms[0] - terms[1]) / 2,
            "the source's gradient down": (terms[2] - terms[3]) / 2,
            "the source's rotationally symmetric part": terms.mean(axis=0),
        }
        u = {
            name: float(np.sqrt(way @ self.covariance[: self.count, : self.count] @ way)) for name, way in ways.items()
        }
        angle = list_angles(np.array([[0.8, 0.55]]), self.field_tan)[0]
        part = slice(self.count, self.count + ANGLES)
        u["the source's emission by angle"] = float(np.sqrt(angle @ self.covariance[part, part] @ angle))
        return tuple(f"{name} (u = {value:.2g} EV)" for name, value in u.items() if value > UNKNOWN_EV)


def list_orders() -> list[tuple[int, int]]:
    """Return the orders in x and y of the terms by place, without the constant, which each shot has separately."""
    return [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i) if i + j > 0]


def list_terms(place: Array) -> Array:
    """Return the terms by place at places (n, 2): products of Legendre polynomials."""
    x, y = (legendre.legvander(each / REACH, DEGREE) for each in place.T)
    return np.column_stack([x[:, i] * y[:, j] for i, j in list_orders()])


def list_angles(place: Array, field_tan: float, tilt_deg: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Return the terms of emission by angle, (n, ANGLES): powers of the sine squared between ray and normal."""
    ray = np.column_stack([place * field_tan, np.ones(len(place))])
    normal = turn_source(tilt_deg)[:, 2]
    cosine_square = (ray @ normal) ** 2 / np.sum(ray**2, axis=1)
    return np.asarray((1 - cosine_square)[:, None] ** np.arange(1, ANGLES + 1))


def turn_source(tilt_deg: tuple[float, float]) -> Array:
    """Return the 3 x 3 rotation that tilts the source."""
    return np.asarray(Rotation.from_euler("yx", [tilt_deg[1], tilt_deg[0]], degrees=True).as_matrix())


def project_to_source(place: Array, placement: Array, field_tan: float) -> Array:
    """Return the places on the source seen at places (n, 2) of the frame, in half-diagonals of the unmoved source."""
    turn_deg, *shift = placement[:3]
    axes = turn_source((placement[3], placement[4]))
    ray = np.column_stack([place * field_tan, np.ones(len(place))])
    met = ray * (axes[2, 2] / (ray @ axes[:, 2]))[:, None] - [0.0, 0.0, 1.0]
    flat = np.column_stack([met @ axes[:, 0], met @ axes[:, 1]]) / field_tan - shift
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return np.asarray(flat @ turn.T)


def separate_source(flats: Sequence[Flat], field_tan: float) -> SourceParts:
    """Separate the source from lens and sensor.

    Levels, terms and small corrections of the placements are the unknowns of one least-squares problem; each correction
    has a prior. The problem is linearised about the noted placements, with slopes from the last round's terms. Slopes
    at the corrected placements would favour uneven sources, to which the same scatter is a smaller error of placement:
    corners were too dark by a third of their uncertainty.

    Parameters
    ----------
    flats
        Preferably eight or more, with the source turned in some, shifted in some and tilted in some.
    field_tan
        Tangent of the field angle at a half-diagonal.

    Raises
    ------
    Unmeasurable
        With fewer than four flats.
    """
    if len(flats) < 4:
        raise Unmeasurable(
            f"{format_count(len(flats), 'flat')}, at least 4 are needed, better 12: turn, shift and tilt the source"
        )
    placements = np.array([flat.placement.as_row() for flat in flats])
    kept = [np.ones(len(flat.light_ev), dtype=bool) for flat in flats]
    count = len(list_orders())
    terms: Array = np.zeros(2 * count + ANGLES)
    for number in range(ROUNDS):
        design, target, sizes = _lay_problem(flats, kept, placements, terms, field_tan, known=number > 0)
        found = np.linalg.lstsq(design, target, rcond=None)[0]
        terms = np.asarray(found[: len(terms)], np.float64)
        if number == 2:
            kept = _reject(flats, kept, target - design @ found, sizes)
    off = target - design @ found
    freedom = sum(sizes) - 2 * count - ANGLES - len(flats)
    ratio = float(np.sqrt(np.sum(off[: sum(sizes)] ** 2) / freedom))
    covariance = np.linalg.inv(design.T @ design)[: len(terms), : len(terms)] * max(ratio, 1.0) ** 2
    return SourceParts(
        terms=terms,
        covariance=np.asarray(covariance, np.float64),
        field_tan=field_tan,
        scatter_ratio=ratio,
        left_out=sum(int(np.sum(~each)) for each in kept),
        placements=placements + found[len(terms) + len(flats) :].reshape(-1, 5),
    )


def _lay_problem(
    flats: Sequence[Flat],
    kept: Sequence[NDArray[np.bool_]],
    placements: Array,
    terms: Array,
    field_tan: float,
    *,
    known: bool,
) -> tuple[Array, Array, list[int]]:
    """Return the rows of all blocks, then the priors of terms and placements, all divided by their uncertainty."""
    shots, count = len(flats), len(terms)
    columns = count + shots + (5 * shots if known else 0)
    rows, targets, sizes = [], [], []
    for number, (flat, good) in enumerate(zip(flats, kept, strict=True)):
        place = flat.place[good]
        u = np.hypot(flat.u_ev[good], LEAST_U_EV)
        part = np.zeros((len(place), columns))
        part[:, :count] = _shot_terms(place, placements[number], field_tan)
        part[:, count + number] = 1.0
        if known:
            at = count + shots + 5 * number
            part[:, at : at + 5] = _slope_by_placement(place, placements[number], terms, field_tan)
        rows.append(part / u[:, None])
        targets.append(flat.light_ev[good] / u)
        sizes.append(len(place))
    prior = np.full(count, PRIOR_EV)
    prior[len(list_orders()) + ANGLES :] = LENS_PRIOR_EV
    held = np.zeros((count, columns))
    held[:, :count] = np.diag(1 / prior)
    rows.append(held)
    targets.append(np.zeros(count))
    if known:
        u = np.array([flat.placement.u() for flat in flats])
        held = np.zeros((5 * shots, columns))
        held[:, count + shots :] = np.diag(1 / u.ravel())
        rows.append(held)
        targets.append(np.zeros(u.size))
    return np.vstack(rows), np.concatenate(targets), sizes


def _shot_terms(place: Array, placement: Array, field_tan: float) -> Array:
    tilt = (float(placement[3]), float(placement[4]))
    return np.hstack(
        [
            list_terms(project_to_source(place, placement, field_tan)),
            list_angles(place, field_tan, tilt),
            list_terms(place),
        ]
    )


def _slope_by_placement(place: Array, placement: Array, terms: Array, field_tan: float) -> Array:
    steps = np.array([0.05, 1e-3, 1e-3, 0.05, 0.05])
    return np.column_stack(
        [
            (_shot_terms(place, placement + step, field_tan) - _shot_terms(place, placement - step, field_tan))
            @ terms
            / (2 * step.max())
            for step in np.diag(steps)
        ]
    )


def _reject(
    flats: Sequence[Flat], kept: Sequence[NDArray[np.bool_]], off: Array, sizes: Sequence[int]
) -> list[NDArray[np.bool_]]:
    """Reject blocks far off the smooth fit, such as dust."""
    spread = robust_sigma(off[: sum(sizes)], about=0.0)
    found, start = [], 0
    for flat, good, size in zip(flats, kept, sizes, strict=True):
        far = np.abs(off[start : start + size]) > REJECT_BEYOND * spread
        better = np.zeros(len(flat.light_ev), dtype=bool)
        better[np.flatnonzero(good)[~far]] = True
        found.append(better)
        start += size
    return found
