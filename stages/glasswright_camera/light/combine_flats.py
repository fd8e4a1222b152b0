"""The stage that combines a setting's flat or panel shots to one gain map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.light.flat import FlatField, FlatShot
from glasswright_camera.light.flat_outlying import find_misfit, find_outlying
from glasswright_camera.light.flat_surface import Windows, lay_axis, lay_windows
from glasswright_camera.light.levels import find_level_change, note_flicker
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray


@stage
def combine_flats(shots: tuple[FlatShot, ...], stand: Stand) -> FlatField:
    """Combine the flat or panel shots of a setting: one smooth gain map per plane, 1 at the frame's centre.

    Each shot is divided by its own level at the centre, so a lamp's change between shots only causes a caveat; the
    remaining scatter enters the gain's uncertainty. Blocks off the smooth surface (dust) are left out and interpolated.
    A shadow too wide for that (something in the lens) is fitted as well as a smooth map can, and the misfit enters the
    gain's uncertainty.

    Parameters
    ----------
    shots
        The repeats, of one role and frame size.
    stand
        For the limit on changes of the light, and the mains frequency.

    Raises
    ------
    Unmeasurable
        The shots are not repeats, or too few good blocks are left somewhere.
    """
    refuse_mixture(shots)
    first = shots[0]
    size = (first.width_px, first.height_px)
    offsets = [(float(x), float(y)) for x, y in first.offset_px]
    grids = [lay_grid(size, first.block_px, offset) for offset in offsets]
    maps = [map_plane(grid, shots, plane) for plane, grid in enumerate(grids)]
    times = [shot.exposure_time_s for shot in shots]
    levels = np.array([each.levels for each in maps])
    change_pct, caveats, notes = find_level_change(levels.mean(axis=0), times, stand.shooting.level_change_pct)
    left_out = sum(each.left_out for each in maps)
    notes = (*notes, *note_flicker(times, stand.shooting.mains_hz))
    if left_out:
        notes = (*notes, f"{left_out} blocks deviate from the smooth field (dust?) and were interpolated")
    followed = max(each.followed for each in maps)
    if followed:
        text = f"{followed} blocks lie in shadows too wide to interpolate, and the map includes the shadows"
        notes = (*notes, f"{text}: something in the lens? See `find_spots`")
    return FlatField(
        role=first.role,
        width_px=first.width_px,
        height_px=first.height_px,
        planes=first.planes,
        block_px=first.block_px,
        gain=np.array([each.gain for each in maps], dtype=np.float32),
        gain_u=np.array([each.gain_u for each in maps], dtype=np.float32),
        light_level=levels.mean(axis=1).astype(np.float32),
        shot_count=len(shots),
        shots=tuple(shot.shot for shot in shots),
        exposure_time_s=times[0] if len(set(times)) == 1 else None,
        level_change_pct=change_pct,
        corner_gain=np.array([each.corners for each in maps]),
        corner_gain_u=np.array([each.corners_u for each in maps]),
        caveats=caveats,
        notes=notes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The places at which a plane's light is evaluated, each with the blocks about it."""

    own: Windows
    """The middles of the blocks as cut by the frame."""
    nominal: Windows
    """The middles of the blocks as if they were whole: the points of the gain map."""
    middle: Windows
    """Points about the frame's centre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """The gain of one plane."""

    gain: NDArray[np.float64]
    gain_u: NDArray[np.float64]
    levels: NDArray[np.float64]
    """(shots,): light at the frame's centre."""
    left_out: int
    corners: NDArray[np.float64]
    """(4,): gain of the outermost blocks."""
    corners_u: NDArray[np.float64]
    followed: int
    """Blocks of shadows too wide to interpolate."""


def refuse_mixture(shots: tuple[FlatShot, ...]) -> None:
    """Raise Unmeasurable where the shots are not repeats of one another."""
    kinds = {(shot.role, shot.width_px, shot.height_px, shot.planes, shot.block_px): shot.shot for shot in shots}
    if len(kinds) > 1:
        text = "; ".join(
            f"{name} is a {role} of {width} x {height} pixels, planes {', '.join(planes)}, blocks of {block:g}"
            for (role, width, height, planes, block), name in kinds.items()
        )
        raise Unmeasurable(f"the shots do not belong together: {text}")


