"""Best focus of a series: the vertex of blur against focus step.

Defocus adds to the variance of a blur with its square, so 1/MTF50^2 runs as a parabola near its least value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_STEPS: Final = 5
SPAN: Final = 3.0
"""Steps with more than this times the least blur variance tell of other things than focus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusCurve:
    """A parabola ``a + b (x - middle) + c (x - middle)^2`` through blur, and its covariance."""

    middle: float
    weight: Array
    covariance: Array

    @property
    def vertex(self) -> float:
        """Where the blur is least."""
        return float(self.middle - self.weight[1] / (2 * self.weight[2]))

    @property
    def vertex_u(self) -> float:
        """Standard uncertainty of the vertex."""
        slope = np.array([0.0, -1 / (2 * self.weight[2]), self.weight[1] / (2 * self.weight[2] ** 2)])
        return float(np.sqrt(slope @ self.covariance @ slope))

    def at(self, step: float) -> tuple[float, float]:
        """Blur at a step, and its standard uncertainty."""
        basis = np.array([1.0, step - self.middle, (step - self.middle) ** 2])
        return float(basis @ self.weight), float(np.sqrt(basis @ self.covariance @ basis))


def focus_curve(step: Array, blur: Array, blur_u: Array, about: float | None = None) -> FocusCurve:
    """Fit the parabola to the steps near the least blur, or near the step `about`.

    The uncertainty is the larger of what `blur_u` and what the residuals say.
    """
    centre = float(step[np.argmin(blur)]) if about is None else about
    level = blur.min() if about is None else float(np.interp(centre, step, blur))
    near = (blur <= SPAN * level) & (np.abs(step - centre) <= np.ptp(step))
    if near.sum() < LEAST_STEPS:
        near = np.argsort(np.abs(step - centre)) < 0
        near[np.argsort(np.abs(step - centre))[:LEAST_STEPS]] = True
    x = step[near] - centre
    basis = np.column_stack([np.ones_like(x), x, x**2])
    inverse = np.linalg.inv(basis.T @ basis)
    weight = inverse @ basis.T @ blur[near]
    freedom = max(len(x) - 3, 1)
    residual = float(((basis @ weight - blur[near]) ** 2).sum() / freedom)
    spread = max(residual, float(np.mean(blur_u[near] ** 2)))
    return FocusCurve(middle=centre, weight=weight, covariance=np.asarray(inverse * spread, dtype=np.float64))


def best_focus(step: Array, blur: Array, blur_u: Array, what: str) -> FocusCurve:
    """Fit the parabola and insist that its vertex lies within the series.

    Raises
    ------
    Unmeasurable
        The series never passes through best focus; the message says on which side it lies.
    """
    if len(step) < LEAST_STEPS:
        raise Unmeasurable(f"the focus series has {len(step)} steps that can be used; {LEAST_STEPS} are needed")
    curve = focus_curve(step, blur, blur_u)
    if curve.weight[2] <= 0 or not step.min() < curve.vertex < step.max():
        first = blur[step.argmin()] < blur[step.argmax()]
        raise Unmeasurable(
            f"best focus of {what} lies outside the focus series, beyond its {'first' if first else 'last'} step; "
            "shoot the series again about the sharpest step"
        )
    return curve
