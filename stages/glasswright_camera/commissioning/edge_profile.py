"""Transfer function across one edge of a close frame, from its profile, without a model of the blur.

The edge may be straight or slightly curved. Its place is fitted as a polynomial along the edge, the pixels are averaged
in bins of their distance from it, and the differences of the bins are transformed. Two edges that were treated alike
share the errors of this, so that their quotient is free of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

BIN_PX: Final = 0.25
ORDER: Final = 4
"""Order of the edge's place along it: an arc of a large disc to 0.1 px."""
ENDS: Final = 0.7
"""Share of the reach beyond which light is taken as level."""
LEAST_REACH_PX: Final = 15.0
MOST_EMPTY: Final = 0.2
"""Largest share of bins without a pixel."""
MOST_CLIPPED: Final = 1e-3
"""Largest share of clipped pixels; hot pixels are fewer."""

Direction = Literal["across", "down"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePixels:
    """Pixels of one colour plane about an edge."""

    distance_px: Array
    """From the edge, light side positive."""
    light: Array
    reach_px: float
    """Distance to either side that all parts of the edge have."""


def collect_edge(
    mosaic: Mosaic, box: tuple[float, float, float, float], direction: Direction, plane: int
) -> EdgePixels:
    """Collect the pixels of a plane in a box (left, top, right, bottom in fractions of the frame) about its one edge.

    Parameters
    ----------
    direction
        Of the blur: `across` for an edge that runs down the frame.

    Raises
    ------
    Unmeasurable
        Without an edge, or with one too near to the box's sides.
    """
    x, y, light = list_pixels(mosaic, box, plane)
    if direction == "down":
        x, y = y, x
    low, high = float(x.min()), float(x.max())
    margin = 0.12 * (high - low)
    left, right = float(np.mean(light[x < low + margin])), float(np.mean(light[x > high - margin]))
    if abs(right - left) < 0.2 * max(left, right):
        raise Unmeasurable("no edge between a dark and a light side lies in the box: correct it in the notes")
    share = (light - left) / (right - left)
    rows, index = np.unique(y, return_inverse=True)
    # the integral over a row of what it lacks of the far level gives the edge's place
    place = low + (high - low) * (1 - np.bincount(index, share) / np.bincount(index))
    along = (rows - rows.mean()) / np.ptp(rows)
    line = np.polynomial.Polynomial.fit(along, place, ORDER)
    slope = line.deriv()(along) / np.ptp(rows)
    side = 1.0 if right > left else -1.0
    distance = side * (x - line(along)[index]) * np.cos(np.arctan(slope))[index]
    reach = min(float(line(along).min()) - low, high - float(line(along).max()))
    if reach < LEAST_REACH_PX:
        raise Unmeasurable(
            f"the edge comes within {reach:.0f} px of the box's side, {LEAST_REACH_PX:.0f} are needed: correct the box"
        )
    return EdgePixels(distance_px=distance, light=light, reach_px=reach)


def list_pixels(mosaic: Mosaic, box: tuple[float, float, float, float], plane: int) -> tuple[Array, Array, Array]:
    """Return place and light of a plane's pixels in a box."""
    channels, height, width = mosaic.values.shape
    left, right = (int(box[k] * width) for k in (0, 2))
    top, bottom = (int(box[k] * height) for k in (1, 3))
    y, x = np.mgrid[top:bottom, left:right]
    rows, columns = mosaic.pattern.shape[1:]
    parts = []
    for channel in range(channels):
        site = y % rows, x % columns
        chosen = mosaic.pattern[channel][site] == plane
        raw = mosaic.values[channel, top:bottom, left:right].astype(np.float64)
        if np.mean(raw[chosen] >= mosaic.white_dn) > MOST_CLIPPED:
            raise Unmeasurable("the light side of the edge is overexposed: expose it at half of white, and shoot again")
        light = (raw - mosaic.black_dn[channel][site]) / (mosaic.white_dn - mosaic.black_dn[channel][site])
        parts.append(np.stack([x[chosen], y[chosen], light[chosen]]))
    found = np.concatenate(parts, axis=1)
    if found.shape[1] < 1000:
        raise Unmeasurable("the box is too small: it holds fewer than 1000 pixels of a colour; correct it in the notes")
    return found[0], found[1], found[2]


def transform_edge(pixels: EdgePixels, reach_px: float, frequency: Array) -> Array:
    """Return the transfer function at frequencies (cycles/px) from the pixels within a reach.

    Raises
    ------
    Unmeasurable
        Where the edge runs so exactly along the pixels that many bins are empty.
    """
    count = int(reach_px / BIN_PX)
    edges = np.arange(-count, count + 1) * BIN_PX
    middle = (edges[1:] + edges[:-1]) / 2
    number, _ = np.histogram(pixels.distance_px, edges)
    total, _ = np.histogram(pixels.distance_px, edges, weights=pixels.light)
    filled = number > 0
    if np.mean(~filled) > MOST_EMPTY:
        raise Unmeasurable("the edge runs along the pixels: turn it by 3 to 10 degrees, and shoot again")
    profile = np.interp(middle, middle[filled], total[filled] / number[filled])
    # the light's slope is that of the light side, where the blur has ended
    far = middle > ENDS / 2 * reach_px
    slope, level = np.polyfit(middle[far], profile[far], 1)
    profile = profile / (1 + slope / level * middle)
    for end in (middle > ENDS * reach_px, middle < -ENDS * reach_px):
        profile[end] = profile[end].mean()
    step = np.diff(profile)
    wave = np.exp(-2j * np.pi * frequency[:, None] * edges[1:-1])
    # averaging in bins and taking differences each multiply by sinc
    return np.asarray(np.abs(wave @ step) / step.sum() / np.sinc(BIN_PX * frequency) ** 2)
