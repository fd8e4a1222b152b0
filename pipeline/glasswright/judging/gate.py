"""The release decision for a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from glasswright.judging.hand_answers import note_answers
from glasswright.judging.review import basis_of, find_why_void, format_release
from glasswright.judging.shots import find_about_shots, note_shots
from glasswright.ledger.verdict import NOTHING_APPLIES, Verdict, fold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.records import TicketState
    from glasswright.ledger.verdict import Judgement

RELEASING_PHASE: Final = "release"


class DecisionKind(StrEnum):
    """The gate's decision."""

    RELEASE = "RELEASE"
    RELEASED_ON_REVIEW = "RELEASED ON REVIEW"
    """In review, but released by a named person."""
    HOLD = "HOLD"
    REVIEW = "REVIEW"
    INCOMPLETE = "INCOMPLETE"


RELEASING: Final = frozenset({DecisionKind.RELEASE, DecisionKind.RELEASED_ON_REVIEW})
"""Decisions with which a lens may go back; the shop decides whether the second suffices."""
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
    """The gate's decision on a ticket, with all reasons."""

    ticket: str
    kind: DecisionKind
    reasons: tuple[str, ...]
    rehearsed: bool = False
    """Whether the ticket's frames were rendered: the decision is then part of a rehearsal."""
    released_by: str = ""
    """Who released the lens in review, when and why; empty for every other decision."""
    notes: tuple[str, ...] = ()
    """Remarks that do not prevent a release, and are printed with every decision."""

    def __str__(self) -> str:
        """Return the decision as printed."""
        return f"{self.kind} (rehearsed)" if self.rehearsed else str(self.kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class ManualDecision:
    """A person's decision on a ticket in review, and the persons who may decide."""

    decision: PersonsDecision
    may_decide: tuple[str, ...]
    """Names in the stand file that the ticket is judged with."""


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

    It may if everything that its card requires was measured and passes now, and the phase of the visit is release. Each
    reason against it has a verdict; the worst decides. If that is REVIEW, a person may have released the lens for
    exactly these reasons.

    Parameters
    ----------
    state
        Current state of the ticket; None if the ledger has no such ticket.
    judgement
        The judgement to use; None if there is none.
    out_of_control
        Why the stand counts as out of control on the ticket's nights, by all measurements of the reference lens up to
        now, of which some may be later than the judgement.
    unjudged
        Why there is no judgement.
    person
        A person's decision; None if there is none, or it was withdrawn.
    about_stand
        Differences between the stand file used for judging and the one used for measuring or the adopted one.
    """
    if state is None:
        reason = unjudged or f"the ledger has no ticket `{ticket}`: correct the number, or measure it"
        return Decision(ticket=ticket, kind=DecisionKind.INCOMPLETE, reasons=(reason,))
    findings = [*_find_about_ticket(state), *_find_about_judgement(state, judgement, unjudged)]
    findings += [(Verdict.REVIEW, f"the stand counts as out of control: {reason}") for reason in out_of_control]
    findings += [(Verdict.REVIEW, reason) for reason in about_stand]
    verdict = fold(verdict for verdict, _ in findings)
    kind, notes = KINDS[verdict], _note_about_ticket(state, judgement)
    silent = (Verdict.PASS, Verdict.NOT_APPLICABLE)
    reasons = tuple(dict.fromkeys(reason for each, reason in findings if each not in silent))
    if verdict is Verdict.PASS and judgement is not None:
        count = len(judgement.verdicts) - len(judgement.not_applicable)
        reasons = (f"all {count} limits are met" if count > 1 else "the one limit is met",)
    released_by = ""
    if person is not None:
        void = _find_why_void(person, state, judgement, verdict, reasons)
        if void:
            notes = (f"{format_release(person.decision)}: void, because {void}", *notes)
        else:
            kind, released_by = DecisionKind.RELEASED_ON_REVIEW, format_release(person.decision)
            reasons = (released_by, *(f"was in review: {reason}" for reason in reasons))
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
        reason = f"this ticket number was used for another lens before ({lenses}): check which lens this is"
        found.append((Verdict.REVIEW, reason))
    found += find_about_shots(state)
    # the lens in its present state was not measured: evidence is missing, but no fault was found
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
        what = f"measured by version {state.program} of the program (this is {own})"
        notes.append(f"{what}: `glasswright watch` shows whether the reference lens's numbers moved")
    if judgement is not None and state.record.stand_sha256 != judgement.stand:
        # normal after a study of the stand was adopted; the lens need not be shot again
        what = f"a newer stand file than it was measured with ({state.record.stand_sha256[:12]})"
        notes.append(f"judged with {what}: its reproducibility determines the guard bands")
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
    """Explain why a person's decision does not release the ticket as it is now; empty if it does."""
    decision = person.decision
    if verdict is not Verdict.REVIEW or judgement is None:
        return f"the ticket is no longer in review: it is {KINDS[verdict]}"
    if decision.person not in person.may_decide:
        return f"{decision.person} is not among those who may decide by the stand file"
    return find_why_void(decision.basis, basis_of(state, judgement, reasons))


def notes_of(state: TicketState) -> tuple[str, ...]:
    """Return a ticket's notes: findings about its files, its shots and its hand checks."""
    return (*state.record.findings, *note_shots(state), *note_answers(state))
