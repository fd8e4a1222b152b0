"""Shadows on an even field, and what throws them."""

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
    """The shot's; NaN where nobody knows it."""
    place_px: NDArray[np.float64]
    """(spots, 2): x and y of the middle."""
    size_px: NDArray[np.float64]
    """Outer width of the shadow; of a long one, its width across."""
    size_u_px: NDArray[np.float64]
    depth: NDArray[np.float64]
    """Light lost in the middle, of the light about it."""
    depth_u: NDArray[np.float64]
    length_ratio: NDArray[np.float64]
    """Length over width: near 1 for a round shadow."""
    length_px: NDArray[np.float64]
    rim_px: NDArray[np.float64]
    """Width of the slope at the border: that of the thing or of the cone of light, whichever is less; NaN of a long
    one."""
    faintest_depth_frac: float
    """Least depth at which a round shadow a tenth of the frame wide would have been listed."""
    spot_count: int
    """Of all found; at most the clearest two hundred are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spots(Artefact):
    """What lies on the sensor and in the lens. Arrays run over (spots,), deepest first.

    A shadow is the thing smeared over the cone of light: its outer width is ``D = d + t/N``, where d is the thing's
    own width, t its distance from the sensor along the light (thickness over refractive index, summed) and N the
    f-number. Two apertures give both.
    """

    sensor_dust_count: int
    new_sensor_dust_count: int
    """Of those, on no list of the stand: the sensor wants cleaning."""
    lens_dust_count: int
    scratch_count: int
    """Long shadows, wherever they lie."""
    patch_count: int
    """Things in the lens that are wide themselves, not only their shadows: fungus, separating cement, a fingerprint."""
    unsure_count: int
    """Shadows that the f-numbers shot do not place."""
    lens_deepest_pct: Percentage
    """Most light that anything but dust on the sensor takes; 0 where nothing is seen."""
    lens_deepest_pct_u: float
    """Never less than `faintest_seen_pct`: as deep a spot may lie there unseen."""
    faintest_seen_pct: Percentage
    """Light that a round shadow a tenth of the frame wide had to take to be seen, at the highest f-number. What took
    less is not known to be absent."""
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
    """Light lost there, of the light about it."""
    thing_um: NDArray[np.float64]
    """Width d of the thing itself."""
    distance_mm: NDArray[np.float64]
    """Its distance t from the sensor."""
    distance_u_mm: NDArray[np.float64]
    setting_count: int
    """F-numbers that flats were shot at."""
