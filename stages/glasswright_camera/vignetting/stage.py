"""The stage that measures the light lost towards the corners."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np

from glasswright import Artefact, NonNegative, Unmeasurable, stage
from glasswright_camera.extremes import extreme_u
from glasswright_camera.light.flat import FlatField
from glasswright_camera.light.source_map import sample_source
from glasswright_camera.monochrome import leave_out_colours
from glasswright_camera.stand import Fraction, Stand
from glasswright_camera.vignetting.box import Box, mean_over_box
from glasswright_camera.vignetting.centre import Centre, find_centre

if TYPE_CHECKING:
    from numpy.typing import NDArray

CORNERS = ("upper left", "upper right", "lower left", "lower right")

DIAGONALS = np.array([0.5, -0.5, -0.5, 0.5])
"""Weights of the corners in the order of `CORNERS`: one diagonal's mean less the other's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Falloff(Artefact):
    """Light lost towards the corners of an evenly lit frame.

    Losses are of the green plane (or the only one). A corner's loss is that of the mean light over a box of 5 % of the
    frame's width and height (`corner_box_frac`) in the corner against the same box at the frame's centre. The extreme
    corner is the outermost block of the light map, 1 % of the frame's width. Positive where it is darker. Corners are
    named by the sensor's rows and columns, not by the scene.
    """

    worst_corner_loss_ev: float
    """Largest of the four."""
    worst_corner_loss_ev_u: float
    mean_corner_loss_ev: float
    """Mean of the four."""
    mean_corner_loss_ev_u: float
    upper_left_loss_ev: float
    upper_left_loss_ev_u: float
    upper_right_loss_ev: float
    upper_right_loss_ev_u: float
    lower_left_loss_ev: float
    lower_left_loss_ev_u: float
    lower_right_loss_ev: float
    lower_right_loss_ev_u: float
    asymmetry_ev: NonNegative
    """Largest less smallest corner loss."""
    asymmetry_ev_u: float
    diagonals_ev: NonNegative
    """Modulus of the mean loss of two opposite corners less that of the other two: 0 for falloff about a shifted
    centre, not for something that shades one corner."""
    diagonals_ev_u: float
    red_shading_ev: float
    """Mean corner loss of red less that of green: positive where the corners turn cyan. NaN without colours."""
    red_shading_ev_u: float
    blue_shading_ev: float
    """Mean corner loss of blue less that of green: positive where the corners turn yellow. NaN without colours."""
    blue_shading_ev_u: float
    centre_x_frac: float
    """Centre of symmetry from the frame's centre in half-diagonals, right positive. NaN where it was not found."""
    centre_x_frac_u: float
    centre_y_frac: float
    """Likewise, down positive."""
    centre_y_frac_u: float
    worst_corner: str
    plane: str
    """The plane of the losses."""
    shot_count: int
    extreme_corner_loss_ev: float = nan
    """Largest of the four extreme corners: a clipped corner is far darker there than its box is on the mean. NaN where
    an outermost block has no good light."""
    extreme_corner_loss_ev_u: float = nan
    extreme_beyond_box_ev: float = nan
    """The extreme corner's loss less that of its own box, the largest of the four."""
    extreme_beyond_box_ev_u: float = nan
    extreme_corner: str = ""
    """Where `extreme_corner_loss_ev` is."""


@stage
def measure_vignetting(flat: FlatField, stand: Stand, *, corner_box_frac: Fraction = 0.05) -> Falloff:
    """Measure the light lost in the four corners of an evenly lit frame, and the falloff's centre of symmetry.

    The loss is -log2 of the mean light over a box in the corner over that of the same box at the frame's centre, after
    division by the diffuse source's own unevenness.

    Parameters
    ----------
    flat
        The gain map of shots of the diffuse source.
    stand
        For the source's map and its light by angle, if they were measured.
    corner_box_frac
        Width of the corner box over the frame's width, and height over height.

    Raises
    ------
    Unmeasurable
        Where the shots are not of the diffuse source, or a corner has no light at all.
    """
    if flat.role == "panel":
        raise Unmeasurable("vignetting is measured from shots of the diffuse source; a panel's light is not even")
    grid = lay_points(flat)
    even = flat.gain.astype(np.float64)
    notes: tuple[str, ...] = ()
    if stand.source_map is None:
        notes = ("the stand has no source map: the source's own unevenness is part of these numbers",)
    else:
        even = even / sample_source(stand.source_map, grid.x / grid.size[0], grid.y / grid.size[1])
    even = even / find_emission(flat, stand, grid)
    corners = [
        measure_corners(even[index], flat.gain_u[index].astype(np.float64), grid.size, corner_box_frac)
        for index in range(len(flat.planes))
    ]
    plane = flat.planes.index("green") if "green" in flat.planes else 0
    extreme = read_extreme_corners(flat, plane, even[plane] / flat.gain[plane], corners[plane])
    centre = find_centre(even[plane].ravel(), grid.from_centre_x.ravel(), grid.from_centre_y.ravel())
    if np.isnan(centre.x):
        notes = (*notes, "the falloff is too small, or too uneven, to have a centre")
    return make_falloff(flat, corners, plane, centre, extreme, notes)


