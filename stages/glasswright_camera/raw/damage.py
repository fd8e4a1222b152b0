"""Signs of damage in decoded pixels, where a reader silently replaced missing data.

With sensor noise neighbouring sites of a colour are never equal over a long run; in the zeros of a half-copied file and
the filler of a cut stream they are. Single flipped bits are not found here; for them a hash must be taken at capture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.compiled import compiled, part

if TYPE_CHECKING:
    from numpy.typing import NDArray

RUN_PX: Final = 32
"""Length of a run. With noise of 0.5 DN neighbours are equal 4 times in 10, a whole run once in 10^12."""
FLAT_RUNS_ALLOWED: Final = 3
MEANS_EVERY: Final = 4
"""Every fourth row has its runs averaged: enough to tell how bright the frame's brightest hundredth is."""
ZERO_SHARE_ALLOWED: Final = 1e-4
"""Largest share of exact zeros: more than dead pixels, less than a hole of 64 KB in 24 megapixels."""
WITHIN_NOISE: Final = 0.005
"""Black level, of white, up to which noise may reach 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelCensus:
    """Counts of one pass over the frame."""

    flat_rows: int
    """Rows that repeat with the pattern's period from end to end, without clipped ones."""
    first_flat_row: int
    flat_runs: int
    """The same for runs of `RUN_PX` pixels."""
    zeros: int
    clipped: int
    largest: int
    run_means: NDArray[np.float32]
    """(channels, rows, runs): mean of each run of the rows MEANS_EVERY apart."""


@compiled
def scan_pixels(
    values: NDArray[np.uint16], period: int, white: int
) -> tuple[int, int, int, int, int, int, NDArray[np.float32]]:  # pragma: no cover - compiled
    """Return flat rows, the first of them, flat runs, zeros, clipped pixels, the largest value, and the runs' means."""
    channels, height, width = values.shape
    runs = max(1, width // 32)
    means = np.zeros((channels, (height + MEANS_EVERY - 1) // MEANS_EVERY, runs), np.float32)
    flat_rows, first_flat_row, flat_runs, zeros, clipped, largest = 0, -1, 0, 0, 0, 0
    for channel in range(channels):
        for y in range(height):
            row = values[channel, y]
            # separate simple loops over a row vectorise
            most, least = np.uint16(0), np.uint16(65535)
            for x in range(width):
                most = max(most, row[x])
            for x in range(width):
                least = min(least, row[x])
            largest = max(largest, int(most))
            if least == 0:
                zeros += np.sum(row == 0)
            if most >= white:
                clipped += np.sum(row >= white)
            flat_runs_of_row = 0
            for run in range(runs):
                # a slice for each run would take most of the time
                start, stop = run * 32, width if run == runs - 1 else run * 32 + 32
                if y % MEANS_EVERY == 0:
                    total = np.uint32(0)
                    for x in range(start, stop):
                        total = np.uint32(total + row[x])
                    means[channel, y // MEANS_EVERY, run] = total / (stop - start)
                if _repeats(row, start, stop, period):
                    flat_runs_of_row += 1
                    flat_runs += np.min(row[start:stop]) < white
            if flat_runs_of_row == runs and least < white:
                flat_rows += 1
                if first_flat_row < 0:
                    first_flat_row = y
    return flat_rows, first_flat_row, flat_runs, zeros, clipped, largest, means


@part
def _repeats(row: NDArray[np.uint16], start: int, stop: int, period: int) -> bool:  # pragma: no cover - compiled
    """Return whether the pixels of a run repeat with a period."""
    x = start + period
    while x < stop and row[x] == row[x - period]:
        x += 1
    return x >= stop


def take_census(values: NDArray[np.uint16], *, period: int, white_dn: float) -> PixelCensus:
    """Count the signs of damage and of wrong exposure in one pass.

    Parameters
    ----------
    values
        (channels, height, width).
    period
        Columns after which the colour pattern repeats.
    white_dn
        Value from which on a pixel counts as clipped.
    """
    flat_rows, first, flat_runs, zeros, clipped, largest, means = scan_pixels(values, period, int(np.ceil(white_dn)))
    return PixelCensus(
        flat_rows=flat_rows,
        first_flat_row=first,
        flat_runs=flat_runs,
        zeros=zeros,
        clipped=clipped,
        largest=largest,
        run_means=means,
    )


def refuse_damage(
    census: PixelCensus, *, size: int, ceiling_dn: int, black_frac: float, coarse: bool, unlit: bool
) -> None:
    """Raise Unmeasurable if the pixels show damage.

    Parameters
    ----------
    census
        The counts.
    size
        Number of values in the frame.
    ceiling_dn
        The largest value of the file's bit depth.
    black_frac
        Black as a share of white. At 0 all unlit pixels may be 0; near 0 noise may make some of them 0.
    coarse
        Whether the values have 8 bits or fewer, so that noise may be below one step.
    unlit
        Whether the shot is a dark; if its black is 0 as well, all pixels may be 0.

    Raises
    ------
    Unmeasurable
        Names the damage.
    """
    if unlit and black_frac <= 0:
        return
    if census.largest == 0:
        raise Unmeasurable("every pixel is zero: the pixel data were lost; copy the file again")
    if census.largest > ceiling_dn:
        raise Unmeasurable(
            f"the largest value is {census.largest}, more than the file's depth can hold ({ceiling_dn}): the data are "
            "damaged; copy the file again"
        )
    if census.flat_rows:
        raise Unmeasurable(
            f"{census.flat_rows} rows hold one repeated value from end to end (the first is row "
            f"{census.first_flat_row}): part of the pixel data was lost; copy the file again"
        )
    if black_frac > WITHIN_NOISE and census.zeros > ZERO_SHARE_ALLOWED * size:
        raise Unmeasurable(
            f"{100 * census.zeros / size:.2g} % of the pixels are exactly zero, far below black: part of the pixel "
            "data was lost; copy the file again"
        )
    if not coarse and census.flat_runs > FLAT_RUNS_ALLOWED:
        raise Unmeasurable(
            f"{census.flat_runs} runs of {RUN_PX} pixels hold one repeated value: part of the pixel data was lost; "
            "copy the file again"
        )
