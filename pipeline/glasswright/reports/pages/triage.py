"""Triage of a ticket: the gate's decision, the main reason in one line, and how urgently a person must act."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

from glasswright.judging.decision import margin_over_u
from glasswright.judging.gate import RELEASING_PHASE, DecisionKind
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger.verdict import RISING, Verdict, fold_part
from glasswright.plugin.outcome import Status
from glasswright.reports.pages.strip import KINDS
from glasswright.run.reports import ASKS_FOR_RESHOOT

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.judging.card import Card
    from glasswright.judging.gate import Decision
    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger, TicketState
    from glasswright.ledger.records import KeptOutcome
    from glasswright.ledger.verdict import Judgement, LimitVerdict

REFERENCE: Final = "reference"
KIND_OF_DECISION: Final = {
    DecisionKind.RELEASE: "pass",
    DecisionKind.RELEASED_ON_REVIEW: "review",
    DecisionKind.HOLD: "fail",
    DecisionKind.REVIEW: "review",
    DecisionKind.INCOMPLETE: "unknown",
}

QUIET: Final = frozenset({Verdict.PASS, Verdict.NOT_APPLICABLE})
"""Verdicts that give nobody anything to do."""


class Urgency(IntEnum):
    """Urgency for a person, most urgent first."""

    REFERENCE = 0
    """The stand itself may have changed, which affects every number of the night."""
    CRASHED = 1
    IDENTITY = 2
    RESHOOT = 3
    """Best done while the lens is still on the bench."""
    REVIEW = 4
    HOLD = 5
    INCOMPLETE = 6
    NOTHING = 7


ACTIONS: Final = {
    Urgency.REFERENCE: "check the stand",
    Urgency.CRASHED: "report the fault",
    Urgency.IDENTITY: "check which lens it is",
    Urgency.RESHOOT: "shoot again",
    Urgency.REVIEW: "decide",
    Urgency.HOLD: "back to the bench",
    Urgency.INCOMPLETE: "complete it",
    Urgency.NOTHING: "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Triage:
    """One ticket with its judgement and the gate's decision."""

    state: TicketState
    judgement: Judgement | None
    decision: Decision
    card: Card | None = None
    """The card of the judgement."""

    @property
    def number(self) -> str:
        """The ticket's number."""
        return self.state.record.ticket.number

    @property
    def label(self) -> str:
        """The gate's decision; for a visit of another phase than release, the verdict."""
        if self.state.record.ticket.phase == RELEASING_PHASE:
            return str(self.decision.kind)
        return str(self.judgement.verdict) if self.judgement else str(Verdict.UNKNOWN)

    @property
    def kind(self) -> str:
        """CSS class: `pass`, `fail`, `review` or `unknown`."""
        if self.state.record.ticket.phase == RELEASING_PHASE:
            return KIND_OF_DECISION[self.decision.kind]
        return KINDS[Verdict(self.label)]

    @property
    def steps(self) -> Mapping[str, Verdict]:
        """Step -> worst verdict of its limits."""
        found: dict[str, list[Verdict]] = {}
        for each in self.judgement.verdicts if self.judgement else ():
            found.setdefault(each.measure.partition(".")[0], []).append(each.verdict)
        return {step: fold_part(verdicts) for step, verdicts in found.items()}

    @property
    def causes(self) -> tuple[KeptOutcome, ...]:
        """Outcomes that are UNMEASURABLE or CRASHED, the root causes of what was skipped."""
        stopped = (Status.UNMEASURABLE, Status.CRASHED)
        return tuple(each for each in self.state.outcomes if each.status in stopped)

    @property
    def asked(self) -> tuple[str, ...]:
        """Requests of stages to shoot again although they returned numbers, each once."""
        notes = [
            f"{each.setting or 'the ticket'}: {note}"
            for each in sorted(self.state.outcomes, key=lambda each: each.setting is None)
            for note in each.notes
            if ASKS_FOR_RESHOOT.search(note)
        ]
        return tuple(dict.fromkeys(notes))

    @property
    def urgency(self) -> Urgency:
        """How urgently a person must act."""
        ticket, causes = self.state.record.ticket, self.causes
        if ticket.phase == REFERENCE and self.kind != "pass":
            return Urgency.REFERENCE
        if any(each.status is Status.CRASHED for each in causes):
            return Urgency.CRASHED
        if self.state.other_lenses or "identity_contradiction" in ticket.caveats:
            return Urgency.IDENTITY
        if self.kind != "pass" and (causes or (self.kind == "review" and self.asked)):
            return Urgency.RESHOOT
        if self.decision.kind is DecisionKind.RELEASED_ON_REVIEW:
            return Urgency.NOTHING
        kinds = {"review": Urgency.REVIEW, "fail": Urgency.HOLD, "unknown": Urgency.INCOMPLETE}
        return kinds.get(self.kind, Urgency.NOTHING)

    @property
    def headline(self) -> tuple[str, int]:
        """(main reason in one line, number of further reasons)."""
        if self.kind == "pass":
            return self.decision.reasons[0] if self.label == DecisionKind.RELEASE else "all limits are met", 0
        if self.label == DecisionKind.RELEASED_ON_REVIEW:
            return self.decision.reasons[0], len(self.decision.reasons) - 1
        reasons = self._reasons()
        return reasons[0], len(reasons) - 1

    def _reasons(self) -> list[str]:
        """Return the reasons: first that of its urgency, then the worst number."""
        causes = sorted(self.causes, key=lambda each: each.status is not Status.CRASHED)
        stopped = [f"{each.shot or each.setting or 'the ticket'}: {each.reason}" for each in causes]
        verdicts = sorted(
            (each for each in (self.judgement.verdicts if self.judgement else ()) if each.verdict not in QUIET),
            key=_gravity,
        )
        judged = [f"{each.measure} at {each.at}: {each.reason}" for each in verdicts]
        rest = [reason for reason in self._about_ticket() if not any(each.reason in reason for each in verdicts)]
        if self.urgency in (Urgency.CRASHED, Urgency.RESHOOT):
            return [*stopped, *self.asked, *judged, *rest]
        if self.urgency in (Urgency.HOLD, Urgency.REVIEW, Urgency.REFERENCE):
            return [*judged, *stopped, *rest] or ["no reason is known"]
        return [*rest, *stopped, *judged] or ["no reason is known"]

    def _about_ticket(self) -> tuple[str, ...]:
        """Return the gate's reasons; for another phase than release, only those of the judgement."""
        if self.state.record.ticket.phase == RELEASING_PHASE:
            return self.decision.reasons
        if self.judgement is None:
            return ("not judged: run `glasswright judge`",)
        return self.judgement.reasons


def _gravity(each: LimitVerdict) -> tuple[int, float]:
    """Sort key of verdicts: FAIL first, then by distance beyond the limit in units of the uncertainty."""
    return -RISING.index(each.verdict), margin_over_u(each)


def read_triages(ledger: Ledger, tickets: Sequence[str] | None = None) -> tuple[Triage, ...]:
    """Return the triage of tickets (all if None), with only the measurements that the cards need."""
    return tuple(triage_of(gated) for gated in Gatekeeper(ledger).gate_all(tickets))


def triage_of(gated: Gated) -> Triage:
    """Return the triage of a gated ticket."""
    return Triage(state=gated.state, judgement=gated.judgement, decision=gated.decision, card=gated.card)
