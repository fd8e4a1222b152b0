"""Results of the spot stages: shadows on an even field, and the objects that cause them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from glasswright import Artefact, Percentage

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotMap(Artefact):
    """The dark spots of one flat shot, clearest first. Arrays run over (spots,); sensor pixels."""

    left_out_caveat: ClassVar[str] = "flats_left_out"

    shot: str
    width_px: int
    height_px: int
    f_number: float
    """NaN where not known."""
    place_px: NDArray[np.float64]
    """(spots, 2): x and y of the middle."""
    size_px: NDArray[np.float64]
    """Outer width of the shadow; of a long one, its width across."""
    size_u_px: NDArray[np.float64]
    depth: NDArray[np.float64]
    """Relative loss of light in the middle."""
    depth_u: NDArray[np.float64]
    length_ratio: NDArray[np.float64]
    """Length over width: near 1 for a round shadow."""
    length_px: NDArray[np.float64]
    rim_px: NDArray[np.float64]
    """Width of the slope at the border: that of the object or of the cone of light, the smaller; NaN for long
    shadows."""
    faintest_depth_frac: float
    """Detection limit: least depth of a round shadow a tenth of the frame wide that is listed."""
    spot_count: int
    """Number found; at most the clearest two hundred are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spots(Artefact):
    """Objects on the sensor and in the lens. Arrays run over (spots,), deepest first.

    A shadow is the object's outline convolved with the cone of light: its outer width is ``D = d + t/N``, where d is
    the object's own width, t its distance from the sensor along the light (thickness over refractive index, summed) and
    N the f-number. Two apertures give both."""

    sensor_dust_count: int
    new_sensor_dust_count: int
    """Those not on the stand's list: the sensor needs cleaning."""
    lens_dust_count: int
    scratch_count: int
    """Long shadows, at any distance."""
    patch_count: int
    """Wide objects in the lens, not only wide shadows: fungus, separating cement, a fingerprint."""
    unsure_count: int
    """Shadows whose distance the f-numbers shot do not determine."""
    lens_deepest_pct: Percentage
    """Depth of the deepest shadow not from dust on the sensor; 0 without any."""
    lens_deepest_pct_u: float
    """Never less than `faintest_seen_pct`, as a spot of that depth may not be detected."""
    faintest_seen_pct: Percentage
    """Detection limit: least depth of a round shadow a tenth of the frame wide that is detected, at the highest
    f-number."""
    hot_pixel_count: float
    """Pixels hot in most dark shots; NaN where the ticket has none."""
    place_px: NDArray[np.float64]
    """(spots, 2)."""
    kind: tuple[str, ...]
    """(spots,): `sensor_dust`, `lens_dust`, `scratch`, `patch` or `unsure`."""
    is_known: NDArray[np.bool_]
    """Whether it is on the stand's list of dust."""
    frame_px: NDArray[np.int64]
    """(2,): width and height of the frame."""
    shadow_px: NDArray[np.float64]
    """Width of the shadow at the highest f-number that shows it."""
    shadow_um: NDArray[np.float64]
    """The same in um."""
    depth: NDArray[np.float64]
    """Relative loss of light."""
    thing_um: NDArray[np.float64]
    """Width d of the object itself."""
    distance_mm: NDArray[np.float64]
    """Its distance t from the sensor."""
    distance_u_mm: NDArray[np.float64]
    setting_count: int
    """Number of f-numbers with flats."""
