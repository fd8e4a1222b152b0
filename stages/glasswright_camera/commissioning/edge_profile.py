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
WINDOWS_PX: Final = (60.0, 30.0, 15.0)
"""Half widths of the windows in which the edge's place is found, one after another."""
ROUNDS: Final = 4
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
    side = 1.0 if right > left else -1.0
    place, slope = find_line(x, y, side * light)
    distance = side * (x - place) * np.cos(np.arctan(slope))
    reach = find_reach(x, place)
    if reach < LEAST_REACH_PX:
        raise Unmeasurable(
            f"the edge comes within {reach:.0f} px of the box's side, {LEAST_REACH_PX:.0f} are needed: correct the box"
        )
    return EdgePixels(distance_px=distance, light=light, reach_px=reach)


def find_reach(x: Array, place: Array) -> float:
    """Return the distance of an edge from the nearer side of the pixels at `x`."""
    return float(min(place.min() - x.min(), x.max() - place.max()))


def find_line(x: Array, y: Array, light: Array) -> tuple[Array, Array]:
    """Return the place and the slope of an edge, which is lighter towards larger x, in the row of each pixel.

    At first the edge's place in a row follows from the row's mean light in a window; the window narrows, so that the
    light's own slope hardly counts. Then the line is moved by least squares until the pixels fit the mean profile.
    """
    rows, index = np.unique(y, return_inverse=True)
    along = (rows - rows.mean()) / np.ptp(rows)
    middle = np.full(len(rows), (x.min() + x.max()) / 2)
    for number, window in enumerate(((x.max() - x.min()) / 2, *WINDOWS_PX)):
        half = min(window, find_reach(x, middle)) if number else window
        if half < LEAST_REACH_PX:
            break
        offset = x - middle[index]
        near = np.abs(offset) <= half
        dark, bright = (float(np.mean(light[near & (sign * offset > 0.75 * half)])) for sign in (-1, 1))
        count = np.bincount(index[near], minlength=len(rows))
        total = np.bincount(index[near], light[near], minlength=len(rows))
        known = count > 0
        share = (total[known] / count[known] - dark) / (bright - dark)
        middle = np.polynomial.Polynomial.fit(along[known], middle[known] + half * (1 - 2 * share), ORDER)(along)
    if half < LEAST_REACH_PX:
        return middle[index], np.zeros(len(x))
    powers = np.vander(along, ORDER + 1)
    edges = np.arange(-WINDOWS_PX[-1], WINDOWS_PX[-1] + 0.25, 0.5)
    centres = (edges[1:] + edges[:-1]) / 2
    for _ in range(ROUNDS):
        offset = x - middle[index]
        counts, _ = np.histogram(offset, edges)
        sums, _ = np.histogram(offset, edges, weights=light)
        filled = counts > 0
        profile = np.interp(centres, centres[filled], sums[filled] / counts[filled])
        near = np.abs(offset) < centres[-1]
        fall = np.interp(offset[near], centres, np.gradient(profile, centres))
        design = -fall[:, None] * powers[index[near]]
        left = light[near] - np.interp(offset[near], centres, profile)
        middle = middle + powers @ np.linalg.lstsq(design, left, rcond=None)[0]
    slope = np.polynomial.Polynomial.fit(along, middle, ORDER).deriv()(along) / np.ptp(rows)
    return middle[index], slope[index]


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
