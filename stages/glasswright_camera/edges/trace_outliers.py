"""Outliers among the shots of one setting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright_camera.edges.trace import Trace

FAR: Final = 3.5
"""Modified z-score from which a member is odd (Iglewicz and Hoaglin 1993; from memory)."""
LEAST_CHANGE: Final = 0.03
"""Relative differences of MTF50 below this never make a shot odd, as the scatter of three shots may be tiny by
chance."""

DIFFERENT_BY_NATURE: Final = frozenset({"focus_series", "shake_off", "shake_on"})


def odd_traces(members: Sequence[Trace]) -> Mapping[int, str]:
    """Return the shots whose median MTF50 is an outlier: index -> reason.

    Steps of a focus series and shots on the shaker differ on purpose and are never odd. Shots of different settings are
    not compared.
    """
    if members[0].role in DIFFERENT_BY_NATURE or len({member.setting for member in members}) > 1:
        return {}
    if not all(np.isfinite(member.mtf50).any() for member in members):
        return {}
    level = np.array([np.nanmedian(member.mtf50) for member in members])
    middle = float(np.median(level))
    score = (level - middle) / max(robust_sigma(level), LEAST_CHANGE * middle / FAR)
    return {
        int(index): (
            f"median MTF50 {level[index]:.3f} cycles/pixel, in all shots of the setting {middle:.3f}: "
            "focus or the stand moved"
        )
        for index in np.flatnonzero(np.abs(score) > FAR)
    }
