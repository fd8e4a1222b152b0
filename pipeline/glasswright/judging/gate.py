"""The release decision for a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from glasswright.judging.notes import notes_of
from glasswright.judging.review import basis_of, find_why_void, format_release
from glasswright.judging.shots import find_about_shots
from glasswright.ledger.verdict import NOTHING_APPLIES, Verdict, fold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.records import TicketState
    from glasswright.ledger.verdict import Judgement

RELEASING_PHASE: Final = "release"


class DecisionKind(StrEnum):
    """What the gate says."""

    RELEASE = "RELEASE"
    RELEASED_ON_REVIEW = "RELEASED ON REVIEW"
    """In review, and a named person released it all the same."""
    HOLD = "HOLD"
    REVIEW = "REVIEW"
    INCOMPLETE = "INCOMPLETE"


RELEASING: Final = frozenset({DecisionKind.RELEASE, DecisionKind.RELEASED_ON_REVIEW})
"""With these a lens goes back; whether the second is honoured is for the shop to say."""
EXIT_CODES: Final = {
    DecisionKind.RELEASE: 0,
    DecisionKind.HOLD: 10,
    DecisionKind.REVIEW: 11,
    DecisionKind.INCOMPLETE: 12,
    DecisionKind.RELEASED_ON_REVIEW: 14,
}
KINDS: Final = {
    Verdict.PASS: DecisionKind.RELEASE,
    Verdict.FAIL: DecisionKind.HOLD,
    Verdict.REVIEW: DecisionKind.REVIEW,
    Verdict.UNKNOWN: DecisionKind.INCOMPLETE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The gate's word on a ticket, and every reason for it."""

    ticket: str
    kind: DecisionKind
    reasons: tuple[str, ...]
    rehearsed: bool = False
    """The ticket's frames were rendered: the decision is a rehearsal's."""
    released_by: str = ""
    """Who released the lens in review, when and why; empty for every other word."""
    notes: tuple[str, ...] = ()
    """What does not stand against a release and must be read wherever the decision is."""

    def __str__(self) -> str:
        """Return the word as it is printed."""
        return f"{self.kind} (rehearsed)" if self.rehearsed else str(self.kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class ManualDecision:
    """What a person decided on a ticket in review, and who may decide there."""

    decision: PersonsDecision
    may_decide: tuple[str, ...]
    """By the stand file that the ticket is judged with."""


def open_gate(
    ticket: str,
    state: TicketState | None,
    judgement: Judgement | None,
    out_of_control: tuple[str, ...] = (),
    *,
    unjudged: str = "",
    person: ManualDecision | None = None,
    about_stand: tuple[str, ...] = (),
) -> Decision:
    """Decide whether a lens may go back to its owner.

    It may only if everything that its card asks for was measured, is judged as it stands now, and passed, and the visit
    was for release. Each thing that stands against it is a verdict of its own; the gravest decides. Where that
    is REVIEW, a person may have released the lens for exactly these reasons.

    Parameters
    ----------
    state
        What the ledger says of the ticket now; None if it knows no such ticket.
    judgement
        The judgement to go by; None if there is none.
    out_of_control
        Why the stand counts as out of control on the ticket's nights, as its reference lens tells it now, which may be
        more than was known when it was judged.
    unjudged
        Why there is no judgement, or why there is nothing to judge.
    person
        What a person decided; None if none did, or it was withdrawn.
    about_stand
        In what the stand file that it is judged with is not what it was measured with, or not what was adopted.
    """
    if state is None:
        reason = unjudged or f"the ledger knows no ticket `{ticket}`: correct the number, or measure it"
        return Decision(ticket=ticket, kind=DecisionKind.INCOMPLETE, reasons=(reason,))
    findings = [*_find_about_ticket(state), *_find_about_judgement(state, judgement, unjudged)]
    findings += [(Verdict.REVIEW, f"the stand counts as out of control: {reason}") for reason in out_of_control]
    findings += [(Verdict.REVIEW, reason) for reason in about_stand]
    verdict = fold(verdict for verdict, _ in findings)
    kind, notes = KINDS[verdict], _note_about_ticket(state, judgement)
    silent = (Verdict.PASS, Verdict.NOT_APPLICABLE)
    reasons = tuple(dict.fromkeys(reason for each, reason in findings if each not in silent))
    if verdict is Verdict.PASS and judgement is not None:
        reasons = (f"all {len(judgement.verdicts) - len(judgement.not_applicable)} limits are kept",)
    released_by = ""
    if person is not None:
        void = _find_why_void(person, state, judgement, verdict, reasons)
        if void:
            notes = (f"{format_release(person.decision)}: void, because {void}", *notes)
        else:
            kind, released_by = DecisionKind.RELEASED_ON_REVIEW, format_release(person.decision)
            reasons = (released_by, *(f"what was in review: {reason}" for reason in reasons))
    return Decision(
        ticket=ticket,
        kind=kind,
        reasons=reasons,
        rehearsed=state.record.ticket.rehearsed,
        released_by=released_by,
        notes=notes,
    )


def _find_about_ticket(state: TicketState) -> list[tuple[Verdict, str]]:
    found = []
    phase = state.record.ticket.phase
    if phase != RELEASING_PHASE:
        found.append((Verdict.UNKNOWN, f"the phase of the ticket is `{phase}`: only `{RELEASING_PHASE}` can release"))
    if state.other_lenses:
        lenses = "; ".join(state.other_lenses)
        reason = f"the same ticket stood for another lens before ({lenses}): make sure which lens this is"
        found.append((Verdict.REVIEW, reason))
    found += find_about_shots(state)
    # the lens as it is now was not measured: that is a lack of evidence, and no fault found
    found += [(Verdict.UNKNOWN, reason) for reason in (state.pending, state.came_back) if reason]
    return found


def _find_about_judgement(state: TicketState, judgement: Judgement | None, unjudged: str) -> list[tuple[Verdict, str]]:
    again = "run `glasswright judge`"
    if judgement is None:
        return [(Verdict.UNKNOWN, unjudged or f"the ticket has not been judged: {again}")]
    if judgement.manifest != state.content or judgement.ticket != state.record.ticket.number:
        return [(Verdict.UNKNOWN, f"the judgement is older than what was measured on {state.measured_at}: {again}")]
    found = [(Verdict.UNKNOWN, reason) for reason in judgement.reasons]
    found += [(each.verdict, f"{each.measure} at {each.at}: {each.reason}") for each in judgement.verdicts]
    if all(verdict is Verdict.NOT_APPLICABLE for verdict, _ in found):
        found.append((Verdict.UNKNOWN, NOTHING_APPLIES if found else "the judgement has no verdicts"))
    return found


def _note_about_ticket(state: TicketState, judgement: Judgement | None) -> tuple[str, ...]:
    notes = []
    own = version("glasswright")
    if state.program not in ("", own):
        what = f"measured by version {state.program} of the program, this is version {own}"
        notes.append(f"{what}: `glasswright watch` shows whether the reference lens's numbers moved")
    if judgement is not None and state.record.stand_sha256 != judgement.stand:
        # so it is whenever a study of the stand is adopted, and the lens need not be shot again for that
        what = f"another text of the stand file than it was measured with ({state.record.stand_sha256[:12]})"
        notes.append(f"judged with {what}: its reproducibility makes the guard bands")
    if judgement is not None:
        asked: dict[str, list[str]] = {}
        for each in judgement.not_applicable:
            asked.setdefault(each.reason, []).append(f"{each.measure} at {each.at}")
        notes += [f"not applicable, because {why}: {', '.join(limits)}" for why, limits in asked.items()]
    return (*notes, *notes_of(state))


def _find_why_void(
    person: ManualDecision,
    state: TicketState,
    judgement: Judgement | None,
    verdict: Verdict,
    reasons: Sequence[str],
) -> str:
    """Say why a person's decision does not release the ticket as it is now; empty if it does."""
    decision = person.decision
    if verdict is not Verdict.REVIEW or judgement is None:
        return f"the ticket is no longer in review: it is {KINDS[verdict]}"
    if decision.person not in person.may_decide:
        return f"{decision.person} is not among those who may decide by the stand file"
    return find_why_void(decision.basis, basis_of(state, judgement, reasons))
