"""What a record says, in texts: everything that its pages show, and nothing of how they look."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

from glasswright.judging.card import HAND_STEP
from glasswright.judging.decision import guard_band
from glasswright.judging.gate import RELEASING, DecisionKind
from glasswright.plugin.paper import clean_text
from glasswright.reports.record.formats import COVERAGE_FACTOR, name_field, name_unit, write_limits, write_result
from glasswright.reports.record.plain import describe_results, explain_caveats

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.judging.card import Card
    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger.verdict import LimitVerdict
    from glasswright.reports.record.field_picture import FieldPicture

SHOWN_HASH: Final = 16
NOT_ACCREDITED: Final = "A shop's record, not an accredited calibration."
TITLES: Final = {
    DecisionKind.RELEASE: ("Release record", ()),
    DecisionKind.RELEASED_ON_REVIEW: ("Record of a release on review", ("RELEASED ON REVIEW",)),
}
"""Title, and what stands across every page."""
FINDINGS: Final = ("Findings sheet", ("FINDINGS SHEET - NOT RELEASED",))
"""The same for every other word: the gate, and nothing else, decides."""
CAUTIONS: Final = (
    f"{NOT_ACCREDITED} It speaks of this lens as it was when it was measured, on this stand and this body; a knock, a "
    "repair or another body can change it.",
    "The name and date of the signature are as they were given when this was made; the ledger does not keep them.",
    "The fingerprint ties this file to the shop's ledger: `glasswright record --verify FILE --ledger LEDGER` checks "
    "it. A printed, scanned or newly saved copy cannot be checked so.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who signs, and on which day; empty where nobody has yet."""

    name: str = ""
    day: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One limit and what was found."""

    measure: str
    at: str
    result: str
    unit: str
    limits: str
    rule: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The lines of one step."""

    step: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandLine:
    """One hand check: what was answered and by whom."""

    name: str
    says: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordContent:
    """All texts of a record."""

    title: str
    across: tuple[str, ...]
    """What stands across every page."""
    decision: str
    """The gate's word."""
    facts: tuple[tuple[str, str], ...]
    reasons: tuple[str, ...]
    shop: tuple[str, ...]
    """Its name, then its address line by line; empty where the stand file has none."""
    logo: str
    """SHA-256 of the shop's logo; empty where it has none."""
    picture: FieldPicture | None
    """Numbers over the frame, before and now."""
    found: tuple[str, ...]
    """What was found, in plain words."""
    hints: tuple[str, ...]
    """What the findings point to, where the lens is not released."""
    caveats: tuple[str, ...]
    """What to know of the measurement, in plain words."""
    groups: tuple[Group, ...]
    hand_checks: tuple[HandLine, ...]
    rules: tuple[str, ...]
    remarks: tuple[str, ...]
    """Findings and caveats."""
    sources: tuple[tuple[str, str], ...]
    """Plan, card, stand, and what names the measurement."""
    cautions: tuple[str, ...]
    signature: Signature


def write_content(
    evidence: Gated, signature: Signature, hints: tuple[str, ...] = (), picture: FieldPicture | None = None
) -> RecordContent:
    """Put into words what the ledger says of a ticket.

    Parameters
    ----------
    hints
        Where to look first; a lens that is released needs none.
    picture
        Numbers over the frame; None for none.
    """
    title, across = TITLES.get(evidence.decision.kind, FINDINGS)
    rehearsed = ("REHEARSED - NO REAL LENS",) if evidence.state.record.ticket.rehearsed else ()
    return RecordContent(
        title=title,
        across=(*across, *rehearsed),
        decision=str(evidence.decision),
        facts=_facts(evidence),
        reasons=tuple(map(clean_text, evidence.decision.reasons)),
        shop=tuple(map(clean_text, evidence.shop)),
        logo=evidence.logo,
        picture=picture,
        found=tuple(map(clean_text, describe_results(evidence))),
        hints=() if evidence.decision.kind in RELEASING else tuple(map(clean_text, hints)),
        caveats=tuple(map(clean_text, explain_caveats(evidence))),
        groups=_groups(evidence),
        hand_checks=_hand_checks(evidence),
        rules=_rules(evidence),
        remarks=_remarks(evidence),
        sources=_sources(evidence),
        cautions=CAUTIONS,
        signature=Signature(name=clean_text(signature.name), day=clean_text(signature.day)),
    )


def _facts(evidence: Gated) -> tuple[tuple[str, str], ...]:
    state, record = evidence.state, evidence.state.record
    roles = Counter(shot.role for shot in record.shots)
    facts = {
        "Lens": record.ticket.model,
        "Serial number": record.ticket.serial,
        "Ticket": record.ticket.number,
        "Phase": record.ticket.phase + (", rehearsed: the frames were rendered" if record.ticket.rehearsed else ""),
        "Measured": state.measured_at.replace("T", " "),
        "Stand": record.stand,
        "Body": record.ticket.body,
        "Settings": ", ".join(map(str, record.settings)) or "none",
        "Raw files": ", ".join(f"{count} {role}" for role, count in sorted(roles.items())) or "none",
    }
    return tuple((name, clean_text(text)) for name, text in facts.items())