@lru_cache(maxsize=8)
def lay_grid(size_px: tuple[int, int], block_px: float, offset_px: tuple[float, float]) -> Grid:
    """Return the grid of a plane for one frame size; cached, since a night's flats share a few."""
    x_axis, y_axis = (lay_axis(size, block_px, offset) for size, offset in zip(size_px, offset_px, strict=True))
    own_y, own_x = np.meshgrid(y_axis.centre, x_axis.centre, indexing="ij")
    y, x = np.meshgrid(y_axis.nominal, x_axis.nominal, indexing="ij")
    middle = surround((size_px[0] / block_px / 2, size_px[1] / block_px / 2))
    return Grid(
        own=lay_windows(x_axis, y_axis, own_x.ravel(), own_y.ravel()),
        nominal=lay_windows(x_axis, y_axis, x.ravel(), y.ravel()),
        middle=lay_windows(x_axis, y_axis, *middle),
    )


def map_plane(grid: Grid, shots: tuple[FlatShot, ...], plane: int) -> PlaneMap:
    """Return the gain of one plane: the mean of the shots' own smooth maps, and its uncertainty."""
    light = np.array([shot.light[plane] for shot in shots], dtype=np.float64)
    light_u = np.array([shot.light_u[plane] for shot in shots], dtype=np.float64)
    good = np.asarray(np.isfinite(light).all(axis=0))
    mean_u = np.sqrt((light_u**2).mean(axis=0) / len(shots))
    mean = np.where(good, light.mean(axis=0), 1.0)
    bridged, followed = find_outlying(grid.own, mean, np.where(good, mean_u, 1.0), good)
    kept = good & ~bridged
    whole, centre = grid.nominal.smoother(kept), grid.middle.smoother(kept)
    levels = np.array([centre.value(each).mean() for each in light])
    gains = np.array([whole.value(each) / level for each, level in zip(light, levels, strict=True)])
    noise = np.array([whole.variance(each**2) / level**2 for each, level in zip(light_u, levels, strict=True)]).mean(
        axis=0
    )
    scatter = pool_nearby(gains.reshape(len(shots), *good.shape).var(axis=0, ddof=1)).ravel() if len(shots) > 1 else 0.0
    gain = gains.mean(axis=0).reshape(good.shape)
    own = np.sqrt(np.maximum(noise, scatter) / len(shots)).reshape(good.shape)
    corners, corners_u = read_corners(light, light_u, levels)
    misfit = find_misfit(mean / levels.mean(), mean_u / levels.mean(), gain, bridged, followed, good)
    return PlaneMap(
        gain=gain,
        gain_u=np.hypot(own, misfit),
        levels=levels,
        corners=corners,
        corners_u=corners_u,
        left_out=int(np.count_nonzero(bridged)),
        followed=int(np.count_nonzero(followed)),
    )


def read_corners(
    light: NDArray[np.float64], light_u: NDArray[np.float64], levels: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the gain of the outermost block in each corner, and its uncertainty: (4,); NaN without good light.

    Parameters
    ----------
    light, light_u
        (shots, rows, columns).
    levels
        (shots,): light at the frame's centre.
    """
    places = ([0, 0, -1, -1], [0, -1, 0, -1])
    gains = np.array([each[places] for each in light]) / levels[:, None]
    noise = np.mean((np.array([each[places] for each in light_u]) / levels[:, None]) ** 2, axis=0)
    scatter = gains.var(axis=0, ddof=1) if len(gains) > 1 else np.zeros(4)
    return gains.mean(axis=0), np.sqrt(np.maximum(noise, scatter) / len(gains))


def surround(middle: tuple[float, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y of four points very near the frame's centre.

    Where the centre lies between blocks, each point has other nearest blocks, and their mean favours no side.
    """
    tiny = 1e-9
    x, y = middle
    return np.array([x - tiny, x + tiny, x - tiny, x + tiny]), np.array([y - tiny, y - tiny, y + tiny, y + tiny])


def pool_nearby(variance: NDArray[np.float64], reach: int = 2) -> NDArray[np.float64]:
    """Return the mean of a map over the 5 x 5 blocks about each, as a few repeats give little for a single block."""
    padded = np.pad(variance, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(windows.mean(axis=(2, 3)))
