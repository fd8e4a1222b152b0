"""Named faults of lens and shooting."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from glasswright_rehearsal.scene.lens import Lens

LENS_FAULTS = MappingProxyType(
    {
        "tilted_group": "one side in focus before, the other behind the sensor",
        "decentred_element": "coma over the whole field, one side worse, shifted colours, falloff off centre",
        "wrong_spacing": "blur everywhere, and field curvature",
        "curved_field": "field curvature: the middle is sharp, the corners are not",
        "haze": "light scattered into a halo, contrast lost",
        "lateral_colour": "red and blue images larger or smaller than green",
        "barrel_shift": "distortion far from the design's",
        "vignetting_obstruction": "light to one corner obstructed",
    }
)
"""Name -> effect."""
FOCUS_FAULTS = MappingProxyType({"autofocus_offset": "autofocus stops before or behind the subject"})
"""Name -> effect. Faults of the lens that show only where the camera focuses: in ramp shots."""

LOCKED_FAULTS = MappingProxyType(
    {
        "focus_shift": "best focus moves away as the aperture closes",
        "zoom_shift": "best focus moves on zooming",
    }
)
"""Name -> effect. Faults of the lens that show in ramp shots with the focus locked."""
SIZE_FAULTS = MappingProxyType({"strong_breathing": "the image's size changes with focus more than it should"})
"""Name -> effect. Faults of the lens that show only in a focus series."""
NEAR_FAULTS = MappingProxyType({"near_softness": "soft at short distances only"})
"""Name -> effect. Faults of the lens that show on the near chart."""
NEAR_BLUR_UM = 40.0
"""Added growth of the blur with the magnification by this fault at severity 1."""
GLASS_FAULTS = MappingProxyType({"dim_glass": "less light passes, at all f-numbers"})
"""Name -> effect. Faults of the lens that show only in the amount of light."""
FOCUS_SHIFT_UM, DIM_EV, BREATHING = 30.0, 0.4, 0.5
"""Effect of these faults at severity 1."""

APERTURE_FAULTS = MappingProxyType(
    {
        "aperture_step": "all shots at the first f-number after the widest get too much light",
        "aperture_scatter": "the blades close differently for each shot",
        "sticky_aperture": "the first shot after a rest gets too much light",
    }
)
"""Name -> effect. Faults of the lens that show only in the amount of light."""

SHOOTING_FAULTS = MappingProxyType(
    {
        "shake": "the chart shots of one setting are blurred in one direction",
        "lamp_drift": "one lamp was dimmer in the chart shots of one setting than in its panel shots",
        "tilted_chart": "the chart was not parallel to the sensor",
        "half_copied_file": "the second half of one chart file is missing",
        "clipped": "the paper is overexposed in one setting",
        "knocked_stand": "the chart shots of one setting contain a second, weaker image a few pixels away",
    }
)
"""Name -> effect."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of one ticket."""

    name: str
    severity: float = 1.0
    direction_deg: float = 0.0

    @property
    def is_of_lens(self) -> bool:
        """Return whether it is a fault of the lens, not of the shooting."""
        hidden = {*LOCKED_FAULTS, *SIZE_FAULTS, *GLASS_FAULTS, *NEAR_FAULTS}
        return self.name in {*LENS_FAULTS, *FOCUS_FAULTS, *APERTURE_FAULTS, *hidden}


def draw_fault(text: str, generator: np.random.Generator) -> Fault:
    """Draw a fault's direction, and its severity from 0.8 to 1.3 unless the text has one."""
    name, given = split_strength(text)
    drawn = float(generator.uniform(0.8, 1.3))
    return Fault(
        name=name,
        severity=drawn if given is None else given,
        direction_deg=float(generator.uniform(0, 360)),
    )


def split_strength(text: str) -> tuple[str, float | None]:
    """Split `haze:0.5` into name and strength; the strength is None for a name alone.

    Raises
    ------
    ValueError
        If the strength is no number from 0.05 to 3.
    """
    name, colon, strength = text.partition(":")
    if not colon:
        return name, None
    if not 0.05 <= float(strength) <= 3:
        raise ValueError(f"a strength of {strength} is outside 0.05 to 3")
    return name, float(strength)


def find_fault(faults: tuple[Fault, ...], *names: str) -> Fault | None:
    """Return the first fault with one of the names, or None."""
    return next((fault for fault in faults if fault.name in names), None)


