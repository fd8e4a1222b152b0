"""The release decision for a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from glasswright.judging.judge import JUDGE_VERSION
from glasswright.judging.shots import find_about_shots
from glasswright.judging.verdict import Verdict, fold

if TYPE_CHECKING:
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger.records import TicketState

RELEASING_PHASE: Final = "release"


class Word(StrEnum):
    """What the gate says."""

    RELEASE = "RELEASE"
    HOLD = "HOLD"
    REVIEW = "REVIEW"
    INCOMPLETE = "INCOMPLETE"


EXIT_CODES: Final = {Word.RELEASE: 0, Word.HOLD: 10, Word.REVIEW: 11, Word.INCOMPLETE: 12}
WORDS: Final = {
    Verdict.PASS: Word.RELEASE,
    Verdict.FAIL: Word.HOLD,
    Verdict.REVIEW: Word.REVIEW,
    Verdict.UNKNOWN: Word.INCOMPLETE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The gate's word on a ticket, and every reason for it."""

    ticket: str
    word: Word
    reasons: tuple[str, ...]
    rehearsed: bool = False
    """The ticket's frames were rendered: the word is a rehearsal's."""

    def __str__(self) -> str:
        """Give the word as it is printed."""
        return f"{self.word} (rehearsed)" if self.rehearsed else str(self.word)


def open_gate(
    ticket: str, state: TicketState | None, judgement: Judgement | None, doubts: tuple[str, ...] = ()
) -> Decision:
    """Decide whether a lens may go back to its owner.

    It may only if everything that its card asks for was measured, is judged as it stands now, and passed, and the visit
    was for release. Each thing that stands against it is a verdict of its own; the gravest makes the word.

    Parameters
    ----------
    state
        What the ledger says of the ticket now; None if it knows no such ticket.
    judgement
        The judgement to go by; None if there is none.
    doubts
        Why the stand counts as out of control on the ticket's nights, as its reference lens tells it now, which may be
        more than was known when it was judged.
    """
    if state is None:
        reasons = (f"the ledger knows no ticket `{ticket}`: correct the number, or measure it",)
        return Decision(ticket=ticket, word=Word.INCOMPLETE, reasons=reasons)
    findings = [*_find_about_ticket(state), *_find_about_judgement(state, judgement)]
    findings += [(Verdict.REVIEW, f"the stand counts as out of control: {reason}") for reason in doubts]
    verdict = fold(verdict for verdict, _ in findings)
    found_reasons = tuple(dict.fromkeys(reason for kind, reason in findings if kind is not Verdict.PASS))
    if verdict is Verdict.PASS and judgement is not None:
        found_reasons = (f"all {len(judgement.verdicts)} limits are kept",)
    return Decision(ticket=ticket, word=WORDS[verdict], reasons=found_reasons, rehearsed=state.record.ticket.rehearsed)


def _find_about_ticket(state: TicketState) -> list[tuple[Verdict, str]]:
    found = []
    phase = state.record.ticket.phase
    if phase != RELEASING_PHASE:
        found.append((Verdict.UNKNOWN, f"the phase of the ticket is `{phase}`: only `{RELEASING_PHASE}` can release"))
    if state.other_lenses:
        lenses = "; ".join(state.other_lenses)
        reason = f"the same ticket number stood for another lens before ({lenses}): make sure which lens this is"
        found.append((Verdict.REVIEW, reason))
    found += find_about_shots(state)
    if state.refusal:
        found.append((Verdict.UNKNOWN, state.refusal))
    return found


def _find_about_judgement(state: TicketState, judgement: Judgement | None) -> list[tuple[Verdict, str]]:
    again = "run `glasswright judge`"
    if judgement is None:
        return [(Verdict.UNKNOWN, f"the ticket has not been judged: {again}")]
    if judgement.manifest != state.content or judgement.ticket != state.record.ticket.number:
        return [(Verdict.UNKNOWN, f"the judgement is older than what was measured on {state.measured_at}: {again}")]
    if judgement.judge_version != JUDGE_VERSION:
        version = f"{judgement.judge_version}, this program's are version {JUDGE_VERSION}"
        return [(Verdict.UNKNOWN, f"the ticket was judged by rules of version {version}: {again}")]
    found = [(Verdict.UNKNOWN, reason) for reason in judgement.reasons]
    found += [(each.verdict, f"{each.measure} at {each.at}: {each.reason}") for each in judgement.verdicts]
    if not found:
        found = [(Verdict.UNKNOWN, "the judgement has no verdicts")]
    return found
