"""Results of fitted models, and their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright_camera.chart.model import Frame, pack, project, unpack
from glasswright_camera.chart.pose import measure_tilt, view_plane
from glasswright_camera.distortion.lines import measure_edge_bend, measure_radial, measure_worst_bend

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright_camera.distortion.fit import TraceFit
    from glasswright_camera.stand import ChartLayout

CURVE = "curve "
"""Prefix of the names of the curve's points among the numbers."""
CURVE_HEIGHTS = np.linspace(0, 1, 21)
STEP = 1e-6
"""Step of the parameters for derivatives; all parameters are of the order of 1 or less."""
ENOUGH_TO_SCATTER = 5
"""Fewest shots from which a scatter is estimated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What is needed beside the parameters to compute the numbers."""

    frame: Frame
    layout: ChartLayout
    pixel_pitch_um: float
    focal_length_mm: float | None
    radial_terms: int


def list_numbers(parameters: NDArray[np.float64], bench: Bench) -> dict[str, float]:
    """Return every number that depends only on a model's parameters."""
    plane, distortion = unpack(parameters, bench.radial_terms)
    frame = bench.frame
    half_width = frame.width_px / 2 / frame.half_diagonal_px
    half_height = frame.height_px / 2 / frame.half_diagonal_px
    edge = measure_edge_bend(distortion, half_width, half_height)
    radial = np.append(distortion.radial, np.zeros(3))
    view = view_plane(plane, frame, bench.layout, bench.pixel_pitch_um)
    tilt = measure_tilt(plane, frame, view.magnification_frac, bench.focal_length_mm, bench.pixel_pitch_um)
    middle = frame.to_px(project(plane, np.zeros(2)))
    curve = measure_radial(distortion, CURVE_HEIGHTS)
    return {
        "picture_height_top_pct": edge["top"],
        "picture_height_bottom_pct": edge["bottom"],
        "picture_width_left_pct": edge["left"],
        "picture_width_right_pct": edge["right"],
        "line_bend_worst_pct": measure_worst_bend(distortion, half_width, half_height),
        "corner_radial_pct": float(curve[-1]),
        "mid_radial_pct": float(measure_radial(distortion, np.array([0.5]))[0]),
        "decentring_worst_pct": 300 * float(np.hypot(*distortion.tangential)),
        "radial_k1_frac": float(radial[0]),
        "radial_k2_frac": float(radial[1]),
        "radial_k3_frac": float(radial[2]),
        "tangential_p1_frac": float(distortion.tangential[0]),
        "tangential_p2_frac": float(distortion.tangential[1]),
        "pose_tilt_x_deg": tilt[0],
        "pose_tilt_y_deg": tilt[1],
        "rotation_deg": view.rotation_deg,
        "centre_x_px": float(middle[0]),
        "centre_y_px": float(middle[1]),
        "magnification_frac": view.magnification_frac,
        **{f"{CURVE}{k}": float(value) for k, value in enumerate(curve)},
    }


def differentiate(
    numbers: Callable[[NDArray[np.float64]], NDArray[np.float64]], parameters: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the derivative (numbers, parameters) by forward differences, which are enough for uncertainties."""
    columns, here = [], numbers(parameters)
    for k in range(len(parameters)):
        step = np.zeros(len(parameters))
        step[k] = STEP
        columns.append((numbers(parameters + step) - here) / STEP)
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Values and standard uncertainties by name."""

    value: Mapping[str, float]
    u: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard uncertainties of a disc's coordinate, in half-diagonals."""

    noise: float
    """From pixel noise, in one shot."""
    common: float
    """The part that all shots share: residuals above noise (errors of the print and of the model), or the stated
    uncertainty of a measured print if that is larger."""


def measure_spread(fits: Sequence[TraceFit]) -> Spread:
    """Split the residuals of the shots into noise, which averages out, and a part common to all shots."""
    noise = float(np.sqrt(np.mean([np.mean(fit.u**2) for fit in fits])))
    parameters = len(pack(fits[0].model.plane, fits[0].model.distortion))
    mean_off = average_by_node([fit.node for fit in fits], [fit.off for fit in fits])[1]
    freedom = max(mean_off.size - parameters, 1)
    scatter = float(np.sum(mean_off**2)) / freedom
    common = float(np.sqrt(max(scatter - noise**2 / len(fits), 0.0)))
    return Spread(noise=noise, common=max(common, fits[0].print_u))


def average_by_node(
    nodes: Sequence[NDArray[np.int64]], values: Sequence[NDArray[np.float64]]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the nodes, sorted by row and column, and the mean of values (discs, ...) over the shots with each node."""
    every, place = np.unique(np.concatenate(nodes)[:, ::-1], axis=0, return_inverse=True)
    total = np.zeros((len(every), *values[0].shape[1:]))
    np.add.at(total, place.ravel(), np.concatenate(values))
    count = np.bincount(place.ravel()).reshape(-1, *[1] * (total.ndim - 1))
    return every[:, ::-1], total / count


def combine_numbers(fits: Sequence[TraceFit], bench: Bench) -> Numbers:
    """Return the mean of the shots' numbers, and each one's standard uncertainty.

    Noise averages out over shots; the part of the residuals above noise does not, as all shots share it. From five
    shots on their scatter counts where it exceeds the noise."""
    spread = measure_spread(fits)
    names: list[str] = []
    rows, noises, commons = [], [], []
    for fit in fits:
        parameters = pack(fit.model.plane, fit.model.distortion)
        found = list_numbers(parameters, bench)
        names = list(found)
        slope = differentiate(lambda at: np.array(list(list_numbers(at, bench).values())), parameters)
        unit = np.einsum("ij,jk,ik->i", slope, fit.model.covariance, slope)
        rows.append(list(found.values()))
        noises.append(unit * spread.noise**2)
        commons.append(unit * spread.common**2)
    values = np.array(rows)
    values[:, names.index("rotation_deg")] = _unwrap(values[:, names.index("rotation_deg")])
    random = np.mean(noises, axis=0) / len(fits)
    if len(fits) >= ENOUGH_TO_SCATTER:
        random = np.maximum(random, values.var(axis=0, ddof=1) / len(fits))
    u = np.sqrt(random + np.mean(commons, axis=0))
    return Numbers(
        value=dict(zip(names, values.mean(axis=0).tolist(), strict=True)), u=dict(zip(names, u.tolist(), strict=True))
    )


def _unwrap(angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return angles in degrees, brought within half a turn of the first."""
    return np.asarray(angle[0] + (angle - angle[0] + 180) % 360 - 180)


def choose_worst(names: Sequence[str], numbers: Numbers) -> tuple[float, float]:
    """Return the value with the largest modulus, with its sign, and its uncertainty."""
    name = max(names, key=lambda each: abs(numbers.value[each]))
    return numbers.value[name], numbers.u[name]
