"""Result of `read_hand_checks`: one entry for each hand check."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCheck:
    """One hand check of a ticket."""

    passed: bool | None
    """None if not answered, not signed, or not applicable to this lens."""
    says: str
    """A sentence: what was answered, by whom, when, with the note; or what is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandChecks(Artefact):
    """All hand checks of a ticket."""

    front_glass: HandCheck
    rear_glass: HandCheck
    look_through: HandCheck
    mount: HandCheck
    contacts: HandCheck
    zoom_creep_up: HandCheck
    zoom_creep_down: HandCheck
    focus_ring_manual: HandCheck
    focus_ring_autofocus: HandCheck
    switches: HandCheck
    aperture_blades: HandCheck
    stabiliser_noise: HandCheck
    passed_count: int
    """Signed *pass*."""
    failed_count: int
    """Signed *fail*."""