def read_extreme_corners(
    flat: FlatField, plane: int, correction: NDArray[np.float64], corners: CornerLoss
) -> dict[str, Any]:
    """Return the fields of the extreme corners.

    The outermost blocks are used, since a smooth map cannot follow a shadow's edge that ends in a corner.

    Parameters
    ----------
    correction
        (rows, columns): factor by which the map was corrected for the source's unevenness.
    """
    if plane >= len(flat.corner_gain) or not (flat.corner_gain[plane] > 0).all():
        return {}
    gain = flat.corner_gain[plane] * correction[[0, 0, -1, -1], [0, -1, 0, -1]]
    loss = corners.centre_loss - np.log2(gain)
    own_u = flat.corner_gain_u[plane] / flat.corner_gain[plane] / np.log(2)
    u = np.hypot(own_u, corners.centre_u)
    beyond, beyond_u = loss - corners.loss, np.hypot(own_u, corners.own_u)
    worst, most = int(loss.argmax()), int(beyond.argmax())
    return {
        "extreme_corner_loss_ev": float(loss[worst]),
        "extreme_corner_loss_ev_u": extreme_u(loss, u, worst),
        "extreme_beyond_box_ev": float(beyond[most]),
        "extreme_beyond_box_ev_u": extreme_u(beyond, beyond_u, most),
        "extreme_corner": CORNERS[worst],
    }


