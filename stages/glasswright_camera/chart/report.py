"""The chart's fit, from its nodes on a small frame: places in sensor pixels, discs left out, notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.chart.faults import LeftOut, find_other_extent, list_layout_nodes, sort_out
from glasswright_camera.chart.model import Frame, LatticeModel, fit_lattice
from glasswright_camera.chart.pose import half_extent_mm, to_lattice, view_plane

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.lattice import FoundLattice
    from glasswright_camera.mosaic import Mosaic
    from glasswright_camera.small_frame import SmallFrame
    from glasswright_camera.stand import ChartLayout

RADIAL_TERMS = 3
OUTLIER_SIGMAS = 8.0
OUTLIER_LEAST_PITCH = 0.02
"""Deviation from the fitted lattice, in pitches, below which a disc is never an outlier."""
BEYOND_REACH = 0.12
"""Largest deviation, in pitches, of a disc beyond the layout from the extrapolated lattice."""
ON_ITS_SIDE_DEG, UPSIDE_DOWN_DEG = 45.0, 135.0
"""Rotations above which a note says that the print hangs on its side, or upside down."""
CLIPPED_SHARE = 0.005
"""Largest share of clipped pixels on and around a disc; hot pixels are fewer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of a good disc, and the fewest good discs."""

    discs: int
    paper: float
    contrast: float
    soiled: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """The nodes in sensor pixels, and the expected places of those that were not found."""

    centre: NDArray[np.float64]
    """(discs, 2)."""
    radius: NDArray[np.float64]
    """(discs,)."""
    border: NDArray[np.float64]
    """(discs,): from the disc's edge to the frame's."""
    is_far: NDArray[np.bool_]
    """(discs,): outliers of the fitted lattice."""
    model: LatticeModel
    every: NDArray[np.int64]
    """(nodes, 2): all nodes of the layout."""
    is_missing: NDArray[np.bool_]
    """(nodes,)."""
    margin: NDArray[np.float64]
    """(nodes,): expected distance of each node's centre from the frame's border, positive inside."""
    typical_radius: float

    @property
    def share_found(self) -> float:
        """Return the share found of the discs that should lie whole in the frame."""
        whole = self.margin > 1.5 * self.typical_radius
        return 1.0 - float(np.sum(self.is_missing & whole)) / max(int(whole.sum()), 1)


def place_nodes(found: FoundLattice, small: SmallFrame, layout: ChartLayout, frame: Frame) -> Placed:
    """Fit the lattice and return the place of each node, found or not.

    Raises
    ------
    Unmeasurable
        If the lattice has other columns or rows than the layout.
    """
    centre = small.to_sensor(found.discs.place)
    radius = found.discs.radius * small.block_px
    typical = float(np.median(radius))
    model, far = _fit_robustly(found.node, centre, layout, frame)
    every = list_layout_nodes(layout)
    margin = _measure_margin(frame.to_px(model.place(to_lattice(every, layout))), frame)
    placed = Placed(
        centre=centre,
        radius=radius,
        border=_measure_margin(centre, frame) - radius,
        is_far=far,
        model=model,
        every=every,
        is_missing=~_is_among(every, found.node),
        margin=margin,
        typical_radius=typical,
    )
    whole = (margin > 1.5 * typical).reshape(layout.rows, layout.columns)
    off = np.hypot(
        *(frame.to_px(model.place(to_lattice(found.off_layout, layout))) - small.to_sensor(found.off_place)).T
    )
    # the discs of another chart beside this one do not lie on the extrapolated lattice
    beyond = found.off_layout[off < BEYOND_REACH * _measure_pitch(model, layout, frame)]
    extent = find_other_extent(np.concatenate([found.node, beyond]), whole, layout)
    if extent is not None:
        message = (
            f"{extent[0]} x {extent[1]} nodes found where {layout.name} has {layout.columns} x {layout.rows}: "
            "hang the chart that the stand file names, or uncover all of it"
        )
        raise Unmeasurable(message)
    return placed


def _fit_robustly(
    node: NDArray[np.int64], centre: NDArray[np.float64], layout: ChartLayout, frame: Frame
) -> tuple[LatticeModel, NDArray[np.bool_]]:
    """Fit plane and lens without outliers; return the model and which discs are outliers."""
    lattice, seen = to_lattice(node, layout), frame.from_px(centre)
    far = np.zeros(len(node), bool)
    while True:
        model = fit_lattice(lattice[~far], seen[~far], radial_terms=RADIAL_TERMS, tangential=True)
        off = np.hypot(*(model.place(lattice) - seen).T)
        least = OUTLIER_LEAST_PITCH * _measure_pitch(model, layout, frame) / frame.half_diagonal_px
        limit = max(OUTLIER_SIGMAS * float(np.median(off[~far])), least)
        worse = far | (off > limit)
        if np.array_equal(worse, far) or worse.mean() > 0.25:
            return model, far
        far = worse


def _measure_pitch(model: LatticeModel, layout: ChartLayout, frame: Frame) -> float:
    """Return the lattice's pitch near its middle in sensor pixels."""
    scale = np.sqrt(abs(np.linalg.det(model.plane[:2, :2])))
    return float(layout.pitch_mm / half_extent_mm(layout) * scale * frame.half_diagonal_px)


