"""Comparison of diagnoses with the true faults."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from faults_nights import ALSO_SHOWS, SHOWS, STRENGTHS
from scipy.stats import binomtest

import glasswright_camera  # noqa: F401 - its artefacts are in the ledger
from glasswright.ledger import Ledger
from glasswright.plugin.outcome import Status
from glasswright_camera.diagnosis.result import Diagnosis

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

NOTHING = "nothing unusual"
UNREAD = "not read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One lens."""

    ticket: str
    faults: tuple[str, ...]
    """True faults."""
    named: tuple[str, ...]
    """Diagnoses, or the single answer that none fits."""
    surety: str
    """Of the first of them."""
    likely: tuple[str, ...] = ()
    """Those of them that are called likely."""
    strength: float = 1.0
    """Strength of the fault; of the weakest if there are several."""

    @property
    def expected(self) -> set[str]:
        """Diagnoses that should be found."""
        return {SHOWS[fault] for fault in self.faults}

    @property
    def not_there(self) -> set[str]:
        """Diagnoses of what is not there."""
        return set(self.named) - self.expected - {ALSO_SHOWS.get(fault, "") for fault in self.faults}

    @property
    def likely_and_wrong(self) -> bool:
        """Whether anything that is not there is called likely."""
        return bool(self.not_there & set(self.likely))


def make_reading(data: Mapping[str, Any]) -> Reading:
    """Return a reading that was kept as JSON."""
    return Reading(**{name: tuple(value) if isinstance(value, list) else value for name, value in data.items()})


def read_diagnosis(ledger: Path, ticket: str, faults: Mapping[str, float]) -> Reading:
    """Return the diagnosis of a ticket from the ledger.

    Parameters
    ----------
    faults
        True faults: fault -> strength.
    """
    wrong, strength = tuple(faults), min(faults.values(), default=1.0)
    with Ledger.open_for_reading(ledger) as opened:
        (state,) = opened.latest_tickets([ticket])
        (outcome,) = (each for each in state.outcomes if each.step == "diagnose")
        if outcome.status is not Status.DONE:
            return Reading(ticket=ticket, faults=wrong, named=(UNREAD,), surety="none", strength=strength)
        diagnosis = opened.load_artefact(outcome.address)
    assert isinstance(diagnosis, Diagnosis)
    names = tuple(dict.fromkeys(finding.name for finding in diagnosis.findings)) or (diagnosis.points_to,)
    likely = tuple(finding.name for finding in diagnosis.findings if finding.surety == "likely")
    return Reading(ticket=ticket, faults=wrong, named=names, surety=diagnosis.surety, likely=likely, strength=strength)


