"""Judges a ticket: a pure function of its measurements, the card and the stand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final, Protocol

from glasswright.config import why_not_held
from glasswright.judging.card import SHOTS, describe_place, faintest_field
from glasswright.judging.decision import Tolerance, Uncertainty, decide, find_guard
from glasswright.judging.hand_checks import judge_hand_checks
from glasswright.judging.method import why_made_otherwise, why_not_run
from glasswright.judging.validity import TicketView, why_not_identified, why_not_valid
from glasswright.ledger.verdict import NOTHING_APPLIES, Judgement, LimitVerdict, Verdict, fold
from glasswright.plugin.measurements import NOT_APPLICABLE
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.statistics.freedom import effective_freedom

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.config import StandConstant
    from glasswright.judging.card import Card, Limit
    from glasswright.judging.cards import CardFile
    from glasswright.ledger.records import KeptOutcome, TicketState
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.measurements import Measured

JUDGE_VERSION: Final = 6
"""Increased whenever the same numbers and card could get another verdict; older judgements are then repeated."""


ENOUGH_SHOTS: Final = 5
"""Number of shots from which a result's own scatter is used; with fewer, the stand's pooled repeatability is."""


DECLARED_FREEDOM: Final = 8.0
"""Degrees of freedom of a number declared without any: its relative uncertainty is taken as 25 % (JCGM 100:2008, G.4.2:
half the inverse square of that). A number from a study has its own."""


class Spread(Protocol):
    """A stand file's repeatability or reproducibility of a measure."""

    @property
    def u(self) -> float | None:
        """Standard uncertainty in the field's unit."""

    @property
    def relative_u(self) -> float | None:
        """Standard uncertainty relative to the value."""

    @property
    def freedom(self) -> float | None:
        """Degrees of freedom; None for a number declared without."""

    @property
    def with_repeats(self) -> bool:
        """Whether a reproducibility includes the repeatability."""


class JudgingStand(Protocol):
    """The parts of a stand file that judging needs."""

    @property
    def name(self) -> str:
        """Name of the stand."""

    @property
    def bodies(self) -> tuple[str, ...]:
        """The camera bodies of the stand."""

    @property
    def reproducibility(self) -> Mapping[str, Spread]:
        """`step.field`, or a pattern -> scatter after mounting the lens again."""

    @property
    def repeatability(self) -> Mapping[str, Spread]:
        """`step.field`, or a pattern -> scatter of repeated shots with nothing touched."""

    @property
    def constants(self) -> Mapping[str, StandConstant]:
        """Measured constants of the stand, by name."""

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's text."""


def judge_ticket(state: TicketState, file: CardFile | None, stand: JudgingStand) -> Judgement:
    """Judge a ticket by its model's card.

    Parameters
    ----------
    state
        Current state, with at least the measurements that the card names.
    file
        The card; None if the model has none.
    stand
        The stand file, with the reproducibility.
    """
    view = TicketView.of(state)
    reasons = why_not_valid(view, file.card if file else None, stand)
    verdicts: tuple[LimitVerdict, ...] = ()
    if file is not None:
        refusal = "; ".join(reasons)
        verdicts = tuple(
            each for limit in file.card.limits for each in judge_limit(view, file.card, limit, stand, refusal)
        )
        verdicts += judge_hand_checks(view, file.card, refusal)
        if not file.card.limits:
            reasons = (*reasons, f"the card for `{file.card.card}` has no limits: an empty card passes no lens")
        elif all(each.verdict is Verdict.NOT_APPLICABLE for each in verdicts):
            reasons = (*reasons, NOTHING_APPLIES)
        reasons = (*reasons, *why_not_identified(state, file.card))
    verdict = fold([*(each.verdict for each in verdicts), *(Verdict.UNKNOWN for _ in reasons)])
    return Judgement(
        ticket=state.record.ticket.number,
        manifest=state.content,
        card=file.sha256 if file else "",
        stand=stand.sha256,
        judge_version=JUDGE_VERSION,
        verdict=verdict,
        reasons=reasons,
        verdicts=verdicts,
    )


def judge_limit(
    view: TicketView, card: Card, limit: Limit, stand: JudgingStand, refusal: str
) -> tuple[LimitVerdict, ...]:
    """Judge one limit at each of its settings; there is always at least one verdict.

    Parameters
    ----------
    refusal
        Why the card is not valid for this ticket; empty if it is.
    """
    return tuple(each.verdict for each in assess_limit(view, card, limit, stand, refusal))


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """A verdict on one limit at one place, with caveats."""

    verdict: LimitVerdict
    caveats: tuple[str, ...] = ()
    """Caveats that the limit does not accept."""


