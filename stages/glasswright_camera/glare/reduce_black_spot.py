"""The stage that reduces a shot of a black patch in a bright field."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import label

from glasswright import Unmeasurable, stage
from glasswright_camera.glare.result import BlackSpot
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.small_frame import shrink_mosaic
from glasswright_camera.stand import Fraction

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

BLOCK_PX: Final = 4
LEAST_RADIUS_PX: Final = 12.0
INSIDE: Final = 0.5
"""Radius of the area measured inside the patch, in its radii; farther out blur adds light from the field."""
AROUND: Final = (1.6, 2.6)
"""Inner and outer radius of the field about the patch, in its radii."""
LEVELS_U_DN: Final = 0.5
"""Uncertainty of a file's black level, which is an integer."""


@stage
def reduce_black_spot(mosaic: Mosaic, *, edge_frac: Fraction = 0.5) -> BlackSpot:
    """Find a black patch in an even bright field, and measure the light in it and about it.

    Parameters
    ----------
    mosaic
        The diffuse source with a black hole or light trap in front of it, anywhere in the frame.
    edge_frac
        Light of the patch's border, over the field's.

    Returns
    -------
    BlackSpot
        Of the green plane, or the only one. Light from the patch itself counts as glare.

    Raises
    ------
    Unmeasurable
        Where there is no patch or several, or it is too small or too near the frame's border.
    """
    small = shrink_mosaic(mosaic, BLOCK_PX)
    parts, count = label(small.light < edge_frac * np.median(small.light))
    sizes = np.bincount(parts.ravel(), minlength=count + 1)[1:]
    # dark areas at the frame's border are vignetting, not patches
    sizes[np.setdiff1d([parts[0], parts[-1]], [0]) - 1] = 0
    sizes[np.setdiff1d([parts[:, 0], parts[:, -1]], [0]) - 1] = 0
    big = np.flatnonzero(sizes * BLOCK_PX**2 >= np.pi * LEAST_RADIUS_PX**2)
    if len(big) != 1:
        found = f"{len(big)} dark patches" if len(big) else f"no dark patch of {2 * LEAST_RADIUS_PX:g} pixels"
        raise Unmeasurable(
            f"{found} in the frame; hang one black patch in front of the bright field ({count} specks seen), or, if "
            "this is the field alone, move it to `flat/` or `panel/`"
        )
    rows, columns = np.nonzero(parts == big[0] + 1)
    centre = small.to_sensor(np.array([columns.mean(), rows.mean()]))
    radius = float(np.sqrt(len(rows) * BLOCK_PX**2 / np.pi))
    plane = mosaic.planes.index("green") if "green" in mosaic.planes else 0
    place, light, level_u = _plane_pixels(mosaic, plane, centre, AROUND[1] * radius)
    distance = np.hypot(*(place - centre).T)
    inside, around = distance < INSIDE * radius, (distance > AROUND[0] * radius) & (distance < AROUND[1] * radius)
    field, field_u = _carry_on((place - centre)[around] / radius, light[around])
    spot, core = light[inside], light[distance < INSIDE * radius / 2]
    leak = abs(float(core.mean() - spot.mean())) / np.sqrt(3)
    noise = float(spot.std(ddof=1) / np.sqrt(len(spot)))
    return BlackSpot(
        shot=mosaic.shot,
        spot_light_frac=float(spot.mean()),
        spot_light_frac_u=float(np.sqrt(noise**2 + leak**2 + level_u**2)),
        field_light_frac=field,
        field_light_frac_u=float(np.hypot(field_u, level_u)),
        diameter_px=2 * radius,
        x_px=float(centre[0]),
        y_px=float(centre[1]),
    )


def _plane_pixels(mosaic: Mosaic, plane: int, centre: Array, reach: float) -> tuple[Array, Array, float]:
    """Return places and light of a plane's pixels in the square about the patch, and the uncertainty of black.

    Raises
    ------
    Unmeasurable
        Where the square leaves the frame.
    """
    height, width = mosaic.values.shape[1:]
    low, high = np.floor(centre - reach).astype(int), np.ceil(centre + reach).astype(int) + 1
    if low.min() < 0 or high[0] > width or high[1] > height:
        raise Unmeasurable(
            f"the black patch at x {centre[0]:.0f}, y {centre[1]:.0f} is too near the frame's border for its size: "
            f"{reach:.0f} pixels of bright field are needed on all sides of its middle"
        )
    rows, columns = np.arange(low[1], high[1]), np.arange(low[0], high[0])
    period_y, period_x = mosaic.pattern.shape[1:]
    sites = np.ix_(rows % period_y, columns % period_x)
    places, lights = [], []
    for channel in range(mosaic.pattern.shape[0]):
        y, x = np.nonzero(mosaic.pattern[channel][sites] == plane)
        black = mosaic.black_dn[channel][sites][y, x]
        lights.append((mosaic.values[channel][rows[y], columns[x]] - black) / (mosaic.white_dn - black))
        places.append(np.column_stack([columns[x], rows[y]]).astype(np.float64))
    return np.concatenate(places), np.concatenate(lights), LEVELS_U_DN / mosaic.white_dn


def _carry_on(offset: Array, light: Array) -> tuple[float, float]:
    """Return the light at the patch's middle, from a quadratic fitted to the light about it, and its uncertainty."""
    x, y = offset.T
    design = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    fit = np.linalg.lstsq(design, light, rcond=None)[0]
    spread = float(((light - design @ fit) ** 2).sum()) / (len(light) - design.shape[1])
    return float(fit[0]), float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0] * spread))
