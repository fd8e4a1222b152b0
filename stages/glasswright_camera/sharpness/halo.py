"""Detection of wide weak halos, and the uncertainty of MTF50 that they cause.

The light far from the edges is measured in `edges/kernel/far.py`. In one disc a halo's light is below the noise, but
all discs and planes of a lens share the halo, so they are averaged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats

    Array = NDArray[np.float64]

WIDE_HALO: Final = 6e-4
"""Far light, of the step, above which there is a halo. Measured on discs of 44 px radius with a core of 0.7 px,
averaged over planes and discs: blurs without a halo give up to 4e-4 (at 30 px radius 5e-4); 3 % of the light in a halo
of 8 px gives 10e-4."""
SURE_OF_HALO: Final = 3.0
"""Standard uncertainties by which far light must exceed WIDE_HALO."""
FAR_LIGHT_SHAPE_U: Final = 12.0
"""Relative standard uncertainty of MTF50 over the halo's far light, of the step. With 3 to 20 % of the light in halos
of 5 to 12 px, and with tails that fall as r^-3, the relative error of MTF50 was 3 to 27 times the far light."""
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
    """Light far from the edges that the fits do not predict, in the ring in which it is largest."""

    value: float
    """Of the step; NaN where too few discs are large enough."""
    value_u: float

    @property
    def is_halo(self) -> bool:
        """Whether it is significantly more than blurs without a halo give."""
        return abs(self.value) > WIDE_HALO + SURE_OF_HALO * self.value_u

    def mtf50_u(self) -> float:
        """Return the relative standard uncertainty of MTF50 that the halo causes; 0 without one."""
        return FAR_LIGHT_SHAPE_U * abs(self.value) if self.is_halo else 0.0

    def caveats(self) -> tuple[str, ...]:
        """Return the caveat, if there is a halo."""
        return (HALO,) if self.is_halo else ()

    def notes(self) -> tuple[str, ...]:
        """Return a note if there is a halo, or if none could be detected."""
        if not np.isfinite(self.value):
            return (UNSEEN,)
        if not self.is_halo:
            return ()
        return (
            f"a wide weak halo (haze, spherical aberration, scatter): light of {100 * self.value:+.2f} % of the step "
            f"far from the discs' edges, without a halo less than {100 * WIDE_HALO:.2f} %; MTF50 may therefore be "
            f"wrong by {100 * self.mtf50_u():.1f} %, which its uncertainty includes",
        )


def find_far_light(repeats: Repeats) -> FarLight:
    """Average the far light over planes and shots, and take its median over the discs, so that dust does not count.

    The standard uncertainty comes from the scatter of the discs, which includes unevenness of paper and lighting.
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
