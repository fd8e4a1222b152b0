"""What a stand that is out of control does to a judgement: nothing passes on it, and nothing else changes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from glasswright.ledger.verdict import Verdict, fold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.verdict import Judgement

MOST_TOLD: Final = 3
"""Reasons that a verdict repeats; `glasswright watch` tells them all."""


def doubt(judgement: Judgement, doubts: Sequence[str]) -> Judgement:
    """Turn every PASS of a judgement into REVIEW for the doubts there are of its stand; FAIL and UNKNOWN stand."""
    if not doubts:
        return judgement
    reason = tell_doubts(doubts)
    verdicts = tuple(
        replace(each, verdict=Verdict.REVIEW, reason=f"{each.reason}; but {reason}")
        if each.verdict is Verdict.PASS
        else each
        for each in judgement.verdicts
    )
    verdict = fold([*(each.verdict for each in verdicts), *(Verdict.UNKNOWN for _ in judgement.reasons)])
    return replace(judgement, verdict=verdict, verdicts=verdicts)


def tell_doubts(doubts: Sequence[str]) -> str:
    """Give the doubts in one sentence, the first few of them whole."""
    more = len(doubts) - MOST_TOLD
    told = "; ".join(doubts[:MOST_TOLD]) + (f"; and {more} more" if more > 0 else "")
    return f"the stand counts as out of control: {told}"
