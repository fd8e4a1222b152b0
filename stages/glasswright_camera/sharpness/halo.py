"""Wide weak halos: whether the discs of a frame show one, and how uncertain MTF50 is for it.

`edges/kernel/far.py` says what the light far from the edges is. A halo belongs to the whole lens, so its planes and
discs are taken together: in one disc its light is below noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats

    Array = NDArray[np.float64]

WIDE_HALO: Final = 6e-4
"""Share of the step from which far light is a halo's. Measured on discs of 44 px radius under a core of 0.7 px, planes
and discs together: blurs without a halo leave up to 4e-4 (at 30 px radius 5e-4), 3 % of the light in 8 px 10e-4."""
SURE_OF_HALO: Final = 3.0
"""Of its standard uncertainties far light must exceed WIDE_HALO by."""
FAR_LIGHT_SHAPE_U: Final = 12.0
"""Relative standard uncertainty of MTF50 for each share of the step that a halo leaves: with 3 to 20 % of the light in
5 to 12 px, and tails that fall as r^-3, MTF50 was off by 3 to 27 times that share."""
MAD: Final = 1.4826
MEDIAN_U: Final = 1.2533
"""Standard deviation over the median absolute deviation, and uncertainty of a median over that of a mean: of a normal
distribution."""
LEAST_DISCS: Final = 9
HALO: Final = "wide_halo"
UNSEEN: Final = (
    f"a wide weak halo (haze) would not be seen: fewer than {LEAST_DISCS} discs have a radius of ten blurs (1/MTF50)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FarLight:
    """Light that the fits leave far from the edges, in the ring of the discs in which it is largest."""

    value: float
    """Of the step; NaN where too few discs have the room."""
    value_u: float

    @property
    def is_halo(self) -> bool:
        """Whether it is more than a blur without a halo leaves."""
        return abs(self.value) > WIDE_HALO + SURE_OF_HALO * self.value_u

    def mtf50_u(self) -> float:
        """Return the relative standard uncertainty of MTF50 that comes of it; 0 where it is no halo's."""
        return FAR_LIGHT_SHAPE_U * abs(self.value) if self.is_halo else 0.0

    def caveats(self) -> tuple[str, ...]:
        """Return the caveat, if there is a halo."""
        return (HALO,) if self.is_halo else ()

    def notes(self) -> tuple[str, ...]:
        """Return what to say of a halo: that there is one, or that none could be seen."""
        if not np.isfinite(self.value):
            return (UNSEEN,)
        if not self.is_halo:
            return ()
        return (
            f"a wide weak halo (haze, spherical aberration, scatter): {100 * self.value:+.2f} % of the step is left "
            f"far from the discs' edges, less than {100 * WIDE_HALO:.2f} % without a halo; MTF50 may be off by "
            f"{100 * self.mtf50_u():.1f} % for it, as its uncertainty says",
        )


def find_far_light(repeats: Repeats) -> FarLight:
    """Average the light left far from the edges over planes, discs and shots.

    A median over the discs, so that dust on one does not count; its uncertainty is their scatter's, in which paper and
    light are.
    """
    if not all(trace.far_light.size for trace in repeats.traces):
        return FarLight(value=float("nan"), value_u=float("nan"))
    light = repeats.stack(lambda trace: trace.far_light)
    known = np.isfinite(light)
    disc = np.where(known, light, 0.0).sum(axis=(0, 1)) / np.maximum(known.sum(axis=(0, 1)), 1)
    found = []
    for ring in range(light.shape[-1]):
        own = disc[known[..., ring].any(axis=(0, 1)), ring]
        if len(own) >= LEAST_DISCS:
            middle = float(np.median(own))
            scatter = MAD * float(np.median(np.abs(own - middle)))
            found.append((middle, float(MEDIAN_U * scatter / np.sqrt(len(own)))))
    if not found:
        return FarLight(value=float("nan"), value_u=float("nan"))
    value, value_u = max(found, key=lambda each: abs(each[0]) - SURE_OF_HALO * each[1])
    return FarLight(value=value, value_u=value_u)
