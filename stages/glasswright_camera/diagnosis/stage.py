"""The stage that names likely faults from all measurements of a ticket."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from glasswright import Ticket, Unmeasurable, stage
from glasswright_camera.aperture.result import Aperture
from glasswright_camera.aperture.transmission import Transmission
from glasswright_camera.centring.result import Centring
from glasswright_camera.diagnosis.found import STAND, find_aperture, find_dirt, find_stand
from glasswright_camera.diagnosis.reference_values import KnownLenses
from glasswright_camera.diagnosis.result import Diagnosis
from glasswright_camera.diagnosis.rules import OBSTRUCTION, apply_rules
from glasswright_camera.diagnosis.signs import STANDS_OUT, list_signs, read_signs
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.focus.locked import FocusShift
from glasswright_camera.focus.result import FocusOffset
from glasswright_camera.fringing.result import Fringing
from glasswright_camera.glare.result import Glare
from glasswright_camera.sharpness.breathing import Breathing
from glasswright_camera.sharpness.contrast import Contrast
from glasswright_camera.sharpness.result import BestFocus, Sharpness
from glasswright_camera.shooting.stage import LightCheck
from glasswright_camera.spots.result import Spots
from glasswright_camera.vignetting.stage import Falloff

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright import Artefact
    from glasswright_camera.diagnosis.result import Finding, Sign

PERFECT = "perfect lens"
NO_CLEAR_PATTERN = "no clear pattern"
NOTHING = "nothing unusual"
LIKELY = "likely"
STAND_CAVEAT = "ticket_stand_or_body"
"""Caveat for a fault of the light, the pose or the shooting, which concerns every number of the ticket."""


@stage
def diagnose(
    ticket: Ticket,
    sharpness: tuple[Sharpness, ...] | None,
    best_focus: tuple[BestFocus, ...] | None,
    contrast: tuple[Contrast, ...] | None,
    centring: tuple[Centring, ...] | None,
    fringing: tuple[Fringing, ...] | None,
    distortion: tuple[Distortion, ...] | None,
    falloff: tuple[Falloff, ...] | None,
    glare: tuple[Glare, ...] | None,
    light: tuple[LightCheck, ...] | None,
    offsets: tuple[FocusOffset, ...] | None,
    spots: Spots | None,
    aperture: Aperture | None,
    transmission: tuple[Transmission, ...] | None,
    shift: FocusShift | None,
    breathing: tuple[Breathing, ...] | None,
    known: KnownLenses | None,
) -> Diagnosis:
    """Name the faults that the measurements of a ticket indicate together: a hint where to look first.

    A sign is one measured field at one setting, compared with healthy copies of the model on this stand, or with a
    perfect lens where its value is known. A sign is significant if its departure exceeds both what scatter and
    uncertainty allow and the smallest departure that matters. Rules map significant signs to faults.

    Parameters
    ----------
    ticket
        For the model.
    sharpness, best_focus, contrast, centring, fringing, distortion, falloff, glare, light, offsets
        The measurements at every setting. Sharpness at best focus is preferred.
    spots
        Spots on the sensor and in the lens.
    aperture
        Light at each f-number.
    transmission, breathing
        Light through the lens, and change of the image's size with focus, at every setting.
    shift
        Change of focus with f-number and focal length, with the focus locked.
    known
        Reference values of the model on this stand. Without them rotationally symmetric blur, lateral colour and
        distortion cannot be distinguished from those of the design.

    Raises
    ------
    Unmeasurable
        If nothing was measured that can be a sign.
    """
    model = known.find(ticket.model) if known else None
    results: dict[str, tuple[Artefact, ...]] = {
        "measure_mtf50": take_best(sharpness or (), best_focus or ()),
        "measure_contrast": contrast or (),
        "measure_centring": centring or (),
        "measure_fringing": fringing or (),
        "measure_distortion": distortion or (),
        "measure_vignetting": falloff or (),
        "measure_glare": glare or (),
        "measure_focus_offset": offsets or (),
        "measure_transmission": transmission or (),
        "measure_focus_shift": () if shift is None else (shift,),
        "measure_breathing": breathing or (),
    }
    signs = read_signs(results, model)
    if not signs and spots is None and aperture is None:
        raise Unmeasurable("nothing was measured that could indicate a fault; see why the stages before it have failed")
    found, free = apply_rules(signs)
    opening = tuple(find_aperture(aperture))
    shooting = find_stand(light or (), distortion or (), falloff or (), sharpness or (), opening)
    is_obstructed = any(each.name == OBSTRUCTION for each in found)
    findings = (*shooting, *opening, *find_dirt(spots, is_obstructed=is_obstructed), *found)
    return sum_up(findings, signs, free, f"{model.copies} copies: {model.origin}" if model else PERFECT)


def take_best(sharpness: Sequence[Sharpness], best_focus: Sequence[BestFocus]) -> tuple[Artefact, ...]:
    """Return sharpness at best focus where a setting has it, else as shot."""
    focused = {each.setting: each for each in best_focus}
    return tuple(focused.get(each.setting, each) for each in sharpness)


def sum_up(findings: Sequence[Finding], signs: Sequence[Sign], free: Sequence[Sign], compared_with: str) -> Diagnosis:
    """Build the result; likely faults come first."""
    order = sorted(findings, key=lambda finding: finding.surety != LIKELY)
    compared = [sign for sign in signs if isfinite(sign.strength)]
    unusual = [sign for sign in compared if abs(sign.strength) >= STANDS_OUT]
    nothing = NO_CLEAR_PATTERN if free else NOTHING
    notes = [f"{finding.surety}: {finding.name}: {finding.says}" for finding in order]
    if free:
        notes.append(f"significant signs that no fault explains: {list_signs(free)}")
    return Diagnosis(
        points_to=" and ".join(dict.fromkeys(finding.name for finding in order)) or nothing,
        surety=order[0].surety if order else "none",
        fault_count=len({finding.name for finding in order}),
        unusual_count=len(unusual),
        unexplained_count=len(free),
        sign_count=len(compared),
        compared_with=compared_with,
        findings=tuple(order),
        signs=tuple(signs),
        notes=tuple(notes),
        caveats=(STAND_CAVEAT,) if any(finding.name == STAND for finding in findings) else (),
    )
