"""The edge table of a shot, from which sharpness, fringing and distortion are measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from glasswright import Artefact, kept
from glasswright_camera.edges.trace_outliers import odd_traces
from glasswright_camera.stand import Zones

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


def _name_asymmetry(fields: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of version 2 from those of version 1, which called the asymmetry `lopsided`."""
    fields = dict(fields)
    return fields | {"asymmetry": fields.pop("lopsided"), "asymmetry_u": fields.pop("lopsided_u")}


def _add_covariance(fields: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of version 3 from those of version 2, which counted planes of a disc as independent."""
    return dict(fields) | {"covariance_px2": np.zeros_like(fields["centre_u_px"])}


@kept(name="Trace", version=3, upgrades={1: _name_asymmetry, 2: _add_covariance})
@dataclass(frozen=True, slots=True, kw_only=True)
class Trace(Artefact):
    """The edges of the discs of one chart shot. Arrays run over (discs,) or (planes, discs); NaN where a disc failed.

    A disc too small for its blur in one plane was fitted as a whole. Its position in all planes is the centroid of its
    depth, and in that plane `asymmetry` is NaN, and so is MTF50 where its standard uncertainty would be over 10 %.

    Sensor pixels, x right, y down, pixel centres at integers. *Tangential* blur is the spread along the image
    radius (it blurs lines at right angles to the radius), *sagittal* blur the spread across it. Within one radius of a
    disc from the image centre both are the mean blur over all directions; from one to two radii they blend.
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
    """(planes, discs, 2): standard uncertainty from pixel noise and, of a disc fitted as a whole, from the position's
    definition: the centroids beyond other shares of the depth lie elsewhere."""
    covariance_px2: NDArray[np.float64]
    """(planes, discs, 2): covariance of a position in x and y with that in green. What both have alike cancels in their
    displacement: of a disc fitted as a whole most of the second part of `centre_u_px`, and noise in pictures whose
    planes have the same pixels. 0 in green itself, and for a disc measured by its edge."""
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
    asymmetry: NDArray[np.float64]
    """(planes, discs, 2): asymmetry of the blur along x and y (coma), in units of the rms over aberrated lenses;
    positive where the edge's far tail lies towards positive x or y."""
    asymmetry_u: NDArray[np.float64]
    """(planes, discs, 2): standard uncertainty from pixel noise."""
    dark_light: NDArray[np.float64]
    """(planes, discs): light of the disc, of white."""
    paper_light: NDArray[np.float64]
    """(planes, discs): light of the paper at the disc's edge, of white."""
    noise: NDArray[np.float64]
    """(planes, discs): pixel noise near the edge over the edge's step."""
    misfit_frac: NDArray[np.float64]
    """(planes, discs): rms of the residual beyond noise, of the step: not explained by any lens's blur."""
    left_out_frac: NDArray[np.float64]
    """(planes, discs): share of the edge that was left out (dust, hot pixels, a doubled image); also known for discs
    that failed because of it."""
    far_light: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0, 2)))
    """(planes, discs, 2): light farther inside the disc than is fitted, less the fit's prediction, of the step: in the
    disc's middle, and between it and the fitted range. It shows a wide halo. Empty in traces kept before it was
    measured."""
    middle_light: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    """(planes, discs): light in the disc's middle, six blurs (1/MTF50) or 0.6 radii from the edge and more, less the
    fitted dark level, of the step; NaN where that holds too few pixels. Empty in traces kept before it was measured."""
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
    """(discs,): whether the node carries a mark."""
    disc_count: int
    left_out_count: int
    zones: Zones = field(default_factory=Zones)
    """Zones of the stand, for the drawings, which have no stand."""

    def is_placed(self, planes: Sequence[str] | None = None) -> NDArray[np.bool_]:
        """Return which discs have a place in every one of `planes`, by default all: (discs,)."""
        rows = self._rows(planes)
        return np.asarray(np.isfinite(self.centre_px[rows]).all(axis=(0, 2)))

    def is_sharpness_known(self, planes: Sequence[str] | None = None) -> NDArray[np.bool_]:
        """Return which discs have a place and both MTF50 in every one of `planes`, by default all: (discs,)."""
        rows = self._rows(planes)
        return np.asarray(np.isfinite(self.mtf50[rows]).all(axis=(0, 2)) & self.is_placed(planes))

    def _rows(self, planes: Sequence[str] | None) -> list[int]:
        return [self.planes.index(plane) for plane in planes or self.planes]

    @classmethod
    def find_outliers(cls, members: Sequence[Self]) -> Mapping[int, str]:
        """Return the shots whose sharpness deviates from the others': index -> reason."""
        return odd_traces(members)
