"""Steadiness of the light between shots of one setting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import format_against

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LEVEL_CHANGE: Final = "level_change"
MAINS_CYCLES: Final = 5
"""Fewest mains cycles of an exposure for which the lamp's ripple averages out."""


def find_level_change(
    levels: NDArray[np.float64], exposure_times_s: Sequence[float | None], limit_pct: float
) -> tuple[float, tuple[str, ...], tuple[str, ...]]:
    """Return the largest change of light between shots in per cent, and its caveats and notes.

    Parameters
    ----------
    levels
        (shots,): light of each.
    exposure_times_s
        Of each; levels are corrected for it where all are known.
    limit_pct
        Limit above which there is a caveat.
    """
    if len(levels) < 2:
        return 0.0, (), ()
    rates = levels / np.array(exposure_times_s, dtype=np.float64) if all(exposure_times_s) else levels
    change_pct = 100 * float(np.ptp(rates) / rates.mean())
    if change_pct <= limit_pct:
        return change_pct, (), ()
    return (
        change_pct,
        (LEVEL_CHANGE,),
        (
            f"the light changes by {format_against(change_pct, limit_pct, '.1f')} % between the shots, more than "
            f"{limit_pct:g} %: let the lamp warm up, expose over whole mains cycles, shoot again",
        ),
    )


def note_flicker(exposure_times_s: Sequence[float | None], mains_hz: float) -> tuple[str, ...]:
    """Return a note where an exposure lasts fewer than five mains cycles."""
    known = [time for time in exposure_times_s if time]
    if not known or min(known) >= MAINS_CYCLES / mains_hz:
        return ()
    least = MAINS_CYCLES / mains_hz
    return (
        f"the shortest exposure, {format_against(min(known), least, '.3g')} s, is less than {MAINS_CYCLES} mains "
        f"cycles ({least:g} s): a mains lamp's ripple may show",
    )
