"""The shipped cards hold a lens with an autofocus offset or a weak stabiliser, and miss the shots that show either.

Everything else of these tickets lies well within its limit; autofocus and stabiliser are what the stages make of what
the rehearsal draws. `tests/night/test_battery.py` has whole nights of the first.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from glasswright import Setting
from glasswright.config import load_plan, load_stand
from glasswright.config.plan.method import describe_method, method_text
from glasswright.config.schema.plugins import load_plugins
from glasswright.judging.cards import load_cards
from glasswright.judging.gate import DecisionKind, open_gate
from glasswright.judging.judge import judge_ticket
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.measurements import Measured, read_measurements
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_camera.stabiliser.growth import Lengths, choose_length, fit_growth
from glasswright_rehearsal.faults.shaking import HEALTHY_STOPS, WEAK_STOPS, draw_shaken_shots
from glasswright_rehearsal.frames.ramp import OFFSET_UM
from support import ROOT
from support.ledger_toys import kept, state
from support.ramp_shots import make_ramp_trace

FIXED, PORTRAIT, ZOOM = "Corvane 50 mm f/2", "Halden 85 mm f/1.8", "Corvane 24-70 mm f/4"
SETTINGS = {
    FIXED: [(50.0, number) for number in (2.0, 4.0, 8.0)],
    PORTRAIT: [(85.0, number) for number in (1.8, 2.8, 5.6)],
    ZOOM: [(focal, number) for focal in (24.0, 50.0, 70.0) for number in (4.0, 8.0)],
}
OFFSET, BENEFIT = "measure_focus_offset", "measure_stabiliser"


@cache
def shop():
    """The shipped cards without their hand checks, the stand, and how each plan makes its numbers."""
    plugins = load_plugins()
    cards = {
        name: replace(file, card=file.card.model_copy(update={"hand_checks": ()}))
        for name, file in load_cards(ROOT / "configs/cards", plugins).items()
    }
    stand = load_stand(ROOT / "configs/stands/north_bench.yaml", plugins)
    plans = {
        name: method_text(describe_method(load_plan(ROOT / f"configs/plans/{name}.yaml", plugins)))
        for name in ("fixed_focal", "zoom")
    }
    return cards, stand, plans


def well_within(limit):
    """A number that keeps a limit by far."""
    if limit.min is not None and limit.max is not None:
        return (limit.min + limit.max) / 2
    return 1.5 * limit.min if limit.min is not None else 0.2 * limit.max


def number(path, value, u):
    return Measured(path=path, value=value, text=None, u=u, unit="1")


def read_offset(shift_um):
    """What the ramp's stage says of a board that is sharpest so far from the band."""
    found = measure_focus_offset((make_ramp_trace(shift_um, noise=0.003, seed=5),))
    return {each.path: each for each in read_measurements(found)}


def read_benefit(stops):
    """What is fitted to the movements that a rehearsal draws of a stabiliser."""
    shots = draw_shaken_shots(stops, 2, 6.0, np.random.default_rng(11))
    lengths = Lengths(
        log_time=np.log([float(shot.exposure_s) for shot in shots]),
        log_length=np.log([6.0 * np.hypot(*shot.motion_px) for shot in shots]),
        kind=np.zeros(len(shots), dtype=int),
        is_on=np.array([shot.role == "shake_on" for shot in shots]),
    )
    value, u = fit_growth(lengths).benefit(choose_length(lengths)[0])
    return {"benefit_stops": number("benefit_stops", value / np.log(2), u / np.log(2))}


def measure(model, *, offset_um=0.5, stops=HEALTHY_STOPS, without=()):
    """A ticket of the model at all that its card asks for; `without` lists steps for which nothing was shot."""
    cards, _, plans = shop()
    card = cards[model].card
    settings = [Setting(focal_length_mm=focal, f_number=f) for focal, f in SETTINGS[model]]
    outcomes = []
    for step in {limit.step for limit in card.limits}:
        once = step in ("find_spots", BENEFIT)
        for at in [None] if once else settings:
            limits = [limit for limit in card.limits if limit.step == step and (once or limit.at.holds(at))]
            measured = {limit.field: number(limit.field, well_within(limit), 1e-4) for limit in limits}
            if step == OFFSET and measured:
                measured = read_offset(offset_um)
            elif step == BENEFIT:
                measured = read_benefit(stops)
            elif step == "measure_mtf50":
                measured["chart"] = Measured(path="chart", value=None, text="lattice_13x9", u=None, unit="")
                measured |= {"magnification_frac": number("magnification_frac", 0.022, 0.0)}
                measured |= {"fill_frac": number("fill_frac", 0.92, 0.0)}
            status = Status.SKIPPED if step in without else Status.DONE
            scope = Scope.TICKET if once else Scope.SETTING
            made = kept(step, at, status, scope=scope)
            outcomes.append(replace(made, measured={} if step in without else measured))
    return replace(
        state(*outcomes, settings=tuple(settings), model=model),
        method=plans["zoom" if model == ZOOM else "fixed_focal"],
    )


def decide(model, **changes):
    """The gate's decision, and measure -> verdict of the limits that are not kept."""
    cards, stand, _ = shop()
    seen = measure(model, **changes)
    judgement = judge_ticket(seen, cards[model], stand)
    decision = open_gate("T-1", replace(seen, content=judgement.manifest), judgement)
    return decision.kind, {each.measure: each.verdict for each in judgement.verdicts if each.verdict != Verdict.PASS}


@pytest.mark.parametrize("model", SETTINGS)
def test_a_healthy_lens_is_released(model):
    assert decide(model) == (DecisionKind.RELEASE, {})


@pytest.mark.parametrize("model", SETTINGS)
@pytest.mark.parametrize("sense", [-1, 1])
def test_autofocus_that_stops_beside_the_subject_holds_the_lens(model, sense):
    kind, missed = decide(model, offset_um=sense * OFFSET_UM)
    assert kind is DecisionKind.HOLD
    assert missed[f"{OFFSET}.green.shift_um"] is Verdict.FAIL
    assert {measure.partition(".")[0] for measure in missed} == {OFFSET}


def test_a_weak_stabiliser_holds_the_lens():
    assert decide(ZOOM, stops=WEAK_STOPS) == (DecisionKind.HOLD, {f"{BENEFIT}.benefit_stops": Verdict.FAIL})


@pytest.mark.parametrize(("model", "step"), [(FIXED, OFFSET), (PORTRAIT, OFFSET), (ZOOM, OFFSET), (ZOOM, BENEFIT)])
def test_a_ticket_without_the_shots_that_the_card_needs_is_incomplete(model, step):
    kind, missed = decide(model, without=(step,))
    assert kind is DecisionKind.INCOMPLETE
    assert {measure.partition(".")[0] for measure in missed} == {step}
    assert set(missed.values()) == {Verdict.UNKNOWN}
