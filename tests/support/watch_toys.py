"""Reference tickets of a toy stand, night after night."""

from __future__ import annotations

import dataclasses
import json
from datetime import date, timedelta

import numpy as np

from glasswright.config import WatchKeys
from glasswright.ledger import Ledger
from glasswright.plugin.outcome import Status
from support.ledger_toys import F2, falloff, kept, run_record, sharpness, state, ticket_record

FIRST = date(2026, 1, 1)
SHARP = "measure_mtf50.centre.sharp_cy_per_px"
LOSS = "measure_vignetting.corner_loss_ev"
WATCH = """\
watch:
  baseline: {from: 2026-01-01, to: 2026-01-20}
  fields:
    measure_mtf50.centre.sharp_cy_per_px: {at: {f_number: 2}}
    measure_vignetting.corner_loss_ev: {at: {f_number: 2}}
"""
STAND = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_mtf50.*: {u: 0.004, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
  measure_vignetting.*: {u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
"""


def keys(**others):
    values = {
        "baseline": {"from": "2026-01-01", "to": "2026-01-20"},
        "fields": {SHARP: {"at": {"f_number": 2}}},
        **others,
    }
    return WatchKeys.model_validate_json(json.dumps(values))


def night(number):
    """Return the night a number of days after the first."""
    return FIRST + timedelta(days=number)


def healthy(nights, seed=7, centre=0.3, sigma=0.003):
    """Values in control: each within two sigma and balanced, so that no pattern arises by chance."""
    draws = np.clip(np.random.default_rng(seed).normal(0, 1, nights), -1.9, 1.9)
    return centre + sigma * np.abs(draws) * np.where(np.arange(nights) % 3 == 0, -1.2, 0.6)


def on_night(made, when, **others):
    """A ticket's state, shot on one night or several, and measured the morning after."""
    nights = tuple(each.isoformat() for each in (when if isinstance(when, tuple) else (when,)))
    record = dataclasses.replace(made.record, nights=nights)
    measured_at = f"{date.fromisoformat(nights[-1]) + timedelta(days=1)}T06:00:00+00:00"
    return dataclasses.replace(made, record=record, measured_at=measured_at, **others)


def reference(when, value, number=None, **others):
    """One reference ticket's state; a value of None was shot and could not be measured."""
    outcome = kept(centre__sharp_cy_per_px=value) if value is not None else kept(status=Status.UNMEASURABLE)
    values = {"phase": "reference", "serial": "REF-1", "number": number or f"R-{when}", **others}
    return on_night(state(outcome, **values), when)


def references(values, start=0):
    return [reference(night(start + place), float(value)) for place, value in enumerate(values)]


def write_references(path, sharp, loss, start=0, **others):
    """Write reference tickets into a ledger, one run per night."""
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        for place, (one, other) in enumerate(zip(sharp, loss, strict=True)):
            number = f"R-{start + place:03}"
            outcomes = [sharpness(float(one), F2, ticket=number), falloff(float(other), F2, ticket=number)]
            values = {"phase": "reference", "serial": "REF-1", **others}
            record = ticket_record(outcomes, number, settings=(F2,), **values)
            record = dataclasses.replace(record, nights=(night(start + place).isoformat(),))
            ledger.commit_ticket(run, record, outcomes)
        ledger.end_run(run, {})


def write_ticket(path, number, when, outcomes, **others):
    """Write one ticket that was shot on a night."""
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        record = dataclasses.replace(ticket_record(outcomes, number, **others), nights=(when.isoformat(),))
        ledger.commit_ticket(run, record, outcomes)
        ledger.end_run(run, {})
