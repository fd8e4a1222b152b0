"""The shipped cards hold a lens with a fault of autofocus, stabiliser, locked focus or breathing, and miss the shots
that show it.

Everything else of these tickets lies well within its limit; these are what the stages make of what the rehearsal
draws. `tests/night/test_battery.py` has whole nights of the first.
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
from glasswright_camera.focus.locked import measure_focus_shift, measure_locked_change
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_camera.stabiliser.growth import Lengths, choose_length, fit_growth
from glasswright_rehearsal.faults.kinds import BREATHING, FOCUS_SHIFT_UM
from glasswright_rehearsal.faults.shaking import HEALTHY_STOPS, WEAK_STOPS, draw_shaken_shots
from glasswright_rehearsal.frames.ramp import OFFSET_UM, ZOOM_SHIFT_UM
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
LOCKED, BREATHED = "measure_locked_change", "measure_breathing"


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


@cache
def read_locked(model, stopping_um, zooming_um):
    """What the ramp's stages say of each setting of a lens whose focus moves on stopping down and on zooming."""
    longest, widest = max(focal for focal, _ in SETTINGS[model]), min(f for _, f in SETTINGS[model])
    shots = {}
    for focal, f in SETTINGS[model]:
        best = stopping_um * (1 - (widest / f) ** 2) + zooming_um * (1 - (focal / longest) ** 2)
        shots[focal, f] = make_ramp_trace(
            best, focal_length_mm=focal, f_number=f, noise=0.003, seed=round(10 * f + focal)
        )
    whole = measure_focus_shift(tuple(shots.values()))
    return {
        at: {each.path: each for each in read_measurements(measure_locked_change((shot,), whole))}
        for at, shot in shots.items()
    }


def measure(
    model, *, offset_um=0.5, stops=HEALTHY_STOPS, stopping_um=1.0, zooming_um=4.0, breathing=0.6, without=(), not_at=()
):
    """A ticket of the model at all that its card asks for; `without` lists steps for which nothing was shot, `not_at`
    focal lengths without a shot of locked focus."""
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
            elif step == LOCKED and measured:
                measured = read_locked(model, stopping_um, zooming_um)[at.focal_length_mm, at.f_number]
            elif step == BREATHED and measured:
                measured = {"breathing_ratio": number("breathing_ratio", breathing, 0.02)}
            elif step == BENEFIT:
                measured = read_benefit(stops)
            elif step == "measure_mtf50":
                measured["chart"] = Measured(path="chart", value=None, text="lattice_13x9", u=None, unit="")
                measured |= {"magnification_frac": number("magnification_frac", 0.022, 0.0)}
                measured |= {"fill_frac": number("fill_frac", 0.92, 0.0)}
            status = Status.SKIPPED if step in without else Status.DONE
            scope = Scope.TICKET if once else Scope.SETTING
            made = kept(step, at, status, scope=scope)
            if step != LOCKED or at.focal_length_mm not in not_at:
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


@pytest.mark.parametrize("sense", [-1, 1])
def test_focus_that_moves_on_stopping_down_holds_the_lens(sense):
    kind, missed = decide(PORTRAIT, stopping_um=0.8 * sense * FOCUS_SHIFT_UM)
    assert kind is DecisionKind.HOLD
    assert missed[f"{LOCKED}.focus_shift_um"] is Verdict.FAIL
    assert {measure.partition(".")[0] for measure in missed} == {LOCKED}


@pytest.mark.parametrize("sense", [-1, 1])
def test_a_zoom_that_is_not_parfocal_is_held(sense):
    kind, missed = decide(ZOOM, zooming_um=0.8 * sense * ZOOM_SHIFT_UM)
    assert kind is DecisionKind.HOLD
    assert missed == {f"{LOCKED}.parfocal_um": Verdict.FAIL}


def test_an_image_whose_size_changes_with_focus_more_than_the_models_holds_the_lens():
    kind, missed = decide(PORTRAIT, breathing=0.6 + 0.8 * BREATHING)
    assert kind is DecisionKind.HOLD
    assert missed == {f"{BREATHED}.breathing_ratio": Verdict.FAIL}


def test_a_focal_length_without_a_shot_of_locked_focus_does_not_pass():
    """The others agree with each other."""
    kind, missed = decide(ZOOM, not_at=(24.0,))
    assert kind is DecisionKind.INCOMPLETE
    assert missed == {f"{LOCKED}.parfocal_um": Verdict.UNKNOWN}


@pytest.mark.parametrize(
    ("model", "step"),
    [
        (FIXED, OFFSET),
        (PORTRAIT, OFFSET),
        (ZOOM, OFFSET),
        (ZOOM, BENEFIT),
        (ZOOM, LOCKED),
        (PORTRAIT, LOCKED),
        (PORTRAIT, BREATHED),
    ],
)
def test_a_ticket_without_the_shots_that_the_card_needs_is_incomplete(model, step):
    kind, missed = decide(model, without=(step,))
    assert kind is DecisionKind.INCOMPLETE
    assert {measure.partition(".")[0] for measure in missed} == {step}
    assert set(missed.values()) == {Verdict.UNKNOWN}
