"""The place of least blur along a scale.

Defocus adds to a blur's variance with its square, so 1/MTF50^2 is a parabola near best focus. Far from it the curve
differs, equally on both sides; a term of the fourth order about the vertex allows for that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_ROWS: Final = 7
SPAN: Final = 4.0
"""Rows with more than this times the least blur are not fitted."""
CERTAIN: Final = 3.0
"""Least curvature of the parabola, in its standard uncertainties."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vertex:
    """The place of least blur, with its standard uncertainty, and the curve fitted about it."""

    place: float
    place_u: float
    blur: float
    """The least blur."""
    square: float
    """Coefficient of the square of the distance from the vertex, in half-widths."""
    fourth: float
    """That of its fourth power."""
    low: float
    """Place of the first fitted row; `high` is that of the last."""
    high: float
    covariance: Array
    """(4, 4): of the least blur, the two coefficients and the vertex, places in half-widths."""

    def at(self, place: Array) -> Array:
        """Return the fitted blur at places."""
        away = (place - self.place) / ((self.high - self.low) / 2)
        return np.asarray(self.blur + self.square * away**2 + self.fourth * away**4)

    def kept_at(self, place: float) -> tuple[float, float]:
        """Return MTF50 at a place over that at the vertex, from the fitted curve, and its standard uncertainty."""
        half = (self.high - self.low) / 2
        found = np.array([self.blur, self.square, self.fourth, self.place / half])

        def keep(at: Array) -> float:
            away = place / half - at[3]
            return float(np.sqrt(at[0] / max(at[0] + at[1] * away**2 + at[2] * away**4, at[0] / 100)))

        step = 1e-4 * np.maximum(np.abs(found), 1e-3)
        slope = np.array([(keep(found + d) - keep(found - d)) / (2 * d.sum()) for d in np.diag(step)])
        # near the vertex the slope vanishes: the vertex's uncertainty acts to second order
        second = self.square / self.blur * (self.place_u / half) ** 2 / 2
        return keep(found), float(np.hypot(np.sqrt(max(slope @ self.covariance @ slope, 0.0)), second))


def find_vertex(place: Array, blur: Array, blur_u: Array, what: str) -> Vertex:
    """Fit ``a + c (x - v)^2 + e (x - v)^4`` to blur along a scale.

    Parameters
    ----------
    place
        (rows,) ascending, the far end positive.
    blur, blur_u
        (rows,): 1/MTF50^2 and its standard uncertainty from pixel noise. The vertex's uncertainty is the larger of
        those from this noise and from the residuals.
    what
        Name of the plane, for messages.

    Raises
    ------
    Unmeasurable
        Too few rows, a blur that does not change enough, or a vertex outside the scale: the message says on which side.
    """
    if len(place) < LEAST_ROWS:
        raise Unmeasurable(
            f"{format_count(len(place), 'row')} of the ramp can be used in {what}; {LEAST_ROWS} are needed"
        )
    near = _choose_rows(place, blur)
    x, y = place[near], blur[near]
    middle, half = float(x.mean()), float(np.ptp(x)) / 2
    t = (x - middle) / half
    curve, spread = _parabola(t, y, float(np.mean(blur_u[near] ** 2)))
    _refuse_unbent(curve, spread, place, blur, what)
    vertex = float(np.clip(-curve[1] / (2 * curve[2]), -3, 3))
    vertex, covariance, weight = _refine(t, y, vertex, blur_u[near] ** 2)
    found = middle + half * vertex
    if not place.min() < found < place.max():
        raise Unmeasurable(_outside(what, is_far=found > 0))
    least, square, fourth = (float(each) for each in weight)
    return Vertex(
        place=found,
        place_u=half * float(np.sqrt(covariance[3, 3])),
        blur=least,
        square=square,
        fourth=fourth,
        low=float(x.min()),
        high=float(x.max()),
        covariance=covariance,
    )


def _choose_rows(place: Array, blur: Array) -> NDArray[np.bool_]:
    """Return which rows are fitted: those about the least blur, at least LEAST_ROWS."""
    smooth = np.convolve(np.pad(blur, 1, mode="edge"), np.ones(3) / 3, mode="valid")
    near: NDArray[np.bool_] = blur <= SPAN * float(smooth.min())
    if near.sum() < LEAST_ROWS:
        near[np.argsort(np.abs(place - place[np.argmin(smooth)]))[:LEAST_ROWS]] = True
    return near


def _parabola(t: Array, y: Array, variance: float) -> tuple[Array, Array]:
    """Return the coefficients of a fitted parabola and their covariance."""
    basis = np.column_stack([np.ones_like(t), t, t**2])
    inverse = np.linalg.inv(basis.T @ basis)
    weight = inverse @ basis.T @ y
    residual = float(((basis @ weight - y) ** 2).sum() / (len(t) - 3))
    return weight, inverse * max(residual, variance)


def _refuse_unbent(curve: Array, spread: Array, place: Array, blur: Array, what: str) -> None:
    """Raise Unmeasurable if the blur has no minimum: it falls to one side, or hardly changes."""
    if curve[2] > CERTAIN * np.sqrt(spread[2, 2]):
        return
    if abs(curve[1]) > CERTAIN * np.sqrt(spread[1, 1]):
        raise Unmeasurable(_outside(what, is_far=bool(blur[place.argmax()] < blur[place.argmin()])))
    raise Unmeasurable(
        f"the blur in {what} hardly changes along the ramp (least to most {blur.min() ** -0.5:.3f} to "
        f"{blur.max() ** -0.5:.3f} cycles/pixel): open the aperture, or come nearer with the board"
    )


def _outside(what: str, *, is_far: bool) -> str:
    """Return the message for best focus outside the scale, with the side."""
    side = "behind the far end" if is_far else "in front of the near end"
    return f"best focus in {what} lies outside the ramp's scale, {side}; adjust the focus and shoot the ramp again"


def _refine(t: Array, y: Array, vertex: float, variance: Array) -> tuple[float, Array, Array]:
    """Fit the curve about a free vertex (Gauss-Newton); return vertex, covariance and coefficients."""
    covariance: Array = np.eye(4)
    weight: Array = np.zeros(3)
    for _ in range(12):
        u = t - vertex
        even = np.column_stack([np.ones_like(u), u**2, u**4])
        weight = np.asarray(np.linalg.lstsq(even, y, rcond=None)[0], dtype=np.float64)
        full = np.column_stack([even, -(2 * weight[1] * u + 4 * weight[2] * u**3)])
        solution = np.linalg.lstsq(full, y, rcond=None)[0]
        step = float(np.clip(solution[3], -0.5, 0.5))
        # each row has its own noise; all are scaled where the residuals are significantly larger
        freedom = max(len(t) - 4, 1)
        excess = float(((full @ solution - y) ** 2 / variance).sum() / freedom)
        solve = np.linalg.pinv(full)
        covariance = np.asarray((solve * variance) @ solve.T)
        covariance = covariance * (excess if excess > 1 + 2 * np.sqrt(2 / freedom) else 1.0)
        vertex += step
        if abs(step) < 1e-6 or abs(vertex) > 3:
            break
    return vertex, covariance, weight
