"""Shots on the shop's shaker, stabiliser off and on: straight motion of known length, or that of a real shaker."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from glasswright_rehearsal.faults.kinds import find_fault
from glasswright_rehearsal.faults.swinging import draw_path, straight_length

if TYPE_CHECKING:
    from glasswright_rehearsal.faults.kinds import Fault

SHAKING_FAULTS = MappingProxyType({"weak_stabiliser": "the stabiliser corrects far less than it should"})
"""Name -> effect."""

TIMES_S = MappingProxyType(
    {
        "shake_off": (Fraction(1, 80), Fraction(1, 60), Fraction(1, 40), Fraction(1, 30)),
        "shake_on": (Fraction(1, 30), Fraction(1, 8), Fraction(1, 5), Fraction(1, 4)),
    }
)
"""Role -> exposure times."""
SPEED_UM_S = 950.0
"""Speed of the image on the sensor, stabiliser off: 30 um, the usual blur circle, in about 1/32 s."""
SCATTER = 0.15
"""Standard deviation of the logarithm of a motion's length, by the shaker's phase."""
STRAIGHT = "straight"
"""Name of uniform straight motion."""
HEALTHY_STOPS = 3.2
WEAK_STOPS = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class ShakenShot:
    """One shot: role, exposure time and motion of the image."""

    role: str
    exposure_s: Fraction
    motion_px: tuple[float, float] = (0.0, 0.0)
    """Even and straight."""
    path_px: tuple[tuple[float, float], ...] = ()
    """Of a real shaker, in equal parts of the exposure."""

    def length_px(self) -> float:
        """Return the length of the straight even movement that blurs as much."""
        return straight_length(np.array(self.path_px)) if self.path_px else float(np.hypot(*self.motion_px))


def find_stops(faults: tuple[Fault, ...]) -> float:
    """Return the benefit of the lens's stabiliser, in stops of exposure time."""
    weak = find_fault(faults, *SHAKING_FAULTS)
    return WEAK_STOPS / weak.severity if weak else HEALTHY_STOPS


def draw_shaken_shots(
    stops: float, repeats: int, pitch_um: float, generator: np.random.Generator, pattern: str = STRAIGHT
) -> tuple[ShakenShot, ...]:
    """Draw the motion of every shot: straight, uniform, random direction, proportional to time; or a real shaker's.

    Parameters
    ----------
    stops
        Benefit of the stabiliser: it slows the image by this power of two.
    repeats
        Number of shots at each exposure time.
    pattern
        `straight`, or one of `swinging.PATTERNS`.
    """
    shots = []
    for role, times in TIMES_S.items():
        speed = SPEED_UM_S / (2**stops if role == "shake_on" else 1)
        for time in times:
            for _ in range(repeats):
                if pattern != STRAIGHT:
                    path = draw_path(pattern, speed, float(time), generator) / pitch_um
                    shots.append(
                        ShakenShot(role=role, exposure_s=time, path_px=tuple((x, y) for x, y in path.tolist()))
                    )
                    continue
                length = speed * float(time) * float(np.exp(SCATTER * generator.standard_normal())) / pitch_um
                turn = float(generator.uniform(0, np.pi))
                motion = (length * float(np.cos(turn)), length * float(np.sin(turn)))
                shots.append(ShakenShot(role=role, exposure_s=time, motion_px=motion))
    return tuple(shots)


def describe_shaking(stops: float, shots: tuple[ShakenShot, ...], pitch_um: float) -> dict[str, Any]:
    """Return the true values, ready for JSON."""
    return {
        "benefit_stops": stops,
        "shots": [
            {
                "role": shot.role,
                "exposure_time_s": float(shot.exposure_s),
                "motion_um": shot.length_px() * pitch_um,
            }
            for shot in shots
        ],
    }
