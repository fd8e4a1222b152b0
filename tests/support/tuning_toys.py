"""Lenses with chosen values, for tests of tuning."""

import dataclasses

import numpy as np

from glasswright.ledger import Ledger
from glasswright.ledger.inspected import Finding, Inspected
from glasswright.ledger.returned import Returned
from glasswright.tuning.aims import Aims
from glasswright.tuning.evidence import Marks
from glasswright.tuning.tuning import tune_card
from support.ledger_toys import (
    F2,
    MODEL,
    ToyStand,
    card_file,
    document,
    falloff,
    kept,
    run_record,
    sharpness,
    state,
    ticket_record,
)

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
LOSS = "measure_vignetting.corner_loss_ev"
MIN_SHARP = f"{{measure: {SHARP}, min: 0.2}}"
MAX_LOSS = f"{{measure: {LOSS}, max: 2.5}}"


def lens(number, sharp=0.3, loss=1.8, u=0.004, *, more=(), day=1, serial=None, settings=(F2,), **others):
    """One ticket as read from the ledger."""
    outcomes = [
        kept("measure_mtf50", F2, centre__sharp_cy_per_px=(sharp, u), chart="lattice_13x9"),
        kept("measure_vignetting", F2, corner_loss_ev=(loss, 0.01)),
        *more,
    ]
    ticket = f"T-{number:03d}"
    found = state(
        *outcomes, settings=settings, number=ticket, serial=serial or f"C50-{(7919 * number) % 10007}", **others
    )
    return dataclasses.replace(found, content=f"{ticket} {sharp} {loss}", measured_at=f"2026-03-{day:02d}")


def draw_lenses(count, seed=2, sharp=(0.30, 0.01), loss=(1.8, 0.05), **others):
    generator = np.random.default_rng(seed)
    sharps, losses = generator.normal(*sharp, count), generator.normal(*loss, count)
    return [
        lens(number, float(a), float(b), **others) for number, (a, b) in enumerate(zip(sharps, losses, strict=True))
    ]


def came_back(*numbers):
    return {
        f"T-{number:03d}": Returned(
            ticket=f"T-{number:03d}", came_back=True, why="soft", marked_by="K. Moreau", marked_at="2026-04-01", run=1
        )
        for number in numbers
    }


def looked_at(finding, *states, why="no fault seen"):
    """Findings by K. Moreau about these states."""
    numbers = [state.record.ticket.number for state in states]
    return {
        number: Inspected(
            ticket=number, content=state.content, finding=Finding(finding), person="K. Moreau", why=why,
            inspected_at="2026-04-02",
        )
        for number, state in zip(numbers, states, strict=True)
    }  # fmt: skip


def tune(
    tmp_path, states, *limits, returned=None, inspected=None, doubts=None, typed=(), stand=None, since=None, **aims
):
    file = card_file(tmp_path, limits or (MIN_SHARP,))
    marks = Marks(returned=returned or {}, inspected=inspected or {}, out_of_control=doubts or {})
    return tune_card(states, marks, file, stand or ToyStand(), Aims(**aims), typed, since)


def write_lenses(path, values, stand_text=None):
    """Write a ledger of one night with a ticket for each of these sharpnesses, T-000 and so on."""
    stand = document("stand", stand_text) if stand_text else None
    record = run_record()
    if stand:
        stand = dataclasses.replace(stand, name="north-bench")
        record = dataclasses.replace(record, documents=(*record.documents, stand))
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(record)
        for place, value in enumerate(values):
            number = f"T-{place:03d}"
            outcomes = [sharpness(float(value), F2, ticket=number), falloff(1.8 + value / 10, F2, ticket=number)]
            made = ticket_record(outcomes, number, settings=(F2,), serial=f"C50-{place}")
            made = dataclasses.replace(made, stand_sha256=stand.sha256 if stand else "stand")
            ledger.commit_ticket(run, made, outcomes)
        ledger.end_run(run, {"tickets": len(values)})


__all__ = [
    "LOSS",
    "MAX_LOSS",
    "MIN_SHARP",
    "MODEL",
    "SHARP",
    "came_back",
    "draw_lenses",
    "lens",
    "looked_at",
    "tune",
    "write_lenses",
]