def assess_limit(view: TicketView, card: Card, limit: Limit, stand: JudgingStand, refusal: str) -> tuple[Assessed, ...]:
    """Judge one limit as `judge_limit` does, and also return the caveats."""
    if refusal:
        return (_unknown(limit, str(limit.at), f"the card is not valid here: {refusal}"),)
    outcomes = view.by_step.get(limit.step, ())
    if not outcomes:
        return (_unknown(limit, str(limit.at), why_not_run(limit.step, view.method, view.by_step)),)
    otherwise = why_made_otherwise(card, limit.step, view.method)
    if otherwise:
        return (_unknown(limit, str(limit.at), otherwise),)
    question = Question(
        view=view,
        card=card,
        limit=limit,
        tolerance=Tolerance(
            lower=limit.min, upper=limit.max, rule=card.rule_of(limit), confidence=card.confidence_of(limit)
        ),
        spreads=find_spreads(stand.reproducibility, limit.measure),
        repeats=find_spreads(stand.repeatability, limit.measure),
        not_held=why_not_held(
            stand.constants, limit.measure, view.record.ticket.body, view.record.body_serials, view.last_day
        ),
    )
    if all(outcome.scope >= Scope.TICKET for outcome in outcomes):
        if limit.at != type(limit.at)():
            reason = f"`{limit.step}` is measured once for the ticket, but the limit is for {limit.at}: remove `at`"
            return (_unknown(limit, str(limit.at), reason),)
        return tuple(_judge_outcome(question, outcome) for outcome in outcomes)
    settings = [setting for setting in view.settings_of(outcomes) if limit.at.holds(setting)]
    if not settings:
        return (_unknown(limit, str(limit.at), f"nothing was shot or planned {describe_place(limit.at)}"),)
    return tuple(each for setting in settings for each in _judge_setting(question, setting))


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One limit applied to one ticket."""

    view: TicketView
    card: Card
    limit: Limit
    tolerance: Tolerance
    spreads: Sequence[Spread]
    """The measure's reproducibility in the stand file."""
    repeats: Sequence[Spread]
    """The measure's repeatability in the stand file."""
    not_held: Sequence[str] = ()
    """Why stand constants that the measure depends on were not valid when the lens was shot."""

    def uncertainty(self, value: float, own: float | None, shots: Measured | None) -> Uncertainty:
        """Return the uncertainty of a number, including the stand's part."""
        return combine_uncertainty(self.spreads, self.repeats, value, own, shots)


def find_uncertainty(stand: JudgingStand, measure: str, measured: Measured, outcome: KeptOutcome) -> Uncertainty:
    """Return the uncertainty of a measured number as used in judging; it must have a value."""
    return combine_uncertainty(
        find_spreads(stand.reproducibility, measure),
        find_spreads(stand.repeatability, measure),
        measured.value or 0.0,
        measured.u,
        outcome.measured.get(SHOTS),
    )


def combine_uncertainty(
    spreads: Sequence[Spread], repeats: Sequence[Spread], value: float, own: float | None, shots: Measured | None
) -> Uncertainty:
    """Return the uncertainty of a number; the stand's part is None if the stand file lacks what it needs.

    With fewer than `ENOUGH_SHOTS` shots, the pooled repeatability divided by the square root of the number of shots is
    included; a result without that number counts as one shot. With more, the number's own uncertainty has one degree of
    freedom less than there are shots.

    Parameters
    ----------
    spreads, repeats
        The measure's reproducibility and repeatability from the stand file.
    value, own
        The number and its standard uncertainty from the stage.
    shots
        Number of shots that it was measured from.
    """
    count = shots.value if shots is not None and shots.value is not None and shots.value >= 1 else 1.0
    again = largest_spread(spreads, value)
    if again is None:
        return Uncertainty(own=own, stand=None)
    u, freedom, spread = again
    if count >= ENOUGH_SHOTS:
        return Uncertainty(own=own, stand=u, own_freedom=count - 1, stand_freedom=freedom)
    if spread.with_repeats:
        return Uncertainty(own=own, stand=u, stand_freedom=freedom)
    repeat = largest_spread(repeats, value)
    if repeat is None:
        return Uncertainty(own=own, stand=None, lacks="repeatability")
    parts = (u, repeat[0] / math.sqrt(count))
    if not all(0 <= part < math.inf for part in parts):
        return Uncertainty(own=own, stand=next(part for part in parts if not 0 <= part < math.inf))
    both = effective_freedom([(parts[0] ** 2, freedom), (parts[1] ** 2, repeat[1])])
    return Uncertainty(own=own, stand=math.hypot(*parts), stand_freedom=both)


def _judge_setting(question: Question, setting: Setting) -> list[Assessed]:
    step = question.limit.step
    found = question.view.by_place.get((step, setting), ())
    if not found:
        return [_unknown(question.limit, str(setting), f"`{step}` was not run at {setting}")]
    return [_judge_outcome(question, outcome) for outcome in found]


