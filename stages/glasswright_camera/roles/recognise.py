"""Recognition of a frame's content from its pixels: frames that do not fit their folder are refused.

Files may lie in a wrong folder. A chart among the flats would give a lens with hardly any falloff. `decode_raw`,
through which every shot is read, calls `refuse_other_role`, so all stages share one decision.

Charts and ramps are not checked here: they are measured only after each disc was located.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.ndimage import binary_dilation, binary_erosion, find_objects, label, uniform_filter

from glasswright import Unmeasurable, format_against
from glasswright_camera.robust import robust_sigma
from glasswright_camera.small_frame import measure_plane_levels, shrink_mosaic
from glasswright_camera.surface import LEAST_SIDE, fit_surface

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic
    from glasswright_camera.small_frame import SmallFrame

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

Kind = Literal["even", "patch", "lattice", "scene"]

EXPECTED: Final = {
    "flat": "an even field, like the diffuse source",
    "panel": "an even field, like a blank panel",
    "black_spot": "a black patch in an even field",
    "dark": "dark",
}
ACCEPTED: Final[dict[str, tuple[Kind, ...]]] = {
    "flat": ("even",),
    "panel": ("even",),
    # a patch too small or soft to be recognised here may still be found by its stage
    "black_spot": ("even", "patch"),
    "dark": (),
}
"""Role -> accepted contents of its lit shots. Other roles are not checked."""
LOOKS: Final[dict[Kind, str]] = {
    "even": "an even field",
    "patch": "a black patch in an even field",
    "lattice": "a lattice of discs",
    "scene": "a picture of something with detail",
}
REMEDY: Final[dict[Kind, str]] = {
    "even": "move it to `flat/` or `panel/`",
    "patch": "move it to `black_spot/`",
    "lattice": "move it to `chart/`, or to `focus_series/`, `ramp/`, `ramp_locked/`, `shake_off/` or `shake_on/`",
    "scene": "it fits no role, so move it out of the ticket",
}
CELLS_ACROSS: Final = 160
"""Cells over the longer side: a lattice of 20 discs across still has 8 cells to a pitch."""
UNLIT: Final = 0.005
"""Light of the brightest hundredth, of white, below which a frame is unlit."""
NOT_DARK: Final = 0.02
"""The same, from which on a frame is not a dark; glow of the sensor is below it."""
LEAST_FIELD_LIGHT: Final = 0.05
"""Least median light of the brightest plane, of white; dimmer fields are too noisy for falloff or shadows."""
CLIPPED_PIXELS: Final = 0.00125
"""Share of a cell's pixels from which on it is clipped: half a percent of a colour with a quarter of them. A single one
is a hot pixel and never counts."""
CLIPPED_CELLS: Final = 0.002
SHADE: Final = 0.1
"""Relative loss of light against the smooth field beyond which a part at the frame's border counts as cut off."""
LEAST_SURFACE: Final = 0.1
"""Least light of the smooth field, of the median."""
DETAIL: Final = 0.03
"""Relative difference of a cell from those about it that counts as detail, if it also exceeds DETAIL_SIGMAS of
noise."""
DETAIL_SIGMAS: Final = 4.0
DETAIL_SHARE: Final = 0.22
UNEVEN: Final = 0.15
"""A frame counts as a picture if the share of cells with detail over DETAIL_SHARE plus the robust standard deviation
about the smooth field over UNEVEN exceeds 1. `ci/bench roles`: flats of lenses full of fungus, scratches and dust have
0.92 at most, 164 of 165 pictures more than 1."""
LATTICE_CLEAR: Final = 1000.0
"""Least power of two crossed waves over the median at their frequency. The same flats have up to 220, also with bands
of a lamp, which run one way only; lattices 3,000 and more, sharp or blurred over a third of their pitch."""
LATTICE_LIKELY: Final = 250.0
"""The same where there is detail: photographs of a tilted lattice have 380 and more, other pictures up to 140."""
FREQUENCY: Final = (5.0, 0.35)
"""Lowest frequency of a lattice's waves in cycles over the longer side, and highest in cycles per cell."""
CROSSED: Final = 0.5
"""Sine of the least angle between the two waves."""
PATCH_LIGHT: Final = (0.25, 0.75)
PATCH_STEEP: Final = 0.5
"""Least ratio of the areas below the first and the second of these lights: an object in focus has a steep border, the
shadow of a fleck on the rear lens has not (0.22 for one of 2 mm at f/22)."""
PATCH_SIDE: Final = 0.05
"""Least side of a patch, of the frame's shorter side."""
NOISE_ROWS: Final = 8
"""Rows of the frame from which its noise is estimated: within a percent for a frame 6000 wide."""
UNLIT_CELL: Final = 0.03
"""Light, of the median, below which a cell shows only noise."""
LEAST_PART: Final = 0.05
"""Smallest part of the frame that is checked by itself."""
EDGE_CELLS: Final = 3
"""Cells left out outside the border of a cut-off part; inside it four times as many, where the light runs out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """Content of a frame, with the numbers on which the decision rests."""

    kind: Kind
    detail_share: float = 0.0
    """Share of the lit cells that differ from those around them."""
    uneven: float = 0.0
    """Robust standard deviation of the light over a smooth field, less 1."""


def refuse_other_role(mosaic: Mosaic, brightest_frac: float) -> None:
    """Raise Unmeasurable if a frame does not fit its role, or is too bright, dim or small to be recognised.

    Parameters
    ----------
    mosaic
        The frame.
    brightest_frac
        Light of its brightest hundredth, of white.

    Raises
    ------
    Unmeasurable
        Names what it looks like and where it belongs.
    """
    if mosaic.role not in ACCEPTED or (mosaic.role == "dark" and brightest_frac < NOT_DARK):
        return
    small = shrink_mosaic(mosaic, choose_block(mosaic))
    seen = look_at(small, measure_cell_noise(mosaic, small))
    if seen.kind not in ACCEPTED[mosaic.role]:
        raise Unmeasurable(_format_refusal(mosaic.role, seen.kind, brightest_frac))
    refuse_exposure_of_field(mosaic, small)


def recognise(mosaic: Mosaic) -> Appearance:
    """Return the content of a lit frame.

    Raises
    ------
    Unmeasurable
        If it is too small, or a plane has no light.
    """
    small = shrink_mosaic(mosaic, choose_block(mosaic))
    return look_at(small, measure_cell_noise(mosaic, small))


def describe_other(mosaic: Mosaic) -> str:
    """Return a text on the content of a frame without a located lattice, and its folder; empty if not recognised."""
    try:
        kind = recognise(mosaic).kind
    except Unmeasurable:
        return ""
    return "" if kind in {"lattice", "scene"} else f"it looks like {LOOKS[kind]}: {REMEDY[kind]}"


def _format_refusal(role: str, kind: Kind, brightest_frac: float) -> str:
    if role == "dark":
        return (
            f"not dark: the brightest hundredth of the frame has {100 * brightest_frac:.2g} % of white above black. It "
            f"looks like {LOOKS[kind]}: {REMEDY[kind]}; if it was shot as a dark, put the cap on and shoot it again"
        )
    return f"not {EXPECTED[role]}. It looks like {LOOKS[kind]}: {REMEDY[kind]}"


def choose_block(mosaic: Mosaic) -> int:
    """Return the side of a cell in pixels: even, so that each has the same pixels of a Bayer pattern.

    Raises
    ------
    Unmeasurable
        If the frame is too small to have `LEAST_SIDE` cells each way.
    """
    height, width = mosaic.values.shape[1:]
    if min(height, width) < 2 * LEAST_SIDE:
        raise Unmeasurable(
            f"the frame has {width} x {height} pixels, too few to recognise it: at least {2 * LEAST_SIDE} each "
            "way are needed; copy the raw file itself, not its thumbnail"
        )
    wanted, most = int(max(height, width) / CELLS_ACROSS / 2 + 0.5), int(min(height, width)) // (2 * LEAST_SIDE)
    return 2 * max(1, min(wanted, most))


def look_at(small: SmallFrame, noise: float) -> Appearance:
    """Return the content of a small frame.

    Dark parts at the border may be vignetting; they are checked by themselves. A smooth field is divided out, and bands
    along whole rows or columns, from a flickering lamp, are subtracted.

    Parameters
    ----------
    small
        The frame.
    noise
        Standard deviation of a cell, of the median light.
    """
    light = small.light.astype(np.float64)
    # bright parts have 1; the median of a mostly unlit frame may be 0 or negative
    median = max(float(np.median(light)), LEAST_SURFACE)
    # where light is cut off the surface is extrapolated, and may be negative
    surface = np.maximum(fit_surface(small.light), LEAST_SURFACE * median)
    ratio = light / surface
    cut = find_cut_off(ratio)
    kept = ~binary_dilation(cut, iterations=EDGE_CELLS)
    if kept.mean() < LEAST_PART:
        kept[:] = True
    residual = take_off_bands(ratio - 1, kept)
    values = residual[kept]
    uneven = robust_sigma(values)
    beyond = binary_erosion(cut, iterations=4 * EDGE_CELLS, border_value=1)
    detail_share = find_detail(light / median, noise, (kept, beyond))
    clear = find_crossed_waves(residual, kept)
    kind: Kind = "even"
    has_detail = detail_share / DETAIL_SHARE + uneven / UNEVEN > 1
    if clear > (LATTICE_LIKELY if has_detail else LATTICE_CLEAR):
        kind = "lattice"
    elif has_detail:
        kind = "scene"
    elif has_patch(ratio, cut):
        kind = "patch"
    return Appearance(kind=kind, detail_share=detail_share, uneven=uneven)


def find_detail(light: Array, noise: float, parts: tuple[Mask, ...]) -> float:
    """Return the share of cells that differ from the mean of the 5 x 5 about them, the largest over the parts.

    Parameters
    ----------
    light
        (rows, columns), over the median.
    noise
        Standard deviation of a cell at light 1.
    parts
        Masks; unlit cells and small parts are left out.
    """
    around = uniform_filter(light, 5)
    contrast = take_off_bands(light / np.maximum(around, UNLIT_CELL) - 1, around > UNLIT_CELL)
    limit = np.maximum(DETAIL, DETAIL_SIGMAS * noise / np.sqrt(np.maximum(around, UNLIT_CELL)))
    detail = np.abs(contrast) > limit
    lit = [part & (around > UNLIT_CELL) for part in parts]
    return max((float(detail[part].mean()) for part in lit if part.mean() > LEAST_PART), default=0.0)


def measure_cell_noise(mosaic: Mosaic, small: SmallFrame) -> float:
    """Return the noise of a cell of the median light, from second differences of neighbours of one colour.

    A picture hardly affects them, as its detail is seldom as fine as a pixel.
    """
    step, every = mosaic.pattern.shape[2], max(1, mosaic.values.shape[1] // NOISE_ROWS)
    rows = mosaic.values[:, ::every].astype(np.float32)
    second = rows[:, :, 2 * step :] - 2 * rows[:, :, step:-step] + rows[:, :, : -2 * step]
    pixel = robust_sigma(second, about=0.0) / 6**0.5
    level = float(np.median(rows)) - float(mosaic.black_dn.mean())
    return pixel / max(level, 1.0) / small.block_px


def find_cut_off(ratio: Array) -> Mask:
    """Mark parts darker than the smooth field that are connected with the frame's border."""
    parts, _ = label(ratio < 1 - SHADE)
    rim = np.unique(np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]]))
    return np.asarray(np.isin(parts, rim[rim > 0]))


