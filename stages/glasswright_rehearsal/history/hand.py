"""Answers to hand checks in a rehearsed history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact
from glasswright_rehearsal.faults.hand import answer_hand_checks

if TYPE_CHECKING:
    from glasswright_rehearsal.scene.models import LensModel


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedHandCheck:
    """One hand check."""

    passed: bool | None
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedHandChecks(Artefact):
    """Result of the step `read_hand_checks`."""

    front_glass: RehearsedHandCheck
    rear_glass: RehearsedHandCheck
    look_through: RehearsedHandCheck
    mount: RehearsedHandCheck
    contacts: RehearsedHandCheck
    zoom_creep_up: RehearsedHandCheck
    zoom_creep_down: RehearsedHandCheck
    focus_ring_manual: RehearsedHandCheck
    focus_ring_autofocus: RehearsedHandCheck
    switches: RehearsedHandCheck
    aperture_blades: RehearsedHandCheck
    stabiliser_noise: RehearsedHandCheck


def simulate_hand_checks(model: LensModel) -> RehearsedHandChecks:
    """Return the step's result for a faultless lens of a model."""
    checks = {
        name: RehearsedHandCheck(
            passed=True if answer["answer"] == "pass" else None, says=f"{answer['answer']} ({answer['who']})"
        )
        for name, answer in answer_hand_checks(model, ()).items()
    }
    return RehearsedHandChecks(**checks)  # type: ignore[arg-type] # the dataclass refuses unknown names