def _groups(evidence: Gated) -> tuple[Group, ...]:
    """Return a line for each verdict on a number."""
    verdicts = [each for each in evidence.verdicts if _step_of(each) != HAND_STEP]
    by_step = groupby(verdicts, key=_step_of)
    return tuple(
        Group(step=clean_text(step.replace("_", " ")), lines=tuple(_line(each, evidence.card) for each in verdicts))
        for step, verdicts in by_step
    )


def _hand_checks(evidence: Gated) -> tuple[HandLine, ...]:
    return tuple(
        HandLine(
            name=clean_text(each.measure.split(".")[1].replace("_", " ")),
            says=clean_text(each.reason),
            verdict=str(each.verdict),
        )
        for each in evidence.verdicts
        if _step_of(each) == HAND_STEP
    )


def _step_of(verdict: LimitVerdict) -> str:
    return verdict.measure.partition(".")[0]


def _line(verdict: LimitVerdict, card: Card | None) -> Line:
    return Line(
        measure=clean_text(name_field(verdict.measure.partition(".")[2])),
        at=clean_text(verdict.at),
        result=write_result(verdict.value, verdict.u),
        unit=name_unit(verdict.measure),
        limits=write_limits(verdict),
        rule=_rule_of(verdict, card),
        verdict=str(verdict.verdict),
    )


def _rule_of(verdict: LimitVerdict, card: Card | None) -> str:
    """Return the decision rule of a verdict's limit, found again on the card by measure and bounds."""
    limits = card.limits if card is not None else ()
    rules = [
        f"guarded {card.confidence_of(limit):.2%}".replace(".00%", " %")
        if card.rule_of(limit) == "guarded"
        else "simple"
        for limit in limits
        if card is not None and (limit.measure, limit.min, limit.max) == (verdict.measure, verdict.lower, verdict.upper)
    ]
    return " or ".join(dict.fromkeys(rules)) or "not known"


def _rules(evidence: Gated) -> tuple[str, ...]:
    card = evidence.card
    if card is None:
        return ()
    used = {(card.rule_of(limit), card.confidence_of(limit)) for limit in card.limits}
    texts = [
        f"± is the expanded uncertainty: {COVERAGE_FACTOR} times the standard uncertainty (k = {COVERAGE_FACTOR}) that "
        "the decision used, the measurement's own together with the stand's reproducibility. Without ± it is not known."
    ]
    for confidence in sorted(confidence for rule, confidence in used if rule == "guarded"):
        texts.append(
            f"Rule guarded {100 * confidence:g} %: PASS only if inside the limit by {guard_band(confidence, 1.0):.3g} "
            "standard uncertainties, FAIL only if outside by as much, REVIEW between (JCGM 106:2012, 8.3)."
        )
    if any(rule == "simple" for rule, _ in used):
        texts.append(
            "Rule simple: PASS if inside or on the limit, else FAIL; the uncertainty is not taken into account."
        )
    return tuple(texts)


def _remarks(evidence: Gated) -> tuple[str, ...]:
    state = evidence.state
    caveats: dict[str, None] = dict.fromkeys(state.record.ticket.caveats)
    for outcome in state.outcomes:
        caveats.update(dict.fromkeys(outcome.caveats))
    lost = Counter(outcome.step for outcome in state.outcomes if str(outcome.status) != "done")
    remarks = [*evidence.decision.notes]
    if caveats:
        remarks.append(f"Caveats of the measurement: {', '.join(sorted(caveats))}.")
    if lost:
        steps = ", ".join(f"{step} ({count})" for step, count in sorted(lost.items()))
        remarks.append(f"Steps without a result: {steps}.")
    return tuple(map(clean_text, remarks))


def _sources(evidence: Gated) -> tuple[tuple[str, str], ...]:
    record, judgement = evidence.state.record, evidence.judgement
    named: Iterable[tuple[str, str]] = (
        ("Plan", record.plan_sha256),
        ("Card", judgement.card if judgement else ""),
        ("Stand file", judgement.stand if judgement else record.stand_sha256),
    )
    sources = [(kind, _name_source(evidence, sha256)) for kind, sha256 in named]
    return (*sources, ("Measurement", evidence.state.content[:SHOWN_HASH]), ("Ledger", str(evidence.head)))


def _name_source(evidence: Gated, sha256: str) -> str:
    if not sha256:
        return "none"
    name = evidence.names.get(sha256)
    return clean_text(f"{name}, {sha256[:SHOWN_HASH]}" if name else sha256[:SHOWN_HASH])
