"""Turns PASS into REVIEW if the stand is out of control."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from glasswright.ledger.verdict import Verdict, fold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.verdict import Judgement

MOST_LISTED: Final = 3
"""Number of reasons that a verdict repeats; `glasswright watch` lists them all."""


def hold_passes(judgement: Judgement, out_of_control: Sequence[str]) -> Judgement:
    """Turn every PASS of a judgement into REVIEW if its stand is out of control; FAIL and UNKNOWN stay."""
    if not out_of_control:
        return judgement
    reason = format_out_of_control(out_of_control)
    verdicts = tuple(
        replace(each, verdict=Verdict.REVIEW, reason=f"{each.reason}; but {reason}")
        if each.verdict is Verdict.PASS
        else each
        for each in judgement.verdicts
    )
    verdict = fold([*(each.verdict for each in verdicts), *(Verdict.UNKNOWN for _ in judgement.reasons)])
    return replace(judgement, verdict=verdict, verdicts=verdicts)


def format_out_of_control(out_of_control: Sequence[str]) -> str:
    """Format the reasons in one sentence, the first few in full."""
    more = len(out_of_control) - MOST_LISTED
    listed = "; ".join(out_of_control[:MOST_LISTED]) + (f"; and {more} more" if more > 0 else "")
    return f"the stand counts as out of control: {listed}"
