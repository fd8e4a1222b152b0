"""Verdicts, how several become one, and what a card said of a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable


class Verdict(StrEnum):
    """What a number is worth against a limit."""

    PASS = "PASS"
    REVIEW = "REVIEW"
    """Neither proven inside nor proven outside: a person looks again."""
    UNKNOWN = "UNKNOWN"
    """Asked for and not measured, or not measured in such a way that the card may speak."""
    FAIL = "FAIL"
    NOT_APPLICABLE = "NOT APPLICABLE"
    """Asked for, and by its file this stand cannot give it: it is listed, and decides nothing."""


RISING: Final = (Verdict.NOT_APPLICABLE, Verdict.PASS, Verdict.REVIEW, Verdict.UNKNOWN, Verdict.FAIL)
"""From the least grave to the gravest."""


NOTHING_APPLIES: Final = "no limit of the card is applicable on this stand, so nothing shows that the lens is sound"


def fold(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the one verdict of several: FAIL over UNKNOWN over REVIEW over PASS.

    What is not applicable does not count; UNKNOWN where nothing counts.
    """
    counted = (each for each in verdicts if each is not Verdict.NOT_APPLICABLE)
    return max(counted, key=RISING.index, default=Verdict.UNKNOWN)


def fold_part(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the one verdict of a part of a ticket, such as one step's limits: not applicable where none of it is."""
    return max(verdicts, key=RISING.index, default=Verdict.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitVerdict:
    """The verdict on one limit, at one setting or shot."""

    measure: str
    """`step.field`."""
    at: str
    """The setting or shot, as people say it."""
    verdict: Verdict
    reason: str
    value: float | None = None
    u: float | None = None
    """Standard uncertainty that the verdict used: the stage's own with the stand's reproducibility."""
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a card said of what was measured of a ticket."""

    ticket: str
    manifest: str
    """Names what was measured: `TicketState.content`."""
    card: str
    """SHA-256 of the card's text; empty where the model has none."""
    stand: str
    """SHA-256 of the stand file's text."""
    judge_version: int
    verdict: Verdict
    reasons: tuple[str, ...]
    """What concerns the whole ticket."""
    verdicts: tuple[LimitVerdict, ...]
    """One for each limit at each setting that it holds at."""

    @property
    def missing(self) -> tuple[LimitVerdict, ...]:
        """What was asked for and could not be judged; to be shown whatever the verdict."""
        return tuple(each for each in self.verdicts if each.verdict is Verdict.UNKNOWN)

    @property
    def not_applicable(self) -> tuple[LimitVerdict, ...]:
        """What was asked for and this stand cannot give; to be shown whatever the verdict."""
        return tuple(each for each in self.verdicts if each.verdict is Verdict.NOT_APPLICABLE)