def _measure_margin(place: NDArray[np.float64], frame: Frame) -> NDArray[np.float64]:
    """Return the distance of places (n, 2) from the frame's nearest border, positive inside."""
    size = np.array([frame.width_px, frame.height_px])
    return np.asarray(np.minimum(place + 0.5, size - 0.5 - place).min(axis=-1))


def _is_among(node: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which nodes (n, 2) are among others (m, 2)."""
    key = np.array([1, 1000])
    return np.isin(node @ key, others @ key)


def list_faults(
    found: FoundLattice, placed: Placed, small: SmallFrame, limits: Limits
) -> tuple[NDArray[np.bool_], LeftOut]:
    """Return which discs are good, and the reason why each other node of the layout is left out."""
    discs = found.discs
    faults = {
        "cut by the frame": placed.border < small.block_px,
        "on clipped paper": discs.clipped > CLIPPED_SHARE,
        "on paper too dark": discs.paper / small.white_light < limits.paper,
        "of too little contrast": discs.contrast < limits.contrast,
        "with something beside them": discs.soiled > limits.soiled,
        "off the fitted lattice": placed.is_far,
    }
    absent, missing, margin, typical = placed.every, placed.is_missing, placed.margin, placed.typical_radius
    lost = {
        "outside the frame": absent[missing & (margin < -typical)],
        "cut by the frame": absent[missing & (np.abs(margin) <= typical)],
        "hidden or damaged": absent[missing & (margin > typical)],
    }
    return sort_out(found.node, faults, lost)


def report_chart(
    mosaic: Mosaic,
    layout: ChartLayout,
    pixel_pitch_um: float,
    found: FoundLattice,
    placed: Placed,
    small: SmallFrame,
    limits: Limits,
) -> ChartFit:
    """Return the chart's fit; discs with a fault are left out and named in its notes."""
    good, left_out = list_faults(found, placed, small, limits)
    height, width = mosaic.values.shape[1:]
    plane = view_plane(placed.model.plane, Frame(width_px=width, height_px=height), layout, pixel_pitch_um)
    turned = abs(plane.rotation_deg)
    hangs = "upside down" if turned > UPSIDE_DOWN_DEG else "on its side" if turned > ON_ITS_SIDE_DEG else ""
    hanging = (f"{layout.name} hangs {hangs}, turned by {plane.rotation_deg:.0f} degrees",) if hangs else ()
    # the block in which the next thing begins does not count
    clear = np.minimum((found.discs.clear - 1.0) * small.block_px, placed.border)
    return ChartFit(
        chart=layout.name,
        width_px=width,
        height_px=height,
        planes=mosaic.planes,
        node=found.node[good],
        centre_px=placed.centre[good],
        radius_px=placed.radius[good],
        is_mark=_is_among(found.node[good], np.array([(mark.column, mark.row) for mark in layout.marks])),
        clear_px=np.maximum(clear[good], 0.0),
        homography=plane.homography,
        magnification_frac=plane.magnification_frac,
        rotation_deg=plane.rotation_deg,
        disc_count=int(good.sum()),
        left_out_count=left_out.count,
        shot=mosaic.shot,
        role=mosaic.role,
        sequence_count=mosaic.sequence_count,
        notes=(*hanging, *left_out.describe()),
    )
