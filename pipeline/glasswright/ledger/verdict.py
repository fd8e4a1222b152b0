"""Verdicts, how several are combined, and the judgement of a ticket."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable


class Verdict(StrEnum):
    """The result of comparing a number with a limit."""

    PASS = "PASS"
    REVIEW = "REVIEW"
    """Neither proven inside nor proven outside: a person must look at it."""
    UNKNOWN = "UNKNOWN"
    """Not measured, or not measured in a way for which the card is valid."""
    FAIL = "FAIL"
    NOT_APPLICABLE = "NOT APPLICABLE"
    """Asked for, and by its file this stand cannot give it: it is listed, and decides nothing."""


RISING: Final = (Verdict.NOT_APPLICABLE, Verdict.PASS, Verdict.REVIEW, Verdict.UNKNOWN, Verdict.FAIL)
"""From the least grave to the gravest."""


NOTHING_APPLIES: Final = "no limit of the card is applicable on this stand, so nothing shows that the lens is sound"


def fold(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of several verdicts (FAIL, UNKNOWN, REVIEW, PASS).

    NOT APPLICABLE does not count; UNKNOWN if no verdict counts.
    """
    counted = (each for each in verdicts if each is not Verdict.NOT_APPLICABLE)
    return max(counted, key=RISING.index, default=Verdict.UNKNOWN)


def fold_part(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst verdict of a part of a ticket, such as one step's limits; NOT APPLICABLE if all are."""
    return max(verdicts, key=RISING.index, default=Verdict.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitVerdict:
    """The verdict on one limit, at one setting or shot."""

    measure: str
    """`step.field`."""
    at: str
    """The setting or shot, as text."""
    verdict: Verdict
    reason: str
    value: float | None = None
    u: float | None = None
    """Standard uncertainty used for the verdict: the stage's own combined with the stand's reproducibility."""
    lower: float | None = None
    upper: float | None = None
    guard: float | None = field(default=None, compare=False)
    """Width of the guard band, in the field's unit; 0 under the simple rule, None where there is none to tell. The
    ledger does not keep it: it follows from what was measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The judgement of a ticket's measurements by a card."""

    ticket: str
    manifest: str
    """Hash of the measurements: `TicketState.content`."""
    card: str
    """SHA-256 of the card's text; empty if the model has no card."""
    stand: str
    """SHA-256 of the stand file's text."""
    judge_version: int
    verdict: Verdict
    reasons: tuple[str, ...]
    """Reasons that concern the whole ticket."""
    verdicts: tuple[LimitVerdict, ...]
    """One for each limit at each of its settings."""

    @property
    def missing(self) -> tuple[LimitVerdict, ...]:
        """The limits that could not be judged; shown with every verdict."""
        return tuple(each for each in self.verdicts if each.verdict is Verdict.UNKNOWN)

    @property
    def not_applicable(self) -> tuple[LimitVerdict, ...]:
        """What was asked for and this stand cannot give; to be shown whatever the verdict."""
        return tuple(each for each in self.verdicts if each.verdict is Verdict.NOT_APPLICABLE)
