"""What a frame is a picture of, told from its pixels: no shot is measured that is not what its folder says.

People put files into wrong folders. A chart among the flats reads as a lens with hardly any falloff, a street as
anything. `decode_raw` is the only way from a file to a measurement, and it asks `refuse_other_role`; so all that read a
flat share one judgement of it, and what it refuses nobody measures.

Charts and ramps are not judged here: nothing is measured from them that was not located first, disc by disc.
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
    "flat": "an even field, as the diffuse source is",
    "panel": "an even field, as a blank panel is",
    "black_spot": "a black patch in an even field",
    "dark": "dark",
}
ACCEPTED: Final[dict[str, tuple[Kind, ...]]] = {
    "flat": ("even",),
    "panel": ("even",),
    # a patch too small or soft to be told here is looked for again where it is measured
    "black_spot": ("even", "patch"),
    "dark": (),
}
"""Role -> what its lit shots may look like. Roles that are not named here are not judged."""
LOOKS: Final[dict[Kind, str]] = {
    "even": "an even field",
    "patch": "a black patch in an even field",
    "lattice": "a lattice of discs",
    "scene": "a picture of something with detail",
}
REMEDY: Final[dict[Kind, str]] = {
    "even": "move it to `flat/` or `panel/`",
    "patch": "move it to `black_spot/`",
    "lattice": "move it to `chart/`, or to `focus_series/`, `ramp/`, `shake_off/` or `shake_on/`",
    "scene": "it belongs to no role, so move it out of the ticket",
}
CELLS_ACROSS: Final = 160
"""Over the longer side: a lattice of 20 discs across still has 8 to a pitch."""
UNLIT: Final = 0.005
"""Of white: a frame whose brightest hundredth has less has no picture."""
NOT_DARK: Final = 0.02
"""The same, from which a frame is not dark; glow of the sensor itself stays below."""
LEAST_FIELD_LIGHT: Final = 0.05
"""Of white, the median of the brightest plane: a dimmer field is too noisy to measure falloff or shadows on."""
CLIPPED_PIXELS: Final = 0.00125
"""Of a cell's pixels: half a percent of a colour that has a quarter of them. One is a hot pixel and never counts."""
CLIPPED_CELLS: Final = 0.002
SHADE: Final = 0.1
"""Light lost against the smooth field, beyond which a part that reaches the frame's border counts as cut off."""
LEAST_SURFACE: Final = 0.1
"""Of the median light."""
DETAIL: Final = 0.03
"""Of the light about it, by which a cell differs where there is detail; or `DETAIL_SIGMAS` of the cells' noise."""
DETAIL_SIGMAS: Final = 4.0
DETAIL_SHARE: Final = 0.22
UNEVEN: Final = 0.15
"""A picture has detail in much of the frame, or what a smooth field leaves is uneven, or some of both: the share of
cells with detail over the first and the robust standard deviation over the second, added, exceed 1. `ci/bench roles`:
flats of lenses full of fungus, scratches and dust come to 0.92 at most, pictures but for one of 165 to more than 1."""
LATTICE_CLEAR: Final = 1000.0
"""Power of two crossed waves over the median at their frequency. The same flats come to 220, bands of a lamp
included, since they run one way only; lattices to 3,000 and more, sharp or blurred over a third of their pitch."""
LATTICE_LIKELY: Final = 250.0
"""The same where there is detail: photographs of a tilted lattice come to 380 and more, other pictures to 140."""
FREQUENCY: Final = (5.0, 0.35)
"""Cycles over the longer side, and cycles a cell, between which a lattice's waves lie."""
CROSSED: Final = 0.5
"""Sine of the least angle between the two."""
PATCH_LIGHT: Final = (0.25, 0.75)
PATCH_STEEP: Final = 0.5
"""Area below the first of these lights over that below the second: an object in focus has a steep border, the shadow
of a fleck on the rear lens has not (0.22 for one of 2 mm at f/22)."""
PATCH_SIDE: Final = 0.05
"""Least side of a patch, of the frame's shorter side."""
NOISE_ROWS: Final = 32
"""Of the frame, from which its noise is read: of a frame 6000 wide, within half a percent."""
UNLIT_CELL: Final = 0.03
"""Of the median light: what has less shows noise only."""
LEAST_PART: Final = 0.05
"""Of the frame: a smaller part is not judged apart."""
EDGE_CELLS: Final = 3
"""Left out beside the border of what is cut off, and four times as many within it, where light runs out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """What a frame looks like."""

    kind: Kind
    detail_share: float = 0.0
    """Share of the lit frame that differs from what is around it."""
    uneven: float = 0.0
    """Robust standard deviation of the light over a smooth field, less 1."""


def refuse_other_role(mosaic: Mosaic, brightest_frac: float) -> None:
    """Raise where a frame is not what its role says, or is too bright, dim or small to be judged.

    Parameters
    ----------
    mosaic
        The frame.
    brightest_frac
        Light of its brightest hundredth, of white.

    Raises
    ------
    Unmeasurable
        Saying what it looks like and where it belongs.
    """
    if mosaic.role not in ACCEPTED or (mosaic.role == "dark" and brightest_frac < NOT_DARK):
        return
    small = shrink_mosaic(mosaic, choose_block(mosaic))
    seen = look_at(small, measure_cell_noise(mosaic, small))
    if seen.kind not in ACCEPTED[mosaic.role]:
        raise Unmeasurable(_format_refusal(mosaic.role, seen.kind, brightest_frac))
    refuse_exposure_of_field(mosaic, small)


def recognise(mosaic: Mosaic) -> Appearance:
    """Say what a lit frame looks like.

    Raises
    ------
    Unmeasurable
        If it is too small, or a plane has no light.
    """
    small = shrink_mosaic(mosaic, choose_block(mosaic))
    return look_at(small, measure_cell_noise(mosaic, small))


def describe_other(mosaic: Mosaic) -> str:
    """Say what a frame looks like in which no lattice could be located, and where it belongs; empty if nobody knows."""
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
    """Return the side of a cell in pixels: even, so that each holds as much of every colour of a Bayer pattern.

    Raises
    ------
    Unmeasurable
        If the frame is too small to have `LEAST_SIDE` cells each way.
    """
    height, width = mosaic.values.shape[1:]
    if min(height, width) < 2 * LEAST_SIDE:
        raise Unmeasurable(
            f"the frame has {width} x {height} pixels, too few to say what it is of: at least {2 * LEAST_SIDE} each "
            "way are needed; copy the raw file itself, not its thumbnail"
        )
    wanted, most = int(max(height, width) / CELLS_ACROSS / 2 + 0.5), int(min(height, width)) // (2 * LEAST_SIDE)
    return 2 * max(1, min(wanted, most))


def look_at(small: SmallFrame, noise: float) -> Appearance:
    """Say what a small frame looks like.

    What is dark and reaches the border may be a lens that lets no light there; it is judged apart. A smooth field is
    taken off, and what is alike along whole rows or columns, as the bands are that a flickering lamp leaves.

    Parameters
    ----------
    small
        The frame.
    noise
        Standard deviation of a cell, of the median light.
    """
    light = small.light.astype(np.float64)
    # bright parts have 1; where most of a frame is unlit its median is next to nothing, or below
    median = max(float(np.median(light)), LEAST_SURFACE)
    # where light is cut off the surface is carried on from elsewhere, and may run below nothing
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
    """Return the share of cells that differ from the mean of the 5 x 5 about them: the larger of the parts' shares.

    Parameters
    ----------
    light
        Of the median.
    noise
        Standard deviation of a cell at light 1.
    parts
        Masks; unlit cells of them, and parts of few cells, are left out.
    """
    around = uniform_filter(light, 5)
    contrast = take_off_bands(light / np.maximum(around, UNLIT_CELL) - 1, around > UNLIT_CELL)
    limit = np.maximum(DETAIL, DETAIL_SIGMAS * noise / np.sqrt(np.maximum(around, UNLIT_CELL)))
    detail = np.abs(contrast) > limit
    lit = [part & (around > UNLIT_CELL) for part in parts]
    return max((float(detail[part].mean()) for part in lit if part.mean() > LEAST_PART), default=0.0)


def measure_cell_noise(mosaic: Mosaic, small: SmallFrame) -> float:
    """Return the noise of a cell of the median light, from second differences of neighbours of one colour.

    Differences of neighbours tell noise from a picture, whose detail is seldom as fine as a pixel.
    """
    step, every = mosaic.pattern.shape[2], max(1, mosaic.values.shape[1] // NOISE_ROWS)
    rows = mosaic.values[:, ::every].astype(np.float32)
    bend = rows[:, :, 2 * step :] - 2 * rows[:, :, step:-step] + rows[:, :, : -2 * step]
    pixel = robust_sigma(bend, about=0.0) / 6**0.5
    level = float(np.median(rows)) - float(mosaic.black_dn.mean())
    return pixel / max(level, 1.0) / small.block_px


def find_cut_off(ratio: Array) -> Mask:
    """Mark what is darker than the smooth field and hangs together with the frame's border."""
    parts, _ = label(ratio < 1 - SHADE)
    rim = np.unique(np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]]))
    return np.asarray(np.isin(parts, rim[rim > 0]))


