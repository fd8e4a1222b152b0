"""A tuning as plain data, for the proposal file and for JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from glasswright.tuning.aims import SIGMAS

if TYPE_CHECKING:
    from glasswright.statistics.shares import Share
    from glasswright.tuning.curve import Curve
    from glasswright.tuning.risks import Risk
    from glasswright.tuning.tuning import SideReport, Tuning

DIGITS = 6


def as_data(tuning: Tuning, *, curves: bool = True) -> dict[str, Any]:
    """Return a tuning as mappings, lists, texts and numbers.

    Parameters
    ----------
    curves
        Whether to include the trade-off curve of every limit.
    """
    evidence, aims = tuning.evidence, tuning.aims
    return {
        "proposal": tuning.card.card,
        "rehearsed": evidence.rehearsed,
        "aims": {
            "held_at_most": aims.held,
            "confidence": aims.confidence,
            "method": aims.method,
            "review_is_held": aims.review_is_held,
        },
        "evidence": {
            "digest": evidence.digest,
            "healthy": [lens.ticket for lens in evidence.healthy],
            "sound": [{"ticket": lens.ticket, "why": lens.sound} for lens in evidence.healthy if lens.sound],
            "held": [{"ticket": lens.ticket, "why": lens.held} for lens in evidence.held],
            "bad": [{"ticket": lens.ticket, "why": lens.bad} for lens in evidence.bad],
            "left_out": [{"ticket": each.ticket, "why": each.why} for each in evidence.left_out],
        },
        "limits": [_side(each, curves=curves) for each in tuning.sides],
        "whole_ticket": {
            "lenses": tuning.risk_lenses,
            "before": _risk(tuning.risk_before),
            "after": _risk(tuning.risk),
        },
        "changed_verdicts": [
            {"ticket": each.ticket, "before": str(each.before), "after": str(each.after)}
            for each in tuning.changed
            if each.before != each.after
        ],
    }


def _side(report: SideReport, *, curves: bool) -> dict[str, Any]:
    side, proposal = report.side, report.proposal
    data: dict[str, Any] = {
        "measure": side.limit.measure,
        "at": str(side.limit.at),
        "end": side.end,
        "old": report.old_number,
        "new": proposal.number,
        "method": proposal.method,
        "lenses": proposal.count or (report.summary.count if report.summary else 0),
        "proven": proposal.proven,
        "why": proposal.reason,
        "to_inspect": list(proposal.to_inspect),
        "summary": _summarise(report),
        "capability": _rounded(report.capable),
        "capability_interval": [_rounded(each) for each in report.capable_interval or ()],
        "before": _risk(report.risk_before),
        "after": _risk(report.risk),
        "bad_passed": {
            f"{sigmas} sigma": _rounded(share) for sigmas, share in zip(SIGMAS, report.bad_passed, strict=False)
        },
        "must_hold_passed": _rounded(report.must_hold_passed),
        "changed_verdicts": [each.ticket for each in report.changed],
    }
    if curves and report.curve is not None:
        data["curve"] = _curve(report.curve)
    return data


def _summarise(report: SideReport) -> dict[str, Any] | None:
    """Return summary statistics of the healthy lenses in the card's orientation."""
    summary, spread, turn = report.summary, report.spread, report.side.turn
    if summary is None:
        return None
    quartiles = sorted((turn(summary.quartile_low), turn(summary.quartile_high)))
    ends = sorted((turn(summary.low), turn(summary.high)))
    return {
        "lenses": summary.count,
        "median": _rounded(turn(summary.median)),
        "robust_sigma": _rounded(summary.robust_sigma),
        "quartiles": [_rounded(each) for each in quartiles],
        "range": [_rounded(each) for each in ends],
        "mean": _rounded(turn(summary.mean)),
        "sigma": _rounded(summary.sigma),
        "measuring_sigma": _rounded(spread.noise_sigma) if spread else None,
        "lenses_own_sigma": _rounded(spread.sigma) if spread else None,
        "quartile_skew": _rounded(summary.skew * (1 if report.side.end == "min" else -1)),
        "normal_probability": _rounded(summary.normal_probability),
        "outliers": list(report.outliers),
    }


def _risk(risk: Risk | None) -> dict[str, Any] | None:
    if risk is None:
        return None
    return {
        "good_held": _share(risk.held),
        "good_failed": _share(risk.failed),
        "known_bad": risk.known_bad,
        "known_bad_passed": risk.known_bad_passed,
        "known_bad_passed_share": _share(risk.known_bad_share),
    }


def _share(share: Share) -> dict[str, float | None]:
    return {"share": _rounded(share.value), "low": _rounded(share.low), "high": _rounded(share.high)}


def _curve(curve: Curve) -> dict[str, Any]:
    return {
        "limit": [_rounded(each) for each in curve.numbers],
        "good_held": [_rounded(each) for each in curve.good_held],
        "bad_passed": [_rounded(each) for each in curve.bad_passed],
        "known_bad_passed": [_rounded(each) for each in curve.known_bad_passed],
    }


def _rounded(value: float | None) -> float | None:
    """Round to six digits, because the last bits differ between machines."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}")
