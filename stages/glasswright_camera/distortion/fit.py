"""Fit of pose and lens to one trace, with a correction for the discs' finite size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable, format_against
from glasswright_camera.chart.model import LatticeModel, draw_circle, find_centroids, fit_lattice
from glasswright_camera.chart.pose import flatten_nodes, half_extent_mm, to_lattice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.chart.model import Frame
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import ChartLayout

CORNERS = 64
ROUNDS = 3
OUTLIER_SIGMAS = 6.0
OUTLIER_LEAST_PX = 0.1
"""A disc nearer to the fit than this is never left out."""
FEWEST_KEPT = 0.6
LEAST_U_PX = 0.003
"""Least uncertainty of a centre where the print was not measured; else the layout has `node_u_mm`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFit:
    """One trace's discs and the model fitted to them; places in half-diagonals from the image centre."""

    node: NDArray[np.int64]
    """(discs, 2): the discs used."""
    lattice: NDArray[np.float64]
    """(discs, 2): places on the lattice, in its half-extents, corrected for measured heights."""
    observed: NDArray[np.float64]
    """(discs, 2): centres, corrected for the discs' finite size."""
    u: NDArray[np.float64]
    """(discs, 2): standard uncertainty from noise."""
    off: NDArray[np.float64]
    """(discs, 2): residuals, measured less fitted."""
    model: LatticeModel
    print_u: float
    """Standard uncertainty of a node's place on the print, as imaged; all shots share it."""
    left_out: int


def choose_plane(planes: tuple[str, ...]) -> int:
    """Return the index of the plane used for geometry: green, else white, else the first."""
    for name in ("green", "white"):
        if name in planes:
            return planes.index(name)
    return 0


def fit_trace(trace: Trace, layout: ChartLayout, frame: Frame, radial_terms: int, fewest: int) -> TraceFit:
    """Fit plane and lens to one trace's disc centres.

    A disc's centre on the sensor is not the image of its middle: perspective moves it by
    r^2 sin(t) cos(t) / f (Ahn, Warnecke & Rauh 1999) and distortion by about 3 k x r^2. Both are corrected: the disc's
    outline is mapped by the fitted model, and its centroid compared with the image of the middle.

    Parameters
    ----------
    trace
        Its centres in the plane of `choose_plane` are used, weighted by their uncertainty.
    layout
        The chart.
    frame
        The sensor.
    radial_terms
        Number of radial terms.
    fewest
        Fewest discs with a centre.

    Raises
    ------
    Unmeasurable
        If too few discs have a centre, or many lie off the fit.
    """
    plane = choose_plane(trace.planes)
    centre, noise = trace.centre_px[plane], trace.centre_u_px[plane]
    good = np.isfinite(centre).all(axis=1) & np.isfinite(noise).all(axis=1)
    if good.sum() < fewest:
        message = (
            f"{trace.shot}: {good.sum()} discs have a centre in the {trace.planes[plane]} plane, {fewest} are needed "
            f"to separate the chart's pose from the lens ({len(good)} discs were traced)"
        )
        raise Unmeasurable(message)
    radius = measure_disc_radii(trace.node, layout)
    lattice, observed = to_lattice(trace.node, layout), frame.from_px(centre)
    u = np.hypot(noise, 0.0 if layout.nodes_mm else LEAST_U_PX) / frame.half_diagonal_px
    lattice = _correct_heights(trace, layout, lattice, observed, good, radial_terms)
    while True:
        model, offset = _fit_with_offset(lattice[good], observed[good], u[good], radius[good], radial_terms)
        off = np.full_like(observed, np.nan)
        off[good] = observed[good] - offset - model.place(lattice[good])
        size = np.hypot(*off[good].T)
        limit = max(OUTLIER_SIGMAS * float(np.median(size)), OUTLIER_LEAST_PX / frame.half_diagonal_px)
        if size.max() <= limit:
            break
        good[np.flatnonzero(good)[size > limit]] = False
        if good.sum() < FEWEST_KEPT * len(good):
            worst = size.max() * frame.half_diagonal_px
            message = (
                f"{trace.shot}: {np.sum(~good)} of {len(good)} discs have no centre or do not fit a lattice imaged by "
                f"a lens (by up to {worst:.1f} px); is the chart flat and whole?"
            )
            raise Unmeasurable(message)
    return TraceFit(
        node=trace.node[good],
        lattice=lattice[good],
        observed=observed[good] - offset,
        u=u[good],
        off=off[good],
        model=model,
        print_u=layout.node_u_mm / half_extent_mm(layout) * float(np.sqrt(abs(np.linalg.det(model.plane[:2, :2])))),
        left_out=int(np.sum(~good)),
    )