def take_off_bands(residual: Array, kept: Mask) -> Array:
    """Return the residual less the median of each row and column; 0 where not kept."""
    left = residual.copy()
    for axis in (1, 0):
        masked = np.ma.masked_array(left, ~kept)
        left -= np.ma.median(masked, axis=axis, keepdims=True).filled(0.0)  # type: ignore[no-untyped-call]
    return np.where(kept, left, 0.0)


def find_crossed_waves(residual: Array, kept: Mask) -> float:
    """Return the power of the weaker of two crossed waves, as a lattice has, over the median at similar frequencies."""
    rows, columns = residual.shape
    longer = max(rows, columns)
    window = np.outer(np.hanning(rows), np.hanning(columns)) * kept
    power = np.abs(np.fft.rfft2((np.clip(residual, -0.5, 0.5) - residual[kept].mean()) * window)) ** 2
    down, along = np.meshgrid(np.fft.fftfreq(rows), np.fft.rfftfreq(columns), indexing="ij")
    speed = np.hypot(down, along)
    used = (speed * longer >= FREQUENCY[0]) & (speed <= FREQUENCY[1])
    x, y, size, height = along[used], down[used], speed[used], power[used]
    ring = (size * longer).astype(int)
    typical = np.zeros(ring.max() + 1)
    for each in np.unique(ring):
        typical[each] = np.median(height[np.abs(ring - each) <= 1])
    clear = height / np.maximum(typical[ring], 1e-12)
    first = int(np.argmax(clear))
    sine = np.abs(x[first] * y - y[first] * x) / (size[first] * size)
    crossed = (sine > CROSSED) & (size > size[first] / 2) & (size < 2 * size[first])
    return float(clear[crossed].max(initial=0.0))


