"""Signal, temporal noise and signs of in-camera processing from pairs of equally lit frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

MIDDLE: Final = slice(0.25, 0.75)
"""Part of the frame's width and height that is evaluated: the light is most even there."""
CORNER: Final = 0.15
"""Part of width and height that belongs to a corner."""
ROUNDING_DN2: Final = 1 / 12
REJECT_BEYOND: Final = 6.0
COMMON_CODE: Final = 20.0
"""Expected number of pixels from which a value that no pixel has counts as missing."""
PILED: Final = 0.2
"""Fraction of the pixels with one and the same value from which a frame counts as overexposed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLevels:
    """Two frames reduced; arrays over the sites of the colour pattern."""

    exposure_time_s: float
    signal_dn: Array
    """Mean of the middle of the frame, black not subtracted."""
    variance_dn2: Array
    """Variance of a pixel between frames, rounding noise subtracted."""
    corner_signal_dn: Array
    corner_variance_dn2: Array
    neighbour: Array
    """Noise correlation of neighbouring pixels of one site, mean of the horizontal and vertical one."""
    pixel_count: Array
    missing_frac: float
    """Fraction of the values that should occur and never do."""
    top_dn: float
    """The 99.9th percentile of the pixels."""
    level_change_frac: float
    """Light of the second frame over the first's, minus 1."""


def split_sites(values: NDArray[np.uint16], period: tuple[int, int]) -> Iterator[NDArray[np.uint16]]:
    """Return the pixels of each site of the colour pattern, channel by channel."""
    for channel in values:
        for row in range(period[0]):
            for column in range(period[1]):
                yield channel[row :: period[0], column :: period[1]]


def reduce_pair(first: Mosaic, second: Mosaic, black_dn: Array) -> PairLevels:
    """Reduce two frames of the same light and exposure; `black_dn` holds each site's black level, in order.

    Raises
    ------
    Unmeasurable
        If sizes or patterns differ, or both are the same frame.
    """
    if first.values.shape != second.values.shape or not np.array_equal(first.pattern, second.pattern):
        raise Unmeasurable(f"{first.shot} and {second.shot} are not of one frame size and colour pattern")
    if first.pixel_digest and first.pixel_digest == second.pixel_digest:
        raise Unmeasurable(f"{first.shot} and {second.shot} are the same frame: shoot the light twice")
    period = (first.pattern.shape[1], first.pattern.shape[2])
    columns: dict[str, list[float]] = {}
    for one, other, black in zip(
        split_sites(first.values, period), split_sites(second.values, period), black_dn.ravel(), strict=True
    ):
        for name, value in _reduce_site(one, other, float(black)).items():
            columns.setdefault(name, []).append(value)
    found = {name: np.array(each) for name, each in columns.items()}
    middle = np.concatenate([cut_middle(site).ravel() for site in split_sites(first.values, period)])
    return PairLevels(
        exposure_time_s=first.facts.exposure_time_s or 0.0,
        level_change_frac=float(np.mean(found.pop("change"))),
        missing_frac=max(measure_missing(cut_middle(site)) for site in split_sites(first.values, period)),
        top_dn=float(np.percentile(middle, 99.9)),
        **found,
    )


def _reduce_site(one: NDArray[np.uint16], other: NDArray[np.uint16], black: float) -> dict[str, float]:
    first, second = cut_middle(one).astype(np.float64) - black, cut_middle(other).astype(np.float64) - black
    lit = abs(second.mean()) > 20.0  # darks are not scaled to each other
    change = second.mean() / first.mean() if lit else 1.0
    off = first - (second / change if lit else second)
    off -= off.mean()
    spread = off.std()
    off[np.abs(off) > REJECT_BEYOND * spread] = 0.0
    variance = float(np.mean(off**2))
    across, down = np.mean(off[:, 1:] * off[:, :-1]), np.mean(off[1:] * off[:-1])
    corners = [_measure_corner(a, b, black, change) for a, b in zip(cut_corners(one), cut_corners(other), strict=True)]
    return {
        "signal_dn": black + float((first.mean() + second.mean() / change) / 2),
        "variance_dn2": variance / 2 - ROUNDING_DN2,
        "corner_signal_dn": black + float(np.mean([signal for signal, _ in corners])),
        "corner_variance_dn2": float(np.mean([each for _, each in corners])) - ROUNDING_DN2,
        "neighbour": float((across + down) / 2 / variance) if variance else 0.0,
        "pixel_count": float(off.size),
        "change": change - 1.0,
    }


def _measure_corner(
    one: NDArray[np.uint16], other: NDArray[np.uint16], black: float, change: float
) -> tuple[float, float]:
    first, second = one.astype(np.float64) - black, (other.astype(np.float64) - black) / change
    off = first - second
    off -= off.mean()
    off[np.abs(off) > REJECT_BEYOND * off.std()] = 0.0
    return float((first.mean() + second.mean()) / 2), float(np.mean(off**2)) / 2


def cut_middle(site: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Return the middle of a site's pixels."""
    height, width = site.shape
    return site[
        int(MIDDLE.start * height) : int(MIDDLE.stop * height), int(MIDDLE.start * width) : int(MIDDLE.stop * width)
    ]


def cut_corners(site: NDArray[np.uint16]) -> Iterator[NDArray[np.uint16]]:
    """Return the four corners of a site's pixels."""
    rows, columns = int(CORNER * site.shape[0]), int(CORNER * site.shape[1])
    for y in (slice(None, rows), slice(-rows, None)):
        for x in (slice(None, columns), slice(-columns, None)):
            yield site[y, x]


def measure_missing(site: NDArray[np.uint16]) -> float:
    """Return the fraction of values that no pixel has but many should: it is high if a body writes coarse steps."""
    counts = np.bincount(site.ravel()).astype(np.float64)
    smooth = np.convolve(counts, np.ones(33) / 33, mode="same")
    wanted = smooth > COMMON_CODE
    return float(np.mean(counts[wanted] == 0)) if wanted.any() else 0.0


def find_clip(mosaic: Mosaic) -> float | None:
    """Return the clipping level of an overexposed frame, the lowest of all sites; None if it is not overexposed."""
    period = (mosaic.pattern.shape[1], mosaic.pattern.shape[2])
    found = []
    for site in split_sites(mosaic.values, period):
        middle = cut_middle(site)
        top = float(np.percentile(middle, 99.9))
        if np.mean(middle == top) < PILED:
            return None
        found.append(top)
    return min(found)
