"""The edges of every disc of a shot: the one table that sharpness, fringing and distortion are read from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

import numpy as np

from glasswright import Artefact
from glasswright_camera.edges.trace_outliers import odd_traces
from glasswright_camera.stand import Zones

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace(Artefact):
    """What the edges of one chart shot say. Arrays run over (discs,) or (planes, discs); NaN where a disc failed.

    A disc too small for its blur was fitted as a whole: its place is as good as any, `lopsided` is NaN, and so is MTF50
    where it could not be told to a tenth.

    Sensor pixels, x right, y down, pixel centres at integers. *Tangential* blur is the spread along the image
    radius (it blurs lines at right angles to the radius), *sagittal* blur the spread across it.
    A disc that holds the image centre has no such direction: both are those of the mean blur over all directions there,
    and come apart evenly from one to two of its radii away.
    """

    shot: str
    role: str
    sequence_count: int
    chart: str
    width_px: int
    height_px: int
    planes: tuple[str, ...]
    node: NDArray[np.int64]
    """(discs, 2): column and row on the layout."""
    centre_px: NDArray[np.float64]
    """(planes, discs, 2): centre of the disc's edge."""
    centre_u_px: NDArray[np.float64]
    """(planes, discs, 2): standard uncertainty from pixel noise."""
    radius_px: NDArray[np.float64]
    """(planes, discs): mean radius."""
    ellipse_px: NDArray[np.float64]
    """(planes, discs, 2): radius amplitudes of cos 2 phi and sin 2 phi."""
    mtf50: NDArray[np.float64]
    """(planes, discs, 2): MTF50, sagittal then tangential, cycles per sensor pixel; NaN where there is no crossing."""
    mtf50_u: NDArray[np.float64]
    """(planes, discs, 2): standard uncertainty from pixel noise."""
    blur_direction: NDArray[np.float64]
    """(planes, discs, 2): amplitudes of cos 2 phi and sin 2 phi in 1/MTF50^2, phi in the sensor's frame, over the
    mean of 1/MTF50^2: the direction in which a disc is blurred more."""
    lopsided: NDArray[np.float64]
    """(planes, discs, 2): how lopsided the blur is along x and y (coma), 1 as much as is usual among aberrated lenses;
    positive where the edge's far tail lies towards positive x or y."""
    lopsided_u: NDArray[np.float64]
    """(planes, discs, 2): standard uncertainty from pixel noise."""
    dark_light: NDArray[np.float64]
    """(planes, discs): light of the disc, of white."""
    paper_light: NDArray[np.float64]
    """(planes, discs): light of the paper at the disc's edge, of white."""
    noise: NDArray[np.float64]
    """(planes, discs): pixel noise near the edge over the edge's step."""
    misfit_frac: NDArray[np.float64]
    """(planes, discs): what no lens's blur explains of the edge and surely is not noise, rms, of the step."""
    left_out_frac: NDArray[np.float64]
    """(planes, discs): share of the edge that was left out as unlike an edge (dust, hot pixels, a doubled image); known
    too where a disc failed for it."""
    far_light: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0, 2)))
    """(planes, discs, 2): light farther inside than is fitted, less what the fit predicts there, of the step: in the
    disc's middle, and between it and the fitted light. A wide halo shows there. Empty
    in traces kept before it was measured."""
    frequency: NDArray[np.float64]
    """(frequencies,): cycles per sensor pixel, for `mtf`."""
    mtf: NDArray[np.float32]
    """(planes, discs, 2, frequencies): the transfer function, sagittal then tangential."""
    distance_px: NDArray[np.float64]
    """(distances,): signed distance from the edge, light side positive, for `profile`."""
    profile: NDArray[np.float32]
    """(planes, discs, 2, distances): measured edge profile, 0 dark, 1 light, sagittal then tangential sector."""
    magnification_frac: float
    rotation_deg: float
    is_mark: NDArray[np.bool_]
    """(discs,): one of the marked nodes."""
    disc_count: int
    left_out_count: int
    zones: Zones = field(default_factory=Zones)
    """The stand's: drawings know no stand, and must name the same discs as the measures."""

    def is_placed(self, planes: Sequence[str] | None = None) -> NDArray[np.bool_]:
        """Which discs have a place in all of some planes, by default all: (discs,)."""
        rows = self._rows(planes)
        return np.asarray(np.isfinite(self.centre_px[rows]).all(axis=(0, 2)))

    def is_sharpness_known(self, planes: Sequence[str] | None = None) -> NDArray[np.bool_]:
        """Which discs have a place and MTF50 in both directions in all of some planes, by default all: (discs,)."""
        rows = self._rows(planes)
        return np.asarray(np.isfinite(self.mtf50[rows]).all(axis=(0, 2)) & self.is_placed(planes))

    def _rows(self, planes: Sequence[str] | None) -> list[int]:
        return [self.planes.index(plane) for plane in planes or self.planes]

    @classmethod
    def find_odd(cls, members: Sequence[Self]) -> Mapping[int, str]:
        """Name the shots of a repeat whose sharpness does not belong with the others'."""
        return odd_traces(members)