def _judge_outcome(question: Question, outcome: KeptOutcome) -> Assessed:
    limit, view = question.limit, question.view
    at = " ".join(part for part in (str(outcome.setting) if outcome.setting else "", outcome.shot) if part)
    at = at or "the whole ticket"
    measured = outcome.measured.get(limit.field)
    if why := _why_not_applicable(outcome, measured):
        return _unjudged(limit, at, Verdict.NOT_APPLICABLE, why)
    unknown = _why_unknown(limit, outcome, measured) or view.why_fact_unknown(question.card, outcome.setting)
    if unknown or measured is None or measured.value is None:
        return _unknown(limit, at, unknown)
    uncertainty = question.uncertainty(measured.value, measured.u, outcome.measured.get(SHOTS))
    verdict, reason = decide(measured.value, measured.unit, uncertainty, question.tolerance)
    if verdict is Verdict.UNKNOWN:
        return _unknown(limit, at, reason)
    unseen = _why_unseen(limit, outcome)
    if unseen and verdict is Verdict.PASS:
        verdict, reason = Verdict.REVIEW, f"{reason}; {unseen}"
    caveats = sorted({*outcome.caveats, *view.caveats}.difference(limit.accept))
    if caveats:
        reason += f"; with the caveat {', '.join(caveats)}, which the limit does not accept"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    if question.not_held:
        reason += f"; but {'; '.join(question.not_held)}"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    made = LimitVerdict(
        measure=limit.measure,
        at=at,
        verdict=verdict,
        reason=reason,
        value=measured.value,
        u=uncertainty.total,
        lower=limit.min,
        upper=limit.max,
        guard=find_guard(uncertainty, question.tolerance),
    )
    return Assessed(verdict=made, caveats=tuple(caveats))


def _why_unseen(limit: Limit, outcome: KeptOutcome) -> str:
    """Return a message if a limit is below the detection limit, so that no number can prove that it is met."""
    least = outcome.measured.get(faintest_field(limit.field))
    if limit.max is None or least is None or least.value is None or least.value <= limit.max:
        return ""
    return f"but less than {least.value:.3g} {least.unit} could not have been detected"


def _why_not_applicable(outcome: KeptOutcome, measured: Measured | None) -> str:
    """Say why this stand cannot give a number, as the stage found it in the stand file; empty where it can."""
    if outcome.status is Status.NOT_APPLICABLE:
        return outcome.reason
    # a number has a unit, a text of the stage's own has none
    if outcome.status is Status.DONE and measured is not None and measured.text is not None and measured.unit:
        head, _, reason = measured.text.partition(NOT_APPLICABLE)
        return "" if head else reason
    return ""


def _why_unknown(limit: Limit, outcome: KeptOutcome, measured: Measured | None) -> str:
    if outcome.status is not Status.DONE:
        return f"`{limit.step}` is {outcome.status}: {outcome.reason or 'no reason was given'}"
    if measured is None:
        return f"`{limit.step}` returned no `{limit.field}`: correct the card, or the plan"
    if measured.text is not None:
        return f"`{limit.measure}` is the text `{measured.text}`, not a number"
    if measured.value is None:
        return f"`{limit.measure}` was left empty by the stage"
    if not math.isfinite(measured.value):
        return f"`{limit.measure}` is {measured.value}, which is not a finite number"
    return ""


def find_spreads(declared: Mapping[str, Spread], measure: str) -> Sequence[Spread]:
    """Return a stand file's entries for a measure: the one with its exact name, or else every matching pattern."""
    exact = declared.get(measure)
    if exact is not None:
        return (exact,)
    return [spread for pattern, spread in declared.items() if fnmatchcase(measure, pattern)]


def spread_u(spreads: Sequence[Spread], value: float) -> float | None:
    """Return the largest standard uncertainty of a value among spreads, in its unit; None if there are none."""
    found = largest_spread(spreads, value)
    return None if found is None else found[0]


def largest_spread(spreads: Sequence[Spread], value: float) -> tuple[float, float, Spread] | None:
    """Return the largest standard uncertainty of a value among spreads, its degrees of freedom, and its spread.

    An invalid one (NaN, infinite or negative) takes precedence, so that `decide` rejects it.
    """
    if not spreads:
        return None
    given = [s.u if s.u is not None else abs(value) * (s.relative_u or 0.0) for s in spreads]
    wrong = [place for place, u in enumerate(given) if not 0 <= u < math.inf]
    place = wrong[0] if wrong else max(range(len(given)), key=given.__getitem__)
    freedom = spreads[place].freedom
    return given[place], DECLARED_FREEDOM if freedom is None else freedom, spreads[place]


def _unknown(limit: Limit, at: str, reason: str) -> Assessed:
    return _unjudged(limit, at, Verdict.UNKNOWN, reason)


def _unjudged(limit: Limit, at: str, verdict: Verdict, reason: str) -> Assessed:
    return Assessed(
        verdict=LimitVerdict(
            measure=limit.measure, at=at, verdict=verdict, reason=reason, lower=limit.min, upper=limit.max
        )
    )
