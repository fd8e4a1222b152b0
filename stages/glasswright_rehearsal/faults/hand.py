"""Answers to hand checks in a rehearsed ticket, and faults found only by hand checks."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright_rehearsal.scene.models import LensModel

WHO = "rehearsal"
WHEN = "2026-03-02"

ZOOM_CHECKS = ("zoom_creep_up", "zoom_creep_down")
STABILISER_CHECKS = ("stabiliser_noise",)
COMMON_CHECKS = (
    "front_glass",
    "rear_glass",
    "look_through",
    "mount",
    "contacts",
    "focus_ring_manual",
    "focus_ring_autofocus",
    "switches",
    "aperture_blades",
)

HAND_FAULTS = MappingProxyType({"zoom_creep": "the zoom of a lens that points down slides by itself; zoom lenses only"})
"""Name -> effect."""
FAILED_CHECK = MappingProxyType({"zoom_creep": ("zoom_creep_down", "slid from 50 mm to 70 mm in three seconds")})
"""Fault -> the check that finds it, and its note."""


def is_zoom(model: LensModel) -> bool:
    """Return whether a model is a zoom; the rehearsed zooms also have a stabiliser."""
    return len(model.designs) > 1


def answer_hand_checks(model: LensModel, faults: tuple[str, ...]) -> dict[str, dict[str, str]]:
    """Return the signed answers of a ticket: `pass`; `not_applicable` to the model; `fail` for a fault."""
    has = (*COMMON_CHECKS, *((*ZOOM_CHECKS, *STABILISER_CHECKS) if is_zoom(model) else ()))
    answers = {
        name: {"answer": "pass" if name in has else "not_applicable", "who": WHO, "when": WHEN}
        for name in (*COMMON_CHECKS, *ZOOM_CHECKS, *STABILISER_CHECKS)
    }
    for fault in FAILED_CHECK.keys() & set(faults):
        failed, note = FAILED_CHECK[fault]
        answers[failed] |= {"answer": "fail", "note": note}
    return answers
