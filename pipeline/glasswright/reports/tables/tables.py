"""The ledger as tables with one measurement, or one verdict, per row."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright.plugin.measurements import Measured
from glasswright.plugin.outcome import Status
from glasswright.plugin.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger.records import KeptOutcome
    from glasswright.plugin.artefact import Setting

Cell = str | float | bool | None
Row = dict[str, Cell]

LENS: Final[Mapping[str, type]] = {
    "ticket": str,
    "model": str,
    "serial": str,
    "phase": str,
    "rehearsed": bool,
    "body": str,
    "stand": str,
    "measured_at": str,
}
MEASUREMENT_COLUMNS: Final[Mapping[str, type]] = {
    **LENS,
    "step": str,
    "focal_length_mm": float,
    "f_number": float,
    "focus_distance_m": float,
    "exposure_time_s": float,
    "shot": str,
    "status": str,
    "reason": str,
    "field": str,
    "unit": str,
    "value": float,
    "u": float,
    "text": str,
    "caveats": str,
    "plan_sha256": str,
    "stand_sha256": str,
    "manifest": str,
    "address": str,
}
"""Name and kind of each column of `measurements`."""

VERDICT_COLUMNS: Final[Mapping[str, type]] = {
    **LENS,
    "decision": str,
    "released_by": str,
    "measure": str,
    "at": str,
    "verdict": str,
    "reason": str,
    "unit": str,
    "value": float,
    "u": float,
    "lower": float,
    "upper": float,
    "card_sha256": str,
    "judged_stand_sha256": str,
    "manifest": str,
}
"""Name and kind of each column of `verdicts`."""

NOTHING: Final = Measured(path="", value=None, text=None, u=None, unit="")


def list_measurements(judged: Gated) -> Iterator[Row]:
    """Yield a row for every measured value of a ticket.

    An outcome without a value (not `done`, or only arrays) is a row with an empty field, so that failures also appear
    in the table.
    """
    state = judged.state
    common: Row = {
        **_lens(judged),
        "plan_sha256": state.record.plan_sha256,
        "stand_sha256": state.record.stand_sha256,
        "manifest": state.content,
    }
    for outcome in state.outcomes:
        values = outcome.measured.values() if outcome.status is Status.DONE else ()
        for measured in values or (NOTHING,):
            yield {**common, **_outcome(outcome), **_measured(measured)}


def _lens(judged: Gated) -> Row:
    record = judged.state.record
    return {
        "ticket": record.ticket.number,
        "model": record.ticket.model,
        "serial": record.ticket.serial,
        "phase": record.ticket.phase,
        "rehearsed": record.ticket.rehearsed,
        "body": record.ticket.body,
        "stand": record.stand,
        "measured_at": judged.state.measured_at,
    }


def _outcome(outcome: KeptOutcome) -> Row:
    return {
        "step": outcome.step,
        **_setting(outcome.setting),
        "shot": outcome.shot or None,
        "status": str(outcome.status),
        "reason": outcome.reason or None,
        "caveats": " ".join(outcome.caveats) or None,
        "address": outcome.address,
    }


def _setting(setting: Setting | None) -> Row:
    names = ("focal_length_mm", "f_number", "focus_distance_m", "exposure_time_s")
    return {name: None if setting is None else getattr(setting, name) for name in names}


def _measured(measured: Measured) -> Row:
    return {
        "field": measured.path or None,
        "unit": measured.unit or None,
        "value": measured.value,
        "u": measured.u,
        "text": measured.text,
    }


def list_verdicts(judged: Gated) -> Iterator[Row]:
    """Yield a row for every verdict on a ticket; reasons for the whole ticket are rows without a measure."""
    judgement = judged.judgement
    common: Row = {
        **_lens(judged),
        "decision": str(judged.decision.kind),
        "released_by": judged.decision.released_by or None,
        "card_sha256": judgement.card or None if judgement else None,
        "judged_stand_sha256": judgement.stand if judgement else None,
        "manifest": judged.state.content,
    }
    for reason in judged.whole_reasons:
        yield {**dict.fromkeys(VERDICT_COLUMNS), **common, "verdict": "UNKNOWN", "reason": reason}
    for each in judged.verdicts:
        yield {
            **common,
            "measure": each.measure,
            "at": each.at,
            "verdict": str(each.verdict),
            "reason": each.reason,
            "unit": unit_of(each.measure.rpartition(".")[2]),
            "value": each.value,
            "u": each.u,
            "lower": each.lower,
            "upper": each.upper,
        }