def find_emission(flat: FlatField, stand: Stand, grid: Points) -> NDArray[np.float64]:
    """Return the light that the source emits towards each point, 1 along its normal.

    Raises
    ------
    Unmeasurable
        If the stand has the source's light by angle, but the focal length is not known.
    """
    if stand.source_angle_ev is None:
        return np.ones_like(grid.x)
    focal_length = flat.setting.focal_length_mm if flat.setting else None
    if focal_length is None:
        raise Unmeasurable(
            "the source's light by angle is known, but the flat's focal length is not: give it in ticket.yaml"
        )
    reach_mm = np.hypot(flat.width_px, flat.height_px) / 2 * stand.sensor.pixel_pitch_um / 1000
    tangent_square = (grid.from_centre_x**2 + grid.from_centre_y**2) * (reach_mm / focal_length) ** 2
    sine_square = tangent_square / (1 + tangent_square)
    first, second = stand.source_angle_ev
    return np.asarray(np.exp2(first * sine_square + second * sine_square**2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Places of a gain map's points, in blocks from the frame's upper left corner."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    size: tuple[float, float]

    @property
    def from_centre_x(self) -> NDArray[np.float64]:
        """In half-diagonals."""
        return np.asarray((self.x - self.size[0] / 2) / (np.hypot(*self.size) / 2))

    @property
    def from_centre_y(self) -> NDArray[np.float64]:
        """In half-diagonals."""
        return np.asarray((self.y - self.size[1] / 2) / (np.hypot(*self.size) / 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerLoss:
    """Loss of the four corners of a plane, EV, in the order of `CORNERS`."""

    loss: NDArray[np.float64]
    own_u: NDArray[np.float64]
    """Standard uncertainty of each corner."""
    centre_u: float
    """That of the level at the frame's centre, common to all."""
    centre_loss: float
    """Log2 of the mean gain over the box at the frame's centre."""

    @property
    def mean(self) -> float:
        """Mean loss."""
        return float(self.loss.mean())

    @property
    def mean_u(self) -> float:
        """Standard uncertainty of the mean; the corners' own parts are not reduced, as their scatter may be common."""
        return float(np.hypot(self.own_u.mean(), self.centre_u))


def lay_points(flat: FlatField) -> Points:
    """Return the points of a gain map."""
    rows, columns = flat.gain.shape[1:]
    y, x = np.meshgrid(np.arange(rows) + 0.5, np.arange(columns) + 0.5, indexing="ij")
    return Points(x=x, y=y, size=(flat.width_px / flat.block_px, flat.height_px / flat.block_px))


def measure_corners(
    gain: NDArray[np.float64], gain_u: NDArray[np.float64], size: tuple[float, float], box_frac: float
) -> CornerLoss:
    """Return the corners' losses of one plane.

    Raises
    ------
    Unmeasurable
        Where a corner has no light above black.
    """
    width, height = box_frac * size[0], box_frac * size[1]
    left, top = size[0] - width, size[1] - height
    corners = [(0.0, 0.0), (left, 0.0), (0.0, top), (left, top)]
    means, spreads = np.transpose(
        [mean_over_box(gain, gain_u, Box(left=x, top=y, width=width, height=height)) for x, y in corners]
    )
    if means.min() <= 0:
        raise Unmeasurable(
            f"the {CORNERS[int(means.argmin())]} corner has no light above black: is the lens's image circle smaller "
            "than the frame, or the black level wrong?"
        )
    centre, centre_u = mean_over_box(gain, gain_u, Box(left=left / 2, top=top / 2, width=width, height=height))
    return CornerLoss(
        loss=-np.log2(means / centre),
        own_u=spreads / means / np.log(2),
        centre_u=centre_u / centre / float(np.log(2)),
        centre_loss=float(np.log2(centre)),
    )


def make_falloff(
    flat: FlatField,
    corners: list[CornerLoss],
    plane: int,
    centre: Centre,
    extreme: dict[str, Any],
    notes: tuple[str, ...],
) -> Falloff:
    """Return the result from its parts."""
    main = corners[plane]
    total_u = np.hypot(main.own_u, main.centre_u)
    worst, best = int(main.loss.argmax()), int(main.loss.argmin())
    red, blue = (compare_plane(flat, corners, plane, name) for name in ("red", "blue"))
    upper_left, upper_right, lower_left, lower_right = zip(main.loss.tolist(), total_u.tolist(), strict=True)
    return Falloff(
        worst_corner_loss_ev=float(main.loss[worst]),
        worst_corner_loss_ev_u=float(total_u[worst]),
        mean_corner_loss_ev=main.mean,
        mean_corner_loss_ev_u=main.mean_u,
        upper_left_loss_ev=upper_left[0],
        upper_left_loss_ev_u=upper_left[1],
        upper_right_loss_ev=upper_right[0],
        upper_right_loss_ev_u=upper_right[1],
        lower_left_loss_ev=lower_left[0],
        lower_left_loss_ev_u=lower_left[1],
        lower_right_loss_ev=lower_right[0],
        lower_right_loss_ev_u=lower_right[1],
        asymmetry_ev=float(main.loss[worst] - main.loss[best]),
        asymmetry_ev_u=float(np.hypot(main.own_u[worst], main.own_u[best])),
        diagonals_ev=abs(float(main.loss @ DIAGONALS)),
        diagonals_ev_u=float(np.hypot.reduce(main.own_u) / 2),
        red_shading_ev=red[0],
        red_shading_ev_u=red[1],
        blue_shading_ev=blue[0],
        blue_shading_ev_u=blue[1],
        centre_x_frac=centre.x,
        centre_x_frac_u=centre.x_u,
        centre_y_frac=centre.y,
        centre_y_frac_u=centre.y_u,
        worst_corner=CORNERS[worst],
        plane=flat.planes[plane],
        shot_count=flat.shot_count,
        notes=notes,
        not_applicable=leave_out_colours(flat.planes, "measure_vignetting"),
        **extreme,
    )


def compare_plane(flat: FlatField, corners: list[CornerLoss], plane: int, name: str) -> tuple[float, float]:
    """Return the mean corner loss of a plane less that of the main one, and its uncertainty."""
    if name not in flat.planes or name == flat.planes[plane]:
        return float("nan"), float("nan")
    other, main = corners[flat.planes.index(name)], corners[plane]
    return other.mean - main.mean, float(np.hypot(other.mean_u, main.mean_u))
