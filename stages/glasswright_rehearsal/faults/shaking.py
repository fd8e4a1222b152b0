"""Shots on the shop's shaker, stabiliser off and on: straight movements of known length, or those of a real shaker."""

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

SHAKING_FAULTS = MappingProxyType({"weak_stabiliser": "the stabiliser takes off far less than it should"})
"""Name -> what it does."""

TIMES_S = MappingProxyType(
    {
        "shake_off": (Fraction(1, 80), Fraction(1, 60), Fraction(1, 40), Fraction(1, 30)),
        "shake_on": (Fraction(1, 30), Fraction(1, 8), Fraction(1, 5), Fraction(1, 4)),
    }
)
"""Role -> exposure times."""
SPEED_UM_S = 950.0
"""Of the image on the sensor, stabiliser off: 30 um, the blur circle in common use, in about 1/32 s."""
SCATTER = 0.15
"""Of the logarithm of a movement's length: where in its swing the shaker was."""
STRAIGHT = "straight"
"""The pattern of even straight movements."""
HEALTHY_STOPS = 3.2
WEAK_STOPS = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class ShakenShot:
    """One shot: its role, exposure time and the movement of the image during it."""

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
    """Return what the lens's stabiliser takes off, in stops of exposure time."""
    weak = find_fault(faults, *SHAKING_FAULTS)
    return WEAK_STOPS / weak.severity if weak else HEALTHY_STOPS


def draw_shaken_shots(
    stops: float, repeats: int, pitch_um: float, generator: np.random.Generator, pattern: str = STRAIGHT
) -> tuple[ShakenShot, ...]:
    """Draw the movement of every shot: straight, even, in any direction, longer with the exposure time; or a shaker's.

    Parameters
    ----------
    stops
        Doublings of the exposure time that the stabiliser is worth: it slows the image by that power of two.
    repeats
        Shots at each exposure time.
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
    """Return the truth, ready for JSON."""
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