def _correct_heights(
    trace: Trace,
    layout: ChartLayout,
    lattice: NDArray[np.float64],
    observed: NDArray[np.float64],
    good: NDArray[np.bool_],
    radial_terms: int,
) -> NDArray[np.float64]:
    """Return places on the lattice corrected for measured heights; unchanged without heights or a focal length."""
    focal_length = trace.setting.focal_length_mm if trace.setting else None
    if not layout.nodes_mm or focal_length is None:
        return lattice
    model = fit_lattice(lattice[good], observed[good], radial_terms=radial_terms, tangential=True)
    return flatten_nodes(trace.node, layout, model.plane, focal_length * (1 + 1 / trace.magnification_frac))


def require_reach(fits: Sequence[TraceFit], least: float) -> float:
    """Return the image height that the discs of every shot reach, in half-diagonals.

    Raises
    ------
    Unmeasurable
        If it is less than `least`.
    """
    reach = min(float(np.hypot(*fit.observed.T).max()) for fit in fits)
    if reach < least:
        message = (
            f"the discs reach only to {format_against(reach, least, '.3f')} of the half-diagonal, {least:g} is needed; "
            "fill the frame with the chart"
        )
        raise Unmeasurable(message)
    return reach


def measure_residual(fits: Sequence[TraceFit]) -> float:
    """Return the rms residual of a coordinate over all shots, in half-diagonals."""
    return float(np.sqrt(np.mean(np.concatenate([fit.off for fit in fits]) ** 2)))


def measure_disc_radii(node: NDArray[np.int64], layout: ChartLayout) -> NDArray[np.float64]:
    """Return each disc's radius (n,) in half-extents of the lattice."""
    radius = np.full(len(node), layout.disc_diameter_mm / 2)
    for mark in layout.marks:
        if mark.kind == "large":
            radius[(node == (mark.column, mark.row)).all(axis=1)] = layout.large_diameter_mm / 2
    return radius / half_extent_mm(layout)


def _fit_with_offset(
    lattice: NDArray[np.float64],
    observed: NDArray[np.float64],
    u: NDArray[np.float64],
    radius: NDArray[np.float64],
    radial_terms: int,
) -> tuple[LatticeModel, NDArray[np.float64]]:
    """Return the model and the shifts of the centres by the discs' size; the shifts are small and converge at once."""
    offset = np.zeros_like(observed)
    for _ in range(ROUNDS):
        model = fit_lattice(lattice, observed, radial_terms=radial_terms, tangential=True, weight=1 / u, offset=offset)
        offset = measure_centre_shift(model, lattice, radius)
    return model, offset


def measure_centre_shift(
    model: LatticeModel, lattice: NDArray[np.float64], radius: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the centroid of each disc's image less the image of its middle, (discs, 2).

    Parameters
    ----------
    model
        Plane and lens.
    lattice
        (discs, 2): the discs' middles on the lattice.
    radius
        (discs,): their radii in the same unit.
    """
    middle = model.place(lattice)
    rim = model.place(lattice[:, None] + radius[:, None, None] * draw_circle(CORNERS))
    return find_centroids(rim - middle[:, None])
