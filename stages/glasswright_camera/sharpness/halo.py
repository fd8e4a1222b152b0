"""Detection of wide weak halos, the uncertainty of MTF50 that they cause, and the light over an edge.

The light far from the edges is measured in `edges/kernel/far.py`. In one disc a halo's light is below the noise, but
all discs and planes of a lens share the halo, so they are averaged.

There are two numbers. `FarLight` is the light that the fits do not explain: nothing for a plain blur, of either sign
for a halo, so uncertainties are widened by it. `Spill` is the light itself, from whatever cause: haze adds to it, and
so do diffraction and defocus.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edges.repeats import main_plane
from glasswright_camera.robust import MEDIAN_U, robust_sigma

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
MIDDLE_SHAPE_U: Final = 1.3
"""The same over the light in the discs' middle. Far light changes its sign at halos of about 10 px, where MTF50 is most
wrong; there the relative error was 1.3 to 1.8 times the light in the middle (10 % of the light in 8 to 12 px, 20 % in
12 px; discs of 44 and 70 px radius)."""
LEAST_DISCS: Final = 9
"""Chosen: of fewer the scatter, and with it the median's uncertainty, is hardly known."""
LEAST_BLURS: Final = 7.0
"""Radius in blurs (1/MTF50) of a disc that can show a halo. Smaller ones show some: at 5.7 blurs a rehearsed haze, 0.29
of the light in 3.3 px, left 0.0002 and 0.0005 of the step, less than blurs without a halo do. Halos of about 8 px are
missed up to 9 blurs (`stages/DECISIONS.md`, known limits)."""
SPILL_FROM: Final = 2.0
"""Where spilt light is read, in 1/MTF50 from the edge: a Gaussian blur leaves nothing there."""
SPILL_ROOM: Final = 8.0
"""Radius, likewise, from which a disc's middle is dark but for what all of it shares."""
SPILL_WIDTH: Final = 0.25
"""Half the width over which it is averaged there, likewise."""
HALO: Final = "wide_halo"
UNSEEN_HALO: Final = "halo_unseen"
UNSEEN: Final = (
    f"a wide weak halo (haze) would not be seen: fewer than {LEAST_DISCS} discs have a radius of {LEAST_BLURS:g} blurs "
    "(1/MTF50)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FarLight:
    """Light far from the edges that the fits do not predict, in the ring in which it is largest."""

    value: float
    """Of the step; NaN where too few discs are large enough."""
    value_u: float
    middle: float = 0.0
    """Light in the discs' middle over the fitted dark level, of the step."""
    has_room: bool = True
    """Whether enough discs are large enough for any halo to show."""

    @property
    def is_halo(self) -> bool:
        """Whether it is significantly more than blurs without a halo give."""
        return abs(self.value) > WIDE_HALO + SURE_OF_HALO * self.value_u

    def mtf50_u(self) -> float:
        """Return the relative standard uncertainty of MTF50 that the halo causes; 0 without one."""
        if not self.is_halo:
            return 0.0
        return math.hypot(FAR_LIGHT_SHAPE_U * self.value, MIDDLE_SHAPE_U * self.middle)

    def caveats(self) -> tuple[str, ...]:
        """Return the caveat that there is a halo, or that none could be detected."""
        if self.is_halo:
            return (HALO,)
        return () if self.has_room and np.isfinite(self.value) else (UNSEEN_HALO,)

    def notes(self) -> tuple[str, ...]:
        """Return a note if there is a halo, or if none could be detected."""
        if not self.is_halo:
            return (UNSEEN,) if self.caveats() else ()
        return (
            f"a wide weak halo (haze, spherical aberration, scatter): light of {100 * self.value:+.2f} % of the step "
            f"far from the discs' edges, without a halo less than {100 * WIDE_HALO:.2f} %; MTF50 may therefore be "
            f"wrong by {100 * self.mtf50_u():.1f} %, which its uncertainty includes",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spill:
    """Light that falls over an edge farther than 2/MTF50, of the step: both sides together."""

    value: float
    """NaN where too few discs have the room."""
    value_u: float


def find_spill(repeats: Repeats) -> Spill:
    """Read spilt light in the main plane, from the light 2/MTF50 inside the discs less that in their middle.

    A blur that is even to both sides throws as much over the edge one way as the other, so the dark side is read,
    where print is more even than paper, and doubled. Median over discs and shots, as of `find_far_light`. What reaches
    the disc's middle as well (a veil, a halo as wide as the discs) is no part of it: that is glare.
    """
    main = main_plane(repeats.traces[0])
    if not all(trace.middle_light.size for trace in repeats.traces):
        return Spill(value=float("nan"), value_u=float("nan"))
    blur = 1 / repeats.stack(lambda trace: trace.mtf50)[:, main].mean(axis=-1)
    middle = repeats.stack(lambda trace: trace.middle_light)[:, main]
    profile = repeats.stack(lambda trace: np.asarray(trace.profile, dtype=np.float64))[:, main]
    away = -repeats.traces[0].distance_px / blur[..., None, None] - SPILL_FROM
    seen = (np.abs(away) <= SPILL_WIDTH) & np.isfinite(profile)
    count = seen.sum(axis=(-2, -1))
    light = np.where(seen, profile, 0.0).sum(axis=(-2, -1)) / np.maximum(count, 1)
    room = repeats.stack(lambda trace: trace.radius_px)[:, main] >= SPILL_ROOM * blur
    spill = (2 * (light - middle))[(count > 0) & room & np.isfinite(middle)]
    if len(spill) < LEAST_DISCS:
        return Spill(value=float("nan"), value_u=float("nan"))
    value, value_u = _middle_of(spill)
    return Spill(value=value, value_u=value_u)


def _middle_of(own: Array) -> tuple[float, float]:
    """Return the median of discs and its standard uncertainty by their scatter."""
    return float(np.median(own)), float(MEDIAN_U * robust_sigma(own) / np.sqrt(len(own)))


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
            found.append(_middle_of(own))
    if not found:
        return FarLight(value=float("nan"), value_u=float("nan"))
    value, value_u = max(found, key=lambda each: abs(each[0]) - SURE_OF_HALO * each[1])
    middle = repeats.stack(lambda trace: trace.middle_light)
    known_middle = middle[np.isfinite(middle)]
    main = main_plane(repeats.traces[0])
    blurs = repeats.stack(lambda trace: trace.radius_px[:, :, None] * trace.mtf50)[:, main].mean(axis=(0, -1))
    return FarLight(
        value=value,
        value_u=value_u,
        middle=float(np.median(known_middle)) if known_middle.size else 0.0,
        has_room=int((blurs >= LEAST_BLURS).sum()) >= LEAST_DISCS,
    )