def upper_bound(wrong: int, count: int) -> float:
    """Return the upper end of the one-sided 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    return float(binomtest(wrong, count, alternative="less").proportion_ci(0.95, method="exact").high)


def score(readings: Sequence[Reading]) -> dict[str, Any]:
    """Count correct diagnoses, by kind of lens."""
    healthy = [each for each in readings if not each.faults]
    single = [each for each in readings if len(each.faults) == 1]
    double = [each for each in readings if len(each.faults) > 1]
    alarms = [each for each in healthy if each.named != (NOTHING,)]
    right = [each for each in single if set(each.named) == each.expected]
    return {
        "healthy": len(healthy),
        "false_alarms": len(alarms),
        "false_alarms_upper": upper_bound(len(alarms), len(healthy)),
        "single": len(single),
        "single_right": len(right),
        "single_right_and_likely": sum(each.surety == "likely" for each in right),
        "wrong_and_likely": sum(each.likely_and_wrong for each in single),
        "double": len(double),
        "double_both": sum(set(each.named) == each.expected for each in double),
        "double_one": sum(bool(set(each.named) & each.expected) and set(each.named) < each.expected for each in double),
        "double_with_wrong": sum(bool(each.not_there) for each in double),
        "confusion": confusion(readings),
        "not_right": [
            {"ticket": each.ticket, "faults": each.faults, "named": each.named, "surety": each.surety}
            for each in (*alarms, *(one for one in (*single, *double) if set(one.named) != one.expected))
        ],
    }


def confusion(readings: Sequence[Reading]) -> dict[str, dict[str, int]]:
    """Count the diagnoses for each fault, for double faults and for healthy lenses."""
    table: dict[str, Counter[str]] = {}
    for each in readings:
        table.setdefault("+".join(each.faults) or "healthy", Counter())[" and ".join(sorted(each.named))] += 1
    return {fault: dict(named.most_common()) for fault, named in sorted(table.items())}


def print_score(table: dict[str, Any]) -> None:
    """Print the score."""
    width = max(len(fault) for fault in table["confusion"])
    print(f"{'what was wrong':{width}}  lenses  result")
    for fault, named in table["confusion"].items():
        listed = "; ".join(f"{count} {label}" for label, count in named.items())
        print(f"{fault:{width}}  {sum(named.values()):6}  {listed}")
    print()
    bound = 100 * table["false_alarms_upper"]
    rows = (
        ("healthy lenses called anything but `nothing unusual`", table["false_alarms"], table["healthy"]),
        ("single faults named, and nothing else", table["single_right"], table["single"]),
        ("  of these called likely", table["single_right_and_likely"], table["single_right"]),
        ("single faults for which another pattern was called likely", table["wrong_and_likely"], table["single"]),
        ("double faults of which both were named, and nothing else", table["double_both"], table["double"]),
        ("double faults of which one was named, and nothing else", table["double_one"], table["double"]),
        ("double faults with a pattern that was not there", table["double_with_wrong"], table["double"]),
    )
    for label, count, of in rows:
        share = f"{100 * count / of:5.1f} %" if of else "-"
        print(f"{label:60} {count:4} of {of:4}  {share}")
    print(f"{'false alarms, upper end of the 95 % interval':60} {bound:.2f} %")


def score_strengths(readings: Sequence[Reading]) -> list[dict[str, Any]]:
    """Count the likely diagnoses and how many of them are wrong: for each strength of single faults, for all of them
    together, and for double faults. It is wrong if anything that is not there is called likely."""
    single = [each for each in readings if len(each.faults) == 1]
    groups = [(f"{it:g}", [each for each in single if each.strength == it]) for it in STRENGTHS]
    groups += [("all", single), ("double", [each for each in readings if len(each.faults) > 1])]
    rows = []
    for label, these in groups:
        likely = [each for each in these if each.likely]
        wrong = [each for each in likely if each.likely_and_wrong]
        rows.append(
            {
                "strength": label,
                "lenses": len(these),
                "likely": len(likely),
                "likely_and_wrong": len(wrong),
                "right_at_least": 1 - upper_bound(len(wrong), len(likely)) if likely else 0.0,
                "named": sum(bool(set(each.named) & each.expected) for each in these),
                "nothing": sum(each.named == (NOTHING,) for each in these),
                "only_others": sum(each.named != (NOTHING,) and not set(each.named) & each.expected for each in these),
                "not_named": [
                    {"faults": each.faults, "named": each.named, "surety": each.surety}
                    for each in these
                    if each.named != (NOTHING,) and not set(each.named) & each.expected
                ],
            }
        )
    return rows


def print_strengths(rows: Sequence[Mapping[str, Any]]) -> None:
    """Print a line per strength, and every lens with a wrong diagnosis."""
    print("strength  lenses  named  nothing  others only  likely  wrong  likely right at least")
    for row in rows:
        print(
            f"{row['strength']:8}  {row['lenses']:6}  {row['named']:5}  {row['nothing']:7}  {row['only_others']:11}"
            f"  {row['likely']:6}  {row['likely_and_wrong']:5}"
            f"  {row['right_at_least']:21.1%}"
        )
    for row in rows:
        for each in row["not_named"] if row["strength"] != "all" else ():
            print(f"{row['strength']} {'+'.join(each['faults'])}: {' and '.join(each['named'])} ({each['surety']})")
