"""Patterns of points that chance seldom makes: the eight tests for a chart of individuals.

ISO 8258:1991 prints these eight; ISO 7870-2 keeps them as tests for assignable causes. Numbers are distances from the
centre line in standard deviations, in order of time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.statistics.baseline import LIMIT_SIGMAS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Test = Callable[[Array], bool]

FAR_SIGMAS: Final = 2.0
APART_SIGMAS: Final = 1.0


def is_beyond_limits(last: Array) -> bool:
    """One point beyond three sigma."""
    return bool(abs(last[-1]) > LIMIT_SIGMAS)


def is_on_one_side(last: Array) -> bool:
    """Every point on the same side of the centre."""
    return bool((last > 0).all() or (last < 0).all())


def is_trend(last: Array) -> bool:
    """Every point above the one before it, or every one below."""
    steps = np.diff(last)
    return bool((steps > 0).all() or (steps < 0).all())


def is_alternating(last: Array) -> bool:
    """Up and down in turn."""
    steps = np.diff(last)
    return bool((steps[1:] * steps[:-1] < 0).all())


def are_two_of_three_far(last: Array) -> bool:
    """Two of three points beyond two sigma on the same side, the newest among them."""
    return _counts_beyond(last, FAR_SIGMAS, 2)


def are_four_of_five_apart(last: Array) -> bool:
    """Four of five points beyond one sigma on the same side, the newest among them."""
    return _counts_beyond(last, APART_SIGMAS, 4)


def is_hugging(last: Array) -> bool:
    """Every point within one sigma: the limits are drawn too wide, or the numbers are not what they seem."""
    return bool((abs(last) < APART_SIGMAS).all())


def is_avoiding(last: Array) -> bool:
    """No point within one sigma, on both sides: two things are mixed."""
    return bool((abs(last) > APART_SIGMAS).all())


def _counts_beyond(last: Array, sigmas: float, count: int) -> bool:
    side = np.sign(last[-1])
    beyond = last * side > sigmas
    return bool(beyond[-1] and beyond.sum() >= count)


TESTS: Final[Mapping[str, tuple[int, Test, str]]] = {
    "beyond_limits": (1, is_beyond_limits, "beyond the limits"),
    "run_on_one_side": (9, is_on_one_side, "nine nights in a row on one side of the centre"),
    "trend": (6, is_trend, "six nights in a row steadily rising or falling"),
    "alternating": (14, is_alternating, "fourteen nights in a row up and down in turn"),
    "two_of_three_far": (3, are_two_of_three_far, "two of three nights beyond two sigma on one side"),
    "four_of_five_apart": (5, are_four_of_five_apart, "four of five nights beyond one sigma on one side"),
    "hugging": (15, is_hugging, "fifteen nights in a row within one sigma"),
    "avoiding": (8, is_avoiding, "eight nights in a row beyond one sigma on both sides"),
}
"""Name -> how many of the last points it looks at, the test of those, and what it says."""

LONGEST: Final = max(count for count, _, _ in TESTS.values())
"""More points than this no test looks at."""


def find_signals(distances: Sequence[float]) -> tuple[str, ...]:
    """Name the patterns that the newest of these points completes.

    Parameters
    ----------
    distances
        (points,) from the centre in standard deviations, the newest last; those of one memory, without a restart.
    """
    known = np.asarray(distances, dtype=np.float64)
    return tuple(
        name for name, (count, test, _) in TESTS.items() if len(known) >= count and test(known[len(known) - count :])
    )
