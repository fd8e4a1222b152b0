"""Measure the light in the middle of one frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

import numpy as np

from glasswright import Artefact, Unmeasurable, stage
from glasswright_camera.mosaic import Mosaic

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

BOX: Final = 1 / 8
"""Size of the box over the frame's: it contains more paper than discs, and a corner loss of 2 EV reduces its light by
less than 0.01 EV."""
CLIPPED: Final = 0.01
"""Fraction of clipped pixels above which the frame is refused."""
MEDIAN_OVER_MEAN: Final = float(np.sqrt(np.pi / 2))
"""Standard error of a median over that of a mean, normal noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightLevel(Artefact):
    """Light in the middle of one frame, of the diffuse source or the chart's paper."""

    needs_exposure_time: ClassVar[bool] = True

    shot: str
    role: str
    light_frac: float
    """Median over the box as a fraction of white; green plane, or the only one."""
    light_frac_u: float
    """From the scatter of the box's pixels."""
    exposure_time_s: float | None
    """From the file or ticket.yaml; the next two from the file."""
    iso: float | None
    captured_at: str


@stage
def read_light_level(mosaic: Mosaic) -> LightLevel:
    """Measure the light in the middle of one frame.

    Parameters
    ----------
    mosaic
        The diffuse source or the chart. The median on the chart is the paper's light: discs cover an eighth of it.

    Raises
    ------
    Unmeasurable
        If the middle of the frame is clipped or dark.
    """
    plane = mosaic.planes.index("green") if "green" in mosaic.planes else 0
    light, clipped = _middle(mosaic, plane)
    if clipped > CLIPPED:
        raise Unmeasurable(f"{100 * clipped:.0f} % of the pixels in the middle of the frame are clipped: expose less")
    low, level, high = (float(each) for each in np.percentile(light, [15.87, 50, 84.13]))
    if level <= 0:
        raise Unmeasurable("there is no light in the middle of the frame: check whether the lens cap was off")
    return LightLevel(
        shot=mosaic.shot,
        role=mosaic.role,
        light_frac=level,
        light_frac_u=MEDIAN_OVER_MEAN * (high - low) / 2 / float(np.sqrt(len(light))),
        exposure_time_s=mosaic.facts.exposure_time_s,
        iso=mosaic.facts.iso,
        captured_at=mosaic.facts.captured_at or "",
    )


def refuse_untimed(levels: Sequence[LightLevel]) -> None:
    """Raise Unmeasurable if an exposure time is missing."""
    untimed = [level.shot for level in levels if not level.exposure_time_s]
    if untimed:
        raise Unmeasurable(
            f"{len(untimed)} of {len(levels)} files have no exposure time ({untimed[0]}): give `exposure_time_s` in "
            "ticket.yaml under `shots`"
        )


def _middle(mosaic: Mosaic, plane: int) -> tuple[NDArray[np.float64], float]:
    """Return the light of a plane's pixels in the box as a fraction of white, and the fraction of clipped ones."""
    starts, stops = [], []
    for size in mosaic.values.shape[1:]:
        starts.append(round(size * (1 - BOX) / 2))
        stops.append(max(round(size * (1 + BOX) / 2), starts[-1] + 12))
    period_y, period_x = mosaic.pattern.shape[1:]
    lights, clipped = [], 0
    for channel, y, x in np.argwhere(mosaic.pattern == plane):
        top, left = starts[0] + (y - starts[0]) % period_y, starts[1] + (x - starts[1]) % period_x
        value = mosaic.values[channel, top : stops[0] : period_y, left : stops[1] : period_x].ravel()
        black = mosaic.black_dn[channel, y, x]
        lights.append((value - black) / (mosaic.white_dn - black))
        clipped += int(np.count_nonzero(value >= mosaic.white_dn))
    light = np.concatenate(lights)
    return light, clipped / len(light)
