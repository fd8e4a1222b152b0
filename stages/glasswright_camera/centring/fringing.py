"""Centre of symmetry of a colour's displacement from green."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from glasswright_camera.edges.repeats import Repeats, main_plane
from glasswright_camera.field import image_radius
from glasswright_camera.vignetting.centre import FARTHEST, LEAST_KNOWN, Centre

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_DISCS = 6
"""Twelve coordinates for four parameters."""


def find_colour_centre(repeats: Repeats, colour: str) -> Centre:
    """Fit ``(c1 + c3 |p - p0|^2) (p - p0)`` to a colour's displacements; p0 is the centre.

    The uncertainty is from the residuals. NaN where it exceeds a tenth of the half-diagonal, because the displacements
    are too small, or where the centre would lie outside the frame.
    """
    trace = repeats.traces[0]
    unknown = Centre(x=float("nan"), y=float("nan"), x_u=float("nan"), y_u=float("nan"))
    plane = main_plane(trace)
    if colour not in trace.planes or trace.planes[plane] == colour:
        return unknown
    centre = repeats.stack(lambda t: t.centre_px).mean(axis=0)
    centre = centre[:, np.isfinite(centre[[plane, trace.planes.index(colour)]]).all(axis=(0, 2))]
    if centre.shape[1] < LEAST_DISCS:
        return unknown
    shift = centre[trace.planes.index(colour)] - centre[plane]
    radius = image_radius(centre[plane], trace.width_px, trace.height_px)
    place = radius.unit * radius.fraction[:, None]

    def miss(parameters: Array) -> Array:
        offset = place - parameters[:2]
        square = (offset**2).sum(axis=1, keepdims=True)
        return np.asarray(((parameters[2] + parameters[3] * square) * offset - shift).ravel())

    square = (place**2).sum(axis=1, keepdims=True)
    start = np.linalg.lstsq(np.column_stack([place.ravel(), (square * place).ravel()]), shift.ravel(), rcond=None)[0]
    fit = least_squares(miss, np.concatenate([[0.0, 0.0], start]), method="lm", max_nfev=400)
    slope = np.asarray(fit.jac, dtype=np.float64)
    spread = np.linalg.pinv(slope.T @ slope) * float(fit.fun @ fit.fun) / max(len(fit.fun) - 4, 1)
    found, found_u = fit.x[:2], np.sqrt(np.diag(spread)[:2])
    if not np.isfinite(found_u).all() or np.abs(found).max() > FARTHEST or found_u.max() > LEAST_KNOWN:
        return unknown
    return Centre(x=float(found[0]), y=float(found[1]), x_u=float(found_u[0]), y_u=float(found_u[1]))
