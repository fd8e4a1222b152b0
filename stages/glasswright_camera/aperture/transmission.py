"""Light that a lens transmits, relative to the reference lens."""

from __future__ import annotations

from dataclasses import dataclass
from math import log2, sqrt
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Artefact, Unmeasurable, stage
from glasswright_camera.aperture.light_level import LightLevel, refuse_untimed
from glasswright_camera.aperture.marks import stops_of, time_rounding_ev
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

NAN: Final = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmission(Artefact):
    """Light of the diffuse source through the lens at one setting, for its exposure time and f-number."""

    transmission_ev: float
    """Relative to the reference lens; negative for less light. NaN if the stand file has no `reference_light`."""
    transmission_ev_u: float
    level_ev: float
    """Logarithm to base 2 of light (of white) times the square of the f-number over the exposure time in seconds."""
    level_ev_u: float
    shot_count: int


@stage
def measure_transmission(flats: tuple[LightLevel, ...], stand: Stand) -> Transmission:
    """Compare the light of the diffuse source through this lens and through the reference lens.

    The illuminance in the middle of the image is ``pi L tau / (4 N^2)`` for a luminance L and a transmittance tau (the
    camera equation, any handbook of photography; T-number: N over the root of tau). So at one luminance light times
    N^2 over exposure time is proportional to tau.

    Parameters
    ----------
    flats
        Light in the middle of each shot of the diffuse source, focused as the reference lens was.
    stand
        `reference_light` is the level of the reference lens, with the source's change since then as its uncertainty;
        `light_step_u_ev` is the uncertainty of light and shutter.

    Returns
    -------
    Transmission
        An error of the aperture has the same effect, and so has the rounded marking of a lowest f-number, up to 0.14
        EV: the latter is the same in all copies of a model. So a limit holds at one f-number, about the model's value.

    Raises
    ------
    Unmeasurable
        If exposure times or f-numbers are missing, or the sensitivity is not that of the reference.
    """
    refuse_untimed(flats)
    reference = stand.reference_light
    for flat in flats:
        if flat.setting is None or flat.setting.f_number is None:
            raise Unmeasurable(f"{flat.shot} has no f-number: give it in ticket.yaml under `shots`")
        if reference is not None and None not in (flat.iso, reference.iso) and flat.iso != reference.iso:
            raise Unmeasurable(
                f"{flat.shot} was shot at ISO {flat.iso:g}, the stand's `reference_light` at ISO {reference.iso:g}: "
                "shoot the flats at that sensitivity"
            )
    levels, rounding = _read_levels(flats)
    level, level_u = float(levels.mean()), 0.0
    if len(levels) > 1:
        level_u = float(levels.std(ddof=1)) / sqrt(len(levels))
    level_u = float(np.sqrt(level_u**2 + stand.light_step_u_ev**2 + rounding**2))
    return Transmission(
        transmission_ev=level - reference.level_ev if reference else NAN,
        transmission_ev_u=float(np.hypot(level_u, reference.u_ev)) if reference else NAN,
        level_ev=level,
        level_ev_u=level_u,
        shot_count=len(flats),
        notes=()
        if reference
        else (
            "the stand file has no `reference_light`: enter `level_ev` of the reference lens, and how much it varies",
        ),
    )


def _read_levels(flats: Sequence[LightLevel]) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], float]:
    """Return each shot's level, by the mean of both readings of its exposure time, and half of their difference."""
    levels, halves = [], []
    for flat in flats:
        number = flat.setting.f_number if flat.setting and flat.setting.f_number else NAN
        time = flat.exposure_time_s or NAN
        half = time_rounding_ev(time) / 2
        halves.append(abs(half))
        levels.append(log2(flat.light_frac / time) + stops_of(number) + half)
    return np.array(levels, dtype=np.float64), float(np.mean(halves))
