"""The texts of a record, without layout."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

from glasswright.judging.card import HAND_STEP
from glasswright.judging.decision import guard_band
from glasswright.judging.gate import RELEASING, DecisionKind
from glasswright.plugin.paper import clean_text
from glasswright.reports.names import field_names
from glasswright.reports.pages.formats import format_heading, format_step, format_value
from glasswright.reports.record.formats import COVERAGE_FACTOR, name_field, name_unit, write_limits
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
"""Decision -> (title, watermarks)."""
FINDINGS: Final = ("Findings sheet", ("FINDINGS SHEET - NOT RELEASED",))
"""Title and watermarks for every other decision."""
CAUTIONS: Final = (
    f"{NOT_ACCREDITED} It describes this lens at the time of measurement, on this stand and with this body; a knock, a "
    "repair or another body can change it.",
    "The name and date of the signature were entered when this was made; the ledger does not keep them.",
    "The fingerprint ties this file to the shop's ledger: `glasswright record --verify FILE --ledger LEDGER` checks "
    "it. A printed, scanned or re-saved copy cannot be checked in this way.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Name and day of the signature; empty if not signed."""

    name: str = ""
    day: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One limit and its result."""

    measure: str
    at: str
    result: str
    unit: str
    limits: str
    rule: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The limits of one step."""

    step: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandLine:
    """One hand check: the answer, and by whom."""

    name: str
    result: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordContent:
    """All texts of a record."""

    title: str
    across: tuple[str, ...]
    """Watermarks of every page."""
    decision: str
    """The gate's decision."""
    facts: tuple[tuple[str, str], ...]
    reasons: tuple[str, ...]
    shop: tuple[str, ...]
    """Name and lines of the address; empty if the stand file has none."""
    logo: str
    """SHA-256 of the shop's logo; empty if it has none."""
    picture: FieldPicture | None
    """Numbers over the frame, before and now."""
    found: tuple[str, ...]
    """Results in plain words."""
    hints: tuple[str, ...]
    """What the results point to, if the lens is not released."""
    caveats: tuple[str, ...]
    """Explanations of the caveats."""
    groups: tuple[Group, ...]
    hand_checks: tuple[HandLine, ...]
    rules: tuple[str, ...]
    remarks: tuple[str, ...]
    """Findings and caveats."""
    sources: tuple[tuple[str, str], ...]
    """Names and hashes of plan, card, stand file, measurements and ledger."""
    cautions: tuple[str, ...]
    signature: Signature


def write_content(
    evidence: Gated, signature: Signature, hints: tuple[str, ...] = (), picture: FieldPicture | None = None
) -> RecordContent:
    """Return the texts of a ticket's record.

    Parameters
    ----------
    hints
        Where to look first; not used for a released lens.
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
        reasons=tuple(clean_text(field_names().make_readable(each)) for each in evidence.decision.reasons),
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
        "Raw files": ", ".join(f"{count} {role.replace('_', ' ')}" for role, count in sorted(roles.items())) or "none",
    }
    return tuple((name, clean_text(text)) for name, text in facts.items())


def _groups(evidence: Gated) -> tuple[Group, ...]:
    """Return the verdicts on numbers, by step."""
    verdicts = [each for each in evidence.verdicts if _step_of(each) != HAND_STEP]
    by_step = groupby(verdicts, key=_step_of)
    return tuple(
        Group(
            step=clean_text(format_heading(format_step(step))),
            lines=tuple(_line(each, evidence.card) for each in verdicts),
        )
        for step, verdicts in by_step
    )


def _hand_checks(evidence: Gated) -> tuple[HandLine, ...]:
    return tuple(
        HandLine(
            name=clean_text(each.measure.split(".")[1].replace("_", " ")),
            result=clean_text(each.reason),
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
        result=format_value(verdict.value, verdict.u),
        unit=name_unit(verdict.measure),
        limits=write_limits(verdict),
        rule=_rule_of(verdict, card),
        verdict=str(verdict.verdict),
    )


def _rule_of(verdict: LimitVerdict, card: Card | None) -> str:
    """Return the decision rule of a verdict's limit, found on the card by measure and bounds."""
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
        "the decision used; it combines the measurement's own and the stand's reproducibility. Without ± it is unknown."
    ]
    for confidence in sorted(confidence for rule, confidence in used if rule == "guarded"):
        texts.append(
            f"Rule guarded {100 * confidence:g} %: PASS only if inside the limit by at least the guard band, FAIL only "
            "if outside by as much, else REVIEW (JCGM 106:2012, 8.3). The guard band is the standard uncertainty times "
            f"Student's t at {100 * confidence:g} % (one-sided) for its degrees of freedom (JCGM 100:2008, G.3): "
            f"{guard_band(confidence, 1.0):.3g} if they are many, more if they are few."
        )
    if any(rule == "simple" for rule, _ in used):
        texts.append("Rule simple: PASS if inside or on the limit, else FAIL; the uncertainty is ignored.")
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
        steps = ", ".join(f"{format_step(step)} ({count})" for step, count in sorted(lost.items()))
        remarks.append(f"Steps without a result: {steps}.")
    return tuple(clean_text(field_names().make_readable(each)) for each in remarks)


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
