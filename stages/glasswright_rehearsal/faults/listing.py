"""List of all faults, by group."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from glasswright_rehearsal.faults.dirt import DIRT_FAULTS
from glasswright_rehearsal.faults.hand import HAND_FAULTS
from glasswright_rehearsal.faults.kinds import (
    APERTURE_FAULTS,
    FOCUS_FAULTS,
    GLASS_FAULTS,
    LENS_FAULTS,
    LOCKED_FAULTS,
    NEAR_FAULTS,
    SHOOTING_FAULTS,
    SIZE_FAULTS,
)
from glasswright_rehearsal.faults.shaking import SHAKING_FAULTS

if TYPE_CHECKING:
    from collections.abc import Mapping

FAULT_GROUPS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "of the lens": LENS_FAULTS,
        "of focusing: add --ramp-shots 5": FOCUS_FAULTS,
        "of focusing, with the focus locked: add --locked-ramps": LOCKED_FAULTS,
        "of the image's size: add --focus-series": SIZE_FAULTS,
        "at short distances: add --near": NEAR_FAULTS,
        "of the aperture: add --shots-per-setting 3 --flats-per-setting 3": APERTURE_FAULTS,
        "of the glass": DIRT_FAULTS | GLASS_FAULTS,
        "of the stabiliser: add --shaken-shots 3": SHAKING_FAULTS,
        "found by hand": HAND_FAULTS,
        "of the shooting, not of the lens": SHOOTING_FAULTS,
    }
)
"""Group -> name -> effect."""

NO_FAULT = "none"


def fault_names() -> tuple[str, ...]:
    """Return the names of all faults, and `none`."""
    return (*(name for group in FAULT_GROUPS.values() for name in group), NO_FAULT)


def list_faults() -> str:
    """Return the list of faults as text, with a heading for each group."""
    width = max(len(name) for name in fault_names())
    lines: list[str] = []
    for heading, faults in FAULT_GROUPS.items():
        lines += [heading, *(f"  {name:{width}}  {meaning}" for name, meaning in faults.items()), ""]
    return "\n".join([*lines, f"  {NO_FAULT:{width}}  a healthy lens and correct shots"])
