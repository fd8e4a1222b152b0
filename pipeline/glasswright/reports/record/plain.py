"""Results in plain words for the owner of a lens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.card import HAND_STEP
from glasswright.judging.decision import margin_over_u
from glasswright.ledger.verdict import RISING, Verdict
from glasswright.reports.artefacts import load_whole
from glasswright.reports.names import field_names, installed_plugins
from glasswright.reports.pages.formats import format_value
from glasswright.reports.record.formats import name_field, name_unit, write_limits

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger, TicketState
    from glasswright.ledger.verdict import LimitVerdict

ENDINGS = {
    Verdict.PASS: "in order",
    Verdict.FAIL: "not in order",
    Verdict.REVIEW: "too near the limit to decide, or with a caveat",
    Verdict.UNKNOWN: "not measured",
    Verdict.NOT_APPLICABLE: "not applicable",
}


def describe_results(evidence: Gated) -> tuple[str, ...]:
    """Return a sentence for each measure and verdict, failures first.

    Settings with the same verdict share a sentence, which gives the number nearest to its limit; so do measures that
    share a sentence in `IN_ORDER`, if all their limits are met.
    """
    sentences = field_names().by_limit
    contradicted = {sentences.get(each.measure, "") for each in evidence.verdicts if each.verdict is not Verdict.PASS}
    groups: dict[str, list[LimitVerdict]] = {}
    for verdict in reversed(RISING):
        for each in evidence.verdicts:
            if each.verdict is verdict and each.measure.partition(".")[0] != HAND_STEP:
                said = sentences.get(each.measure, "")
                groups.setdefault(_say(each, "" if said in contradicted else said), []).append(each)
    return (*(_describe(said, verdicts) for said, verdicts in groups.items()), *_describe_hand(evidence))


def _say(each: LimitVerdict, good: str) -> str:
    """Return what is said of a verdict: the sentence for a limit that is met, else the measure's name."""
    if good and each.verdict is Verdict.PASS:
        return good
    name = field_names().name(each.measure)
    name = name_field(each.measure.partition(".")[2]) if name == each.measure else name
    return f"{name}: {ENDINGS[each.verdict]}"


def _describe(said: str, verdicts: Sequence[LimitVerdict]) -> str:
    places = list(dict.fromkeys(each.at for each in verdicts if each.at != "the whole ticket"))
    where = f" at {_list(places)}" if places else ""
    near = min(verdicts, key=margin_over_u)
    unit = name_unit(near.measure)
    found = f"{format_value(near.value, near.u)} {unit}".strip()
    at = f" at {near.at}" if len(places) > 1 else ""
    number = "" if near.value is None else f" ({found}{at}; limit {write_limits(near)})"
    return f"{said[:1].upper()}{said[1:]}{where}{number}."


def _list(parts: Sequence[str]) -> str:
    unique = list(dict.fromkeys(parts))
    start, blank, _ = unique[0].rpartition(" ")
    if blank and all(each.startswith(start + blank) for each in unique):
        # a focal length that all share is said once
        unique[1:] = [each.removeprefix(start + blank) for each in unique[1:]]
    return unique[0] if len(unique) == 1 else f"{', '.join(unique[:-1])} and {unique[-1]}"


def _describe_hand(evidence: Gated) -> Iterable[str]:
    hand = [each for each in evidence.verdicts if each.measure.partition(".")[0] == HAND_STEP]
    if hand:
        good = sum(each.verdict is Verdict.PASS for each in hand)
        yield f"Checked by hand and eye: {good} of {len(hand)} in order."


def explain_caveats(evidence: Gated) -> tuple[str, ...]:
    """Return the meaning of each caveat of the measurement."""
    names = dict.fromkeys(evidence.state.record.ticket.caveats)
    for outcome in evidence.state.outcomes:
        names.update(dict.fromkeys(outcome.caveats))
    return tuple(f"{field_names().explain(name)}." for name in sorted(names))


def find_hints(ledger: Ledger, state: TicketState) -> tuple[str, ...]:
    """Return the installed plugins' hints on where to look first, from results of the whole ticket."""
    describe = installed_plugins().drawings.hints
    return tuple(
        hint
        for result in load_whole(ledger, state).values()
        if type(result) in describe
        for hint in describe[type(result)](result)
    )
