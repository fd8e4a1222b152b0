"""The verdicts of a night as JUnit XML, the format of test results on build servers.

A ticket is a suite, a limit at a setting is a test. Only PASS is a passed test. FAIL is a failure, UNKNOWN an error,
and REVIEW a failure of the type `REVIEW`: a skipped test would leave the build green, but a lens in review is not
released. NOT APPLICABLE is skipped.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from typing import TYPE_CHECKING, Final

from glasswright.ledger.verdict import Verdict
from glasswright.plugin.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger.verdict import LimitVerdict

NO_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 does not allow, even escaped (section 2.2)."""
ELEMENTS: Final = {
    Verdict.FAIL: "failure",
    Verdict.REVIEW: "failure",
    Verdict.UNKNOWN: "error",
    Verdict.NOT_APPLICABLE: "skipped",
}


def write_junit(tickets: Iterable[Gated]) -> bytes:
    """Return the XML document in UTF-8, with tickets in the given order."""
    root = ElementTree.Element("testsuites", name="glasswright")
    totals = dict.fromkeys(("tests", "failures", "errors"), 0)
    for judged in tickets:
        suite = _suite(judged)
        for name in totals:
            totals[name] += int(suite.get(name, "0"))
        root.append(suite)
    for name, count in totals.items():
        root.set(name, str(count))
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _suite(judged: Gated) -> ElementTree.Element:
    ticket = judged.state.record.ticket
    cases = [_case(ticket.number, each) for each in judged.verdicts]
    whole = "; ".join(judged.whole_reasons)
    if whole or not cases:
        cases.insert(0, _whole_case(ticket.number, whole or "the judgement has no verdicts"))
    _number_namesakes(cases)
    counts = {
        "tests": len(cases),
        "failures": sum(case.find("failure") is not None for case in cases),
        "errors": sum(case.find("error") is not None for case in cases),
        "skipped": sum(case.find("skipped") is not None for case in cases),
    }
    name = _clean(f"{ticket.number} {ticket.model} {ticket.serial}")
    suite = ElementTree.Element("testsuite", name=name, timestamp=judged.state.measured_at)
    for key, count in counts.items():
        suite.set(key, str(count))
    facts = {
        "model": ticket.model,
        "serial": ticket.serial,
        "phase": ticket.phase,
        "rehearsed": str(ticket.rehearsed).lower(),
        "stand": judged.state.record.stand,
        "decision": str(judged.decision.kind),
    }
    if judged.decision.released_by:
        facts["released_by"] = judged.decision.released_by
    suite.append(_properties(facts))
    suite.extend(cases)
    return suite


def _number_namesakes(cases: list[ElementTree.Element]) -> None:
    """Number tests of the same name (two limits of one measure), because servers show only one of them."""
    seen: Counter[tuple[str | None, str | None]] = Counter()
    for case in cases:
        key = (case.get("classname"), case.get("name"))
        seen[key] += 1
        if seen[key] > 1:
            case.set("name", f"{key[1]} ({seen[key]})")


def _whole_case(number: str, reason: str) -> ElementTree.Element:
    case = ElementTree.Element("testcase", classname=_clean(number), name="the ticket as a whole")
    _add_verdict(case, Verdict.UNKNOWN, reason)
    return case


def _case(number: str, verdict: LimitVerdict) -> ElementTree.Element:
    step, _, field = verdict.measure.partition(".")
    case = ElementTree.Element(
        "testcase", classname=_clean(f"{number}.{step}"), name=_clean(f"{field} at {verdict.at}")
    )
    facts = {
        "verdict": str(verdict.verdict),
        "value": _number(verdict.value),
        "u": _number(verdict.u),
        "lower": _number(verdict.lower),
        "upper": _number(verdict.upper),
        "unit": unit_of(field.rpartition(".")[2]) or "",
    }
    case.append(_properties({name: text for name, text in facts.items() if text}))
    _add_verdict(case, verdict.verdict, verdict.reason)
    return case


def _add_verdict(case: ElementTree.Element, verdict: Verdict, reason: str) -> None:
    if verdict in ELEMENTS:
        element = ElementTree.SubElement(case, ELEMENTS[verdict], type=str(verdict), message=_clean(reason))
        element.text = _clean(reason)


def _properties(facts: dict[str, str]) -> ElementTree.Element:
    element = ElementTree.Element("properties")
    for name, value in facts.items():
        ElementTree.SubElement(element, "property", name=name, value=_clean(value))
    return element


def _number(value: float | None) -> str:
    return "" if value is None else repr(value)


def _clean(text: str) -> str:
    return NO_XML.sub("\ufffd", text)