def take_off_bands(residual: Array, kept: Mask) -> Array:
    """Take the median off each row and column; what is not kept becomes 0."""
    left = residual.copy()
    for axis in (1, 0):
        masked = np.ma.masked_array(left, ~kept)
        left -= np.ma.median(masked, axis=axis, keepdims=True).filled(0.0)  # type: ignore[no-untyped-call]
    return np.where(kept, left, 0.0)


def find_crossed_waves(residual: Array, kept: Mask) -> float:
    """Say how far two waves that cross stand out of the spectrum, as those of a lattice do, sharp or blurred.

    The power of each frequency is compared with the median of all that are about as fast.

    Returns
    -------
    The weaker one's power over that median.
    """
    rows, columns = residual.shape
    longer = max(rows, columns)
    window = np.outer(np.hanning(rows), np.hanning(columns)) * kept
    power = np.abs(np.fft.rfft2((np.clip(residual, -0.5, 0.5) - residual[kept].mean()) * window)) ** 2
    down, along = np.meshgrid(np.fft.fftfreq(rows), np.fft.rfftfreq(columns), indexing="ij")
    speed = np.hypot(down, along)
    used = (speed * longer >= FREQUENCY[0]) & (speed <= FREQUENCY[1])
    x, y, size, height = along[used], down[used], speed[used], power[used]
    ring = (size * longer).astype(int)
    usual = np.zeros(ring.max() + 1)
    for each in np.unique(ring):
        usual[each] = np.median(height[np.abs(ring - each) <= 1])
    clear = height / np.maximum(usual[ring], 1e-12)
    first = int(np.argmax(clear))
    sine = np.abs(x[first] * y - y[first] * x) / (size[first] * size)
    crossed = (sine > CROSSED) & (size > size[first] / 2) & (size < 2 * size[first])
    return float(clear[crossed].max(initial=0.0))


def has_patch(ratio: Array, cut: Mask) -> bool:
    """Say whether something black with a steep border stands within the field."""
    parts, _ = label((ratio < PATCH_LIGHT[1]) & ~cut)
    for index, box in enumerate(find_objects(parts), start=1):
        inside = parts[box] == index
        sides = (part.stop - part.start for part in box)
        dark = np.count_nonzero(inside & (ratio[box] < PATCH_LIGHT[0]))
        if min(sides) > PATCH_SIDE * min(ratio.shape) and dark > PATCH_STEEP * np.count_nonzero(inside):
            return True
    return False


def refuse_exposure_of_field(mosaic: Mosaic, small: SmallFrame) -> None:
    """Raise where an even field is clipped or dim: a clipped field is flatter than the light was, shadows included."""
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