def has_patch(ratio: Array, cut: Mask) -> bool:
    """Return whether there is a black patch with a steep border within the field."""
    parts, _ = label((ratio < PATCH_LIGHT[1]) & ~cut)
    for index, box in enumerate(find_objects(parts), start=1):
        inside = parts[box] == index
        sides = (part.stop - part.start for part in box)
        dark = np.count_nonzero(inside & (ratio[box] < PATCH_LIGHT[0]))
        if min(sides) > PATCH_SIDE * min(ratio.shape) and dark > PATCH_STEEP * np.count_nonzero(inside):
            return True
    return False


def refuse_exposure_of_field(mosaic: Mosaic, small: SmallFrame) -> None:
    """Raise Unmeasurable if an even field is clipped, which flattens falloff and shadows, or too dim."""
    most = max(1.0, CLIPPED_PIXELS * small.block_px**2)
    clipped = int(np.count_nonzero(small.clipped * small.block_px**2 > most + 0.5))
    clipped_pct, most_pct, least_pct = 100 * clipped / small.light.size, 100 * CLIPPED_CELLS, 100 * LEAST_FIELD_LIGHT
    if clipped_pct > most_pct:
        raise Unmeasurable(
            f"overexposed: {format_against(clipped_pct, most_pct)} % of the field holds clipped pixels, more than "
            f"{most_pct:g} %; expose less"
        )
    range_dn = mosaic.white_dn - float(mosaic.black_dn.mean())
    median_pct = 100 * float(np.median(small.light)) * float(measure_plane_levels(mosaic).max()) / range_dn
    if median_pct < least_pct:
        raise Unmeasurable(
            f"underexposed: the median light is {format_against(median_pct, least_pct)} % of white, less than "
            f"{least_pct:g} %; expose more"
        )
