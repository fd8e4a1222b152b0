"""Simulated results about the stand: pointing, illumination and sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright import Artefact

if TYPE_CHECKING:
    from collections.abc import Callable

    from glasswright import Setting

    Draw = Callable[[], float]

ROTATION_DEG: Final = 0.11
KNOCK_DEG: Final = 0.35
LIGHT_FRAC: Final = 0.58
BLACK_ERROR_DN: Final = 0.4
NOISE_DN: Final = 2.1
WHITE_COUNT: Final = 45_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedPointing(Artefact):
    """Result of the step `locate_chart`."""

    rotation_deg: float
    magnification_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedLight(Artefact):
    """Result of the step `reduce_flat`."""

    median_light_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedGain(Artefact):
    """Result of the step `measure_gain`."""

    white_count: float
    white_count_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedDark(Artefact):
    """Result of the step `combine_darks`."""

    black_error_dn: float
    black_error_dn_u: float
    noise_dn: float
    noise_dn_u: float


def simulate_sensor(setting: Setting | None, draw: Draw, *, knocked: bool) -> dict[str, Artefact]:
    """Return simulated results of a night's reference shots by step: at a setting, or of the whole ticket (None).

    Parameters
    ----------
    draw
        Returns standard normal numbers.
    knocked
        Whether the chart is rotated by a knock.
    """
    if setting is None:
        return {
            "combine_darks": RehearsedDark(
                black_error_dn=BLACK_ERROR_DN + 0.03 * draw(),
                black_error_dn_u=0.03,
                noise_dn=NOISE_DN + 0.01 * draw(),
                noise_dn_u=0.01,
            )
        }
    return {
        "locate_chart": RehearsedPointing(
            setting=setting,
            rotation_deg=ROTATION_DEG + 0.02 * draw() + (KNOCK_DEG if knocked else 0.0),
            magnification_frac=0.02 * (1 + 2e-4 * draw()),
        ),
        "reduce_flat": RehearsedLight(setting=setting, median_light_frac=LIGHT_FRAC * (1 + 0.004 * draw())),
        "measure_gain": RehearsedGain(
            setting=setting, white_count=WHITE_COUNT * (1 + 0.006 * draw()), white_count_u=0.006 * WHITE_COUNT
        ),
    }