def apply_lens_fault(lens: Lens, fault: Fault, opened: float) -> Lens:
    """Return the lens with a fault.

    Parameters
    ----------
    lens
        The healthy lens at its setting.
    fault
        A fault of the shooting does not change the lens.
    opened
        Lowest f-number over this one: blur that grows with the aperture is scaled by it.
    """
    turn = np.deg2rad(fault.direction_deg)
    towards = (float(np.cos(turn)), float(np.sin(turn)))
    effect = _EFFECTS.get(fault.name)
    return lens if effect is None else effect(lens, fault, opened, towards)


def _tilt(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened
    a = lens.aberrations
    slope = 40.0 * fault.severity
    tilt = (a.tilt_um[0] + slope * towards[0], a.tilt_um[1] + slope * towards[1])
    return replace(lens, aberrations=replace(a, tilt_um=tilt))


def _decentre(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    a, s = lens.aberrations, fault.severity
    # coma grows with the third power of the aperture
    worse = replace(
        a,
        coma_waves=a.coma_waves + 1.2 * s * opened**3,
        decentre_deg=fault.direction_deg,
        decentre_gradient=0.6 * s,
    )
    red = _move(lens.red.shift_px, towards, 0.35 * s)
    blue = _move(lens.blue.shift_px, towards, -0.45 * s)
    centre = _move(lens.falloff.centre_shift_frac, towards, 0.04 * s)
    return replace(
        lens,
        aberrations=worse,
        red=replace(lens.red, shift_px=red),
        blue=replace(lens.blue, shift_px=blue),
        falloff=replace(lens.falloff, centre_shift_frac=centre),
    )


def _move(pair: tuple[float, float], towards: tuple[float, float], step: float) -> tuple[float, float]:
    return pair[0] + step * towards[0], pair[1] + step * towards[1]


def _misspace(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del towards
    a, s = lens.aberrations, fault.severity
    worse = replace(
        a,
        blur_um=a.blur_um + 2.0 * s * opened,
        field_curvature_um=a.field_curvature_um + 25.0 * s,
    )
    return replace(lens, aberrations=worse)


def _curve(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    a = lens.aberrations
    # same sign as the design's curvature, so that the fault does not improve the lens
    sign = -1 if a.field_curvature_um < 0 else 1
    curved = a.field_curvature_um + sign * 32.0 * fault.severity
    return replace(lens, aberrations=replace(a, field_curvature_um=curved))


def _haze(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    s = fault.severity
    return replace(lens, aberrations=replace(lens.aberrations, haze_frac=0.25 * s, halo_um=20.0, veil_frac=0.05 * s))


def _colour(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    s = fault.severity
    return replace(
        lens,
        red=replace(lens.red, c1=lens.red.c1 + 6e-4 * s),
        blue=replace(lens.blue, c1=lens.blue.c1 - 5e-4 * s),
    )


def _barrel(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    return replace(lens, distortion=replace(lens.distortion, k1=lens.distortion.k1 - 0.012 * fault.severity))


def _shift_focus(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del towards
    a = lens.aberrations
    # an image farther from the lens is behind the sensor
    moved = a.defocus_um + FOCUS_SHIFT_UM * fault.severity * (1 - opened**2)
    return replace(lens, aberrations=replace(a, defocus_um=moved))


def _dim(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    return replace(lens, transmission_ev=lens.transmission_ev - DIM_EV * fault.severity)


def _breathe(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    return replace(lens, breathing_ratio=lens.breathing_ratio + BREATHING * fault.severity)


def _obstruct(lens: Lens, fault: Fault, opened: float, towards: tuple[float, float]) -> Lens:
    del opened, towards
    # towards one corner of a 3:2 frame
    corner = (33.69, 146.31, 213.69, 326.31)[int(fault.direction_deg // 90) % 4]
    falloff = replace(lens.falloff, obstruction_ev=0.8 * fault.severity, obstruction_deg=corner)
    return replace(lens, falloff=falloff)


_EFFECTS: Mapping[str, Callable[[Any, Fault, float, tuple[float, float]], Any]] = MappingProxyType(
    {
        "tilted_group": _tilt,
        "decentred_element": _decentre,
        "wrong_spacing": _misspace,
        "curved_field": _curve,
        "haze": _haze,
        "lateral_colour": _colour,
        "barrel_shift": _barrel,
        "vignetting_obstruction": _obstruct,
        "focus_shift": _shift_focus,
        "dim_glass": _dim,
        "strong_breathing": _breathe,
    }
)
