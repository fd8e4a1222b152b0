"""The stage that reads the answers to hand checks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright import HandAnswer, Ticket, stage
from glasswright.config import did_you_mean
from glasswright_camera.hand_checks.instructions import HAND_LIST
from glasswright_camera.hand_checks.result import HandCheck, HandChecks

if TYPE_CHECKING:
    from collections.abc import Mapping

UNANSWERED = "ticket.yaml has no answer: run `glasswright hand-checks` on the ticket's folder"


@stage
def read_hand_checks(ticket: Ticket) -> HandChecks:
    """Read the answers to the hand checks from the ticket, with a verdict for those that count.

    An answer counts only if a person signed it with name and day. *Not applicable* is not a pass: a card lists only
    checks that apply to its model.

    Parameters
    ----------
    ticket
        For its `hand_checks`. Answers under unknown names are ignored, with a note.
    """
    answers = {answer.check: answer for answer in ticket.hand_checks}
    checks = {name: _read(answers.get(name)) for name in HAND_LIST}
    return HandChecks(
        front_glass=checks["front_glass"],
        rear_glass=checks["rear_glass"],
        look_through=checks["look_through"],
        mount=checks["mount"],
        contacts=checks["contacts"],
        zoom_creep_up=checks["zoom_creep_up"],
        zoom_creep_down=checks["zoom_creep_down"],
        focus_ring_manual=checks["focus_ring_manual"],
        focus_ring_autofocus=checks["focus_ring_autofocus"],
        switches=checks["switches"],
        aperture_blades=checks["aperture_blades"],
        stabiliser_noise=checks["stabiliser_noise"],
        passed_count=_count(checks, True),
        failed_count=_count(checks, False),
        notes=tuple(
            f"ticket.yaml answers `{name}`, which is not a hand check; {did_you_mean(name, HAND_LIST)}"
            for name in answers
            if name not in HAND_LIST
        ),
    )


def _read(answer: HandAnswer | None) -> HandCheck:
    if answer is None:
        return HandCheck(passed=None, says=UNANSWERED)
    lacks = [key for key, value in (("who", answer.who), ("when", answer.when)) if not value]
    if lacks:
        missing = " and ".join(f"`{key}`" for key in lacks)
        return HandCheck(passed=None, says=f"answered `{answer.answer}`, but not signed: {missing} is missing")
    signed = f"{answer.who}, {answer.when}" + (f": {answer.note}" if answer.note else "")
    if answer.answer == "not_applicable":
        return HandCheck(passed=None, says=f"answered as not applicable ({signed})")
    passed = answer.answer == "pass"
    return HandCheck(passed=passed, says=f"{'passed' if passed else 'failed'} by hand ({signed})")


def _count(checks: Mapping[str, HandCheck], passed: bool) -> int:
    return sum(1 for check in checks.values() if check.passed is passed)
