"""Tuning: the lenses used, the proposed limits, and their effect."""

import dataclasses
import math
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from glasswright.commands.tune import write_proposal
from glasswright.judging.card import Limit
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.outcome import Status
from glasswright.statistics.stability import find_change
from glasswright.tuning.picture import STACK, draw_side, stack_values
from glasswright.tuning.proposing import Proposal, _hold_back
from glasswright.tuning.typed import TypedLimit, TypedLimitError, with_number
from support.ledger_toys import F2, F4, ToySpread, ToyStand, kept
from support.tuning_toys import LOSS, MAX_LOSS, MIN_SHARP, SHARP, came_back, draw_lenses, lens, looked_at, tune

Z95 = 1.6448536269514722
MIN_27 = f"{{measure: {SHARP}, min: 0.27}}"


def tickets(lenses):
    return [each.ticket for each in lenses]


def left_out(tuning):
    return {each.ticket: each.why for each in tuning.evidence.left_out}


def test_rehearsed_lenses_count_only_where_there_are_no_others(tmp_path):
    rehearsed = draw_lenses(12, rehearsed=True)
    alone = tune(tmp_path, rehearsed)
    assert alone.evidence.rehearsed
    assert len(alone.evidence.healthy) == 12
    mixed = tune(tmp_path, [*rehearsed, lens(50), lens(51, 0.31)])
    assert not mixed.evidence.rehearsed
    assert tickets(mixed.evidence.healthy) == ["T-050", "T-051"]
    assert left_out(mixed)["T-000"] == "its frames were rendered, and there are real ones"


def test_a_ticket_that_the_card_is_not_valid_for_is_left_out_with_the_reason(tmp_path):
    found = tune(tmp_path, [*draw_lenses(11), lens(20, body="Ostrel D9")])
    assert left_out(found)["T-020"].startswith("the ticket was shot with body `Ostrel D9`, the card is valid for")


def test_a_ticket_without_any_value_is_left_out_with_the_reason(tmp_path):
    failed = lens(20)
    outcome = dataclasses.replace(failed.outcomes[0], status=Status.UNMEASURABLE, reason="the chart hangs askew")
    failed = dataclasses.replace(failed, outcomes=(outcome,))
    found = tune(tmp_path, [*draw_lenses(11), failed])
    assert "the chart hangs askew" in left_out(found)["T-020"]


def values_of(states):
    return np.array([each.outcomes[0].measured["centre.sharp_cy_per_px"].value for each in states])


def test_a_guarded_limit_whose_uncertainty_is_not_known_is_refused(tmp_path):
    stand = ToyStand(reproducibility={})
    found = tune(tmp_path, draw_lenses(30), stand=stand).sides[0].proposal
    assert found.method == "refused"
    assert "too few lenses: 0 have a value" in found.reason
    assert "the stand file declares no reproducibility for this measure" in found.reason


def test_evidence_are_lenses_that_pass_the_card_or_were_found_sound(tmp_path):
    failed, review = lens(20, 0.19), lens(21, 0.203)
    states = [*draw_lenses(12), failed, review, lens(22, 0.3, phase="intake"), lens(23, 0.3, phase="study")]
    found = tune(tmp_path, states)
    assert tickets(found.evidence.healthy) == [*(f"T-{n:03d}" for n in range(12))]
    assert [(each.ticket, each.held) for each in found.evidence.held] == [("T-020", SHARP), ("T-021", SHARP)]
    found = tune(tmp_path, states, inspected=looked_at("sound", failed) | looked_at("faulty", review, why="haze"))
    assert [each.sound for each in found.evidence.healthy if each.sound] == ["found sound by K. Moreau: no fault seen"]
    assert [(each.ticket, each.bad) for each in found.evidence.bad] == [("T-021", "found faulty by K. Moreau: haze")]
    # what was found speaks of what was measured then
    again = dataclasses.replace(failed, content="measured again")
    found = tune(tmp_path, [*draw_lenses(12), again], inspected=looked_at("sound", failed))
    assert tickets(found.evidence.held) == ["T-020"]


def test_a_visit_after_which_the_lens_was_worked_on_again_is_no_evidence(tmp_path):
    first, again = lens(30, 0.30, serial="X-1"), lens(31, 0.31, serial="X-1", day=2)
    found = tune(tmp_path, [*draw_lenses(12), first, again])
    assert left_out(found) == {"T-030": "the lens was repaired again: ticket T-031 counts for it (serial X-1)"}
    later = lens(31, 0.31, serial="X-1", day=2, phase="intake")
    found = tune(tmp_path, [*draw_lenses(12), first, later])
    assert left_out(found)["T-030"].startswith("the lens was repaired again: ticket T-031")
    assert len(found.evidence.healthy) == 12
    found = tune(tmp_path, [*draw_lenses(12), first, again], inspected=looked_at("sound", first))
    assert left_out(found)["T-031"].startswith("the lens was repaired again: ticket T-030 counts for it")


def test_a_lens_that_came_back_is_bad_and_its_next_visit_counts(tmp_path):
    states = [*draw_lenses(12), lens(30, 0.301, serial="C50-3", day=2)]
    states[3] = lens(3, 0.30, serial="C50-3")
    found = tune(tmp_path, states, returned=came_back(3))
    assert [(each.ticket, each.bad) for each in found.evidence.bad] == [("T-003", "came back: soft")]
    assert "T-030" in tickets(found.evidence.healthy)
    withdrawn = {number: dataclasses.replace(mark, came_back=False) for number, mark in came_back(3).items()}
    assert tune(tmp_path, states, returned=withdrawn).evidence.bad == ()


def test_nights_out_of_control_other_lenses_and_caveats_are_no_evidence(tmp_path):
    doubted, other, pending = lens(20), lens(21, caveats=("identity_contradiction",)), lens(22)
    pending = dataclasses.replace(pending, pending="a later run was stopped before it")
    outcome = dataclasses.replace(lens(23).outcomes[0], caveats=("single_focus",))
    odd = dataclasses.replace(lens(23), outcomes=(outcome,))
    found = tune(tmp_path, [*draw_lenses(12), doubted, other, pending, odd], doubts={"T-020": ("a step",)})
    assert left_out(found) == {
        "T-020": "the stand was out of control: a step",
        "T-021": "its files, or earlier runs, name another lens than ticket.yaml",
        "T-022": "its measurements do not count now: a later run was stopped before it",
        "T-023": "nothing that the card limits was measured: 50 mm f/2: it has the caveat single_focus, which the "
        "limit does not accept",
    }


def test_nights_before_a_day_may_be_left_out(tmp_path):
    found = tune(tmp_path, [*draw_lenses(12, day=3), lens(20, day=1)], since=date(2026, 3, 2))
    assert left_out(found) == {"T-020": "it was shot before 2026-03-02"}


def test_the_evidence_is_named_by_a_digest_that_does_not_depend_on_the_order(tmp_path):
    states = draw_lenses(12)
    digest = tune(tmp_path, states).evidence.digest
    assert tune(tmp_path, states[::-1]).evidence.digest == digest
    assert tune(tmp_path, states, returned=came_back(1)).evidence.digest != digest
    assert tune(tmp_path, states, inspected=looked_at("sound", states[1])).evidence.digest != digest
    assert tune(tmp_path, [*states, lens(20)]).evidence.digest != digest


def test_few_lenses_give_a_limit_marked_as_a_guess(tmp_path):
    states = draw_lenses(30)
    side = tune(tmp_path, states).sides[0]
    values = values_of(states)
    factor = stats.t.ppf(0.95, 29) * np.sqrt(1 + 1 / 30)
    assert side.proposal.method == "not_proven"
    assert side.proposal.bound == pytest.approx(values.mean() - factor * values.std(ddof=1) - Z95 * 0.004, abs=1e-7)
    assert "90 lenses would prove a distribution-free limit" in side.proposal.reason
    assert "confidence" not in side.proposal.reason
    # rounded to the lax side, by less than a tenth of the spread
    assert 0 <= side.proposal.bound - side.proposal.number < 0.001
    wide = ToyStand(reproducibility={"measure_mtf50.*": ToySpread(u=0.003)})
    moved = tune(tmp_path, states, stand=wide).sides[0].proposal.bound
    assert side.proposal.bound - moved == pytest.approx(Z95 * (0.005 - 0.004), abs=1e-7)
    not_held = tune(tmp_path, states, review_is_held=False).sides[0].proposal.bound
    assert not_held - side.proposal.bound == pytest.approx(2 * Z95 * 0.004, abs=1e-7)


def test_an_upper_limit_mirrors_a_lower_one(tmp_path):
    states = draw_lenses(30)
    found = tune(tmp_path, states, MAX_LOSS)
    values = np.array([each.outcomes[1].measured["corner_loss_ev"].value for each in states])
    expected = values.mean() + stats.t.ppf(0.95, 29) * np.sqrt(1 + 1 / 30) * values.std(ddof=1) + Z95 * 0.01
    assert found.sides[0].proposal.bound == pytest.approx(-expected, abs=1e-7)
    assert found.new_card.limits[0].max == found.sides[0].proposal.number >= expected


def test_from_90_lenses_the_limit_is_a_lens_of_the_sample_and_proven(tmp_path):
    states = draw_lenses(90)
    found = tune(tmp_path, states).sides[0].proposal
    assert found.method == "distribution_free"
    assert found.bound == pytest.approx(values_of(states).min() - Z95 * 0.004, abs=1e-7)
    assert "5 % of healthy lenses at most, with confidence 0.95" in found.reason
    assert tune(tmp_path, states[:89]).sides[0].proposal.method == "not_proven"
    two = tune(tmp_path, draw_lenses(129), MIN_SHARP, MAX_LOSS)
    assert "130 lenses would prove" in two.sides[0].proposal.reason
    two = tune(tmp_path, draw_lenses(130), MIN_SHARP, MAX_LOSS)
    assert [each.proposal.method for each in two.sides] == ["distribution_free", "distribution_free"]


def test_too_few_lenses_are_refused_with_the_count_that_is_needed(tmp_path):
    found = tune(tmp_path, draw_lenses(9)).sides[0].proposal
    assert found.method == "refused"
    assert found.reason == "too few lenses: 9 have a value, 10 are needed for any limit"
    found = tune(tmp_path, draw_lenses(89), method="distribution_free").sides[0].proposal
    assert found.method == "refused"
    assert found.reason == "too few lenses: 89, and 90 are needed for a limit, distribution-free"
    assert tune(tmp_path, draw_lenses(89), method="distribution_free").refused


def test_six_lenses_are_too_few_to_find_the_healthy_ones(tmp_path):
    found = tune(tmp_path, [*draw_lenses(4), lens(10, 0.15), lens(11, 0.25)])
    assert found.evidence.bad == ()
    assert found.sides[0].proposal.reason.startswith("too few lenses: 5 have a value, 10 are needed for any limit")


def held_lenses(*values, first=200):
    return [lens(first + n, value) for n, value in enumerate(values)]


def test_a_limit_is_never_laxer_than_now_without_lenses_found_sound(tmp_path):
    # held by the card at 0.27, 10 % of all: they are no healthy lenses until somebody looks
    held = held_lenses(*np.linspace(0.235, 0.262, 12))
    found = tune(tmp_path, [*draw_lenses(108, sharp=(0.31, 0.009)), *held], MIN_27)
    proposal = found.sides[0].proposal
    assert proposal.method == "kept"
    assert proposal.number is None
    assert "already hold as many lenses as allowed: held by the current card and not inspected: 12" in proposal.reason
    assert proposal.to_inspect == tuple(tickets(found.evidence.held))
    assert not found.changed
    assert not found.refused


def test_a_limit_becomes_laxer_as_far_as_lenses_were_found_sound(tmp_path):
    healthy, held = draw_lenses(60, sharp=(0.30, 0.012)), held_lenses(0.274, 0.272)
    card = f"{{measure: {SHARP}, min: 0.27}}"
    sound = looked_at("sound", *held)
    passing = [each for each in healthy if values_of([each])[0] - Z95 * 0.004 >= 0.27]
    proposal = tune(tmp_path, [*passing, *held], card, inspected=sound).sides[0].proposal
    assert proposal.method == "not_proven"
    assert 0.272 - Z95 * 0.004 - 1e-3 < proposal.number <= 0.272 - Z95 * 0.004
    # one in between that nobody looked at stops it there, and is named
    between = lens(300, 0.2735)
    proposal = tune(tmp_path, [*passing, *held, between], card, inspected=sound).sides[0].proposal
    assert proposal.number is None
    assert proposal.to_inspect == ("T-300",)


def test_a_bad_lens_is_not_passed_on_the_way_to_sound_ones(tmp_path):
    generator = np.random.default_rng(3)
    passing = [lens(n, float(v)) for n, v in enumerate(generator.uniform(0.28, 0.32, 60))]
    held, bad = held_lenses(0.274, 0.270), lens(300, 0.272)
    marks = looked_at("sound", *held) | looked_at("faulty", bad, why="haze")
    proposal = (
        tune(tmp_path, [*passing, *held, bad], f"{{measure: {SHARP}, min: 0.27}}", inspected=marks).sides[0].proposal
    )
    assert proposal.bound is None or proposal.number > 0.272 - Z95 * 0.004


def test_a_limit_that_stays_tighter_uses_up_the_guarantee_of_the_others(tmp_path):
    # two may be cut; a faulty lens keeps the first limit at 0.27, which cuts one lens; the second limit cuts another
    passing = draw_lenses(130, sharp=(0.31, 0.009))
    sound, faulty = held_lenses(0.262, 0.272)
    marks = looked_at("sound", sound)
    first, second = tune(tmp_path, [*passing, sound], MIN_27, MAX_LOSS, inspected=marks).sides
    assert first.proposal.method == second.proposal.method == "distribution_free"
    marks |= looked_at("faulty", faulty, why="haze")
    first, second = tune(tmp_path, [*passing, sound, faulty], MIN_27, MAX_LOSS, inspected=marks).sides
    assert first.proposal.method == "kept"
    assert second.proposal.method == "not_proven"
    assert "not proven, because another limit stays tighter than computed" in second.proposal.reason


def test_outliers_on_the_bad_side_are_to_be_inspected(tmp_path):
    states = [*draw_lenses(110), *held_lenses(0.262, 0.258, 0.255, 0.250), lens(300, 0.45)]
    proposal = tune(tmp_path, states).sides[0].proposal
    assert proposal.method == "refused"
    assert set(proposal.to_inspect) >= {"T-201", "T-202", "T-203"}
    assert "outliers on the bad side (T-203, T-202, T-201" in proposal.reason
    assert "`glasswright inspected TICKET sound` or `faulty`" in proposal.reason
    faulty = looked_at("faulty", *states[110:114], why="tilted")
    assert tune(tmp_path, states, inspected=faulty).sides[0].proposal.proven


def test_a_changing_series_has_no_guarantee(tmp_path):
    states = [lens(n, 0.30 if n < 60 else 0.29, day=1 + n // 6) for n in range(120)]
    states = [lens(n, value + 0.002 * math.sin(7 * n), day=1 + n // 6) for n, value in enumerate(values_of(states))]
    proposal = tune(tmp_path, states).sides[0].proposal
    assert proposal.method == "refused"
    assert "the lenses changed: a step" in proposal.reason
    assert "tune from those alone: --since 2026-03-10" in proposal.reason
    late = tune(tmp_path, states, since=date(2026, 3, 10)).sides[0].proposal
    assert late.method == "not_proven"


def test_two_percent_of_stable_histories_count_as_changing_over_time(tmp_path):
    """The level is 3 %, a third of it for revisions; here serial numbers are in random order."""
    noise = np.random.default_rng(3).normal(0, 0.004, 60)
    for share, refused in ((0.018, True), (0.022, False)):
        steps = (0.30 + noise - np.where(np.arange(60) < 30, 0, step) for step in np.linspace(0, 0.01, 201))
        values = next(each for each in steps if (found := find_change(each, 1.0)) and found.probability < share)
        assert find_change(values, share - 0.003) is None
        reason = tune(tmp_path, [lens(n, value) for n, value in enumerate(values)]).sides[0].proposal.reason
        assert ("the lenses changed" in reason) == refused


def test_a_revision_is_detected_in_the_serial_numbers(tmp_path):
    order = np.random.default_rng(1).permutation(100)
    noise = np.random.default_rng(2).normal(0, 0.004, 100)
    states = [
        lens(n, float((0.30 if each < 50 else 0.29) + noise[n]), serial=f"C50-{each}") for n, each in enumerate(order)
    ]
    proposal = tune(tmp_path, states).sides[0].proposal
    assert "from serial number C50-49 on" in proposal.reason
    assert "a revision of the model needs a separate card" in proposal.reason


def spots(values):
    return [lens(n, loss=float(value), more=()) for n, value in enumerate(values)]


def test_a_measure_with_a_floor_gets_no_limit_from_a_few_values_above_it(tmp_path):
    few = np.zeros(120)
    few[5::12] = [0.3, 0.5, 0.7, 1.1, 1.3, 2.0, 2.2, 3.1, 5.0, 7.4]
    proposal = tune(tmp_path, spots(few), "{measure: " + LOSS + ", max: 20}").sides[0].proposal
    assert proposal.number is None
    assert "10 of 120 lenses beyond the detection limit, 0.0329" in proposal.reason
    assert "about 708 lenses" in proposal.reason
    # u is 0.01: with nothing to be seen, the limit is what can be seen
    none = tune(tmp_path, spots(np.zeros(30)), "{measure: " + LOSS + ", max: 20}").sides[0].proposal
    assert none.method == "detection_limit"
    assert 2 * Z95 * 0.01 <= none.number < 0.036
    tight = tune(tmp_path, spots(np.zeros(30)), "{measure: " + LOSS + ", max: 0.02}").sides[0].proposal
    assert tight.number is None
    assert "the current limit is tighter than the detection limit" in tight.reason
    unknown = tune(tmp_path, spots(np.zeros(30)), "{measure: " + LOSS + ", max: 20, rule: simple}").sides[0].proposal
    assert "without an uncertainty the detection limit is unknown" in unknown.reason


def test_a_limit_near_lenses_that_all_passed_stays(tmp_path):
    passed = np.random.default_rng(4).normal(0.30, 0.01, 300)
    passed = passed[passed - Z95 * 0.004 >= 0.28][:150]
    states = [lens(n, float(value)) for n, value in enumerate(passed)]
    proposal = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.28}}").sides[0].proposal
    assert proposal.method == "kept"
    assert "from passed lenses alone every tuning would tighten it" in proposal.reason
    assert tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2}}").sides[0].proposal.proven


def test_lenses_that_the_card_holds_stay_held(tmp_path):
    states = draw_lenses(90)
    free = tune(tmp_path, states).sides[0]
    stated = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.275, must_hold_below: 0.272}}").sides[0]
    assert free.proposal.number < 0.272
    assert free.must_hold_passed is None
    assert stated.must_hold_passed <= 0.05 + 1e-9
    assert stated.proposal.number is None or stated.proposal.number >= 0.272


def test_a_limit_at_several_settings_uses_each_lenss_worst_value(tmp_path):
    pairs = np.random.default_rng(3).normal(0.3, 0.01, (90, 2))
    states = [
        lens(
            n, float(a), settings=(F2, F4), more=(kept("measure_mtf50", F4, centre__sharp_cy_per_px=(float(b), 0.004)),)
        )
        for n, (a, b) in enumerate(pairs)
    ]
    found = tune(tmp_path, states, MIN_SHARP).sides[0].proposal
    assert found.bound == pytest.approx(pairs.min() - Z95 * 0.004, abs=1e-7)
    one = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2, at: {{f_number: 4}}}}").sides[0].proposal
    assert one.bound == pytest.approx(pairs[:, 1].min() - Z95 * 0.004, abs=1e-7)


def test_risks_are_counted_at_the_old_and_the_new_limit(tmp_path):
    states = draw_lenses(100)
    side = tune(tmp_path, states).sides[0]
    assert side.risk_before.held.value == 0
    assert side.risk_before.held.high == pytest.approx(1 - 0.025 ** (1 / 100))
    assert side.risk.held.value == 0  # the worst lens lies on the limit
    # lenses that are bad by 3 to 6 sigma: ever fewer pass
    assert list(side.bad_passed) == sorted(side.bad_passed, reverse=True)
    assert side.bad_passed[3] < 0.01
    typed = tune(tmp_path, states, typed=[TypedLimit(place=0, end="min", number=0.295)]).sides[0]
    assert typed.risk.held.value == pytest.approx((values_of(states) - Z95 * 0.004 < 0.295).mean())


def test_known_bad_lenses_are_counted_against_the_new_limits(tmp_path):
    states = [*draw_lenses(100), lens(190, 0.201), lens(191, 0.305), lens(192, 0.299)]
    found = tune(tmp_path, states, returned=came_back(190, 191, 192))
    assert (found.risk.known_bad, found.risk.known_bad_passed) == (3, 2)
    assert found.risk.known_bad_share.high == pytest.approx(0.9916, abs=1e-4)  # Clopper-Pearson, 2 of 3


def test_past_tickets_that_would_be_judged_otherwise_are_listed(tmp_path):
    states = [*draw_lenses(100), lens(190, 0.21)]
    found = tune(tmp_path, states, returned=came_back(190))
    assert [(each.ticket, each.before, each.after) for each in found.changed if each.before != each.after] == [
        ("T-190", Verdict.PASS, Verdict.FAIL)
    ]
    assert [each.ticket for each in found.sides[0].changed] == ["T-190"]


def test_a_change_of_one_limit_that_another_hides_is_listed_with_the_limit(tmp_path):
    states = [*draw_lenses(150), lens(190, 0.21, loss=4.0)]
    found = tune(tmp_path, states, MIN_SHARP, MAX_LOSS, returned=came_back(190))
    (changed,) = [each for each in found.changed if each.ticket == "T-190"]
    assert changed.before == changed.after == Verdict.FAIL
    assert changed.limits == ((0, Verdict.PASS, Verdict.FAIL),)


def test_the_curve_trades_held_against_passed(tmp_path):
    states = draw_lenses(100, u=0.006)
    curve = tune(tmp_path, states).sides[0].curve
    held, passed = np.array(curve.good_held), np.array(curve.bad_passed)
    assert np.all(np.diff(curve.numbers) > 0)
    assert np.all(np.diff(held) >= 0)
    assert np.all(np.diff(passed) <= 1e-12)
    assert held[-1] == pytest.approx(0.5)
    assert held[0] == 0
    upper = tune(tmp_path, states, MAX_LOSS).sides[0].curve
    assert np.all(np.diff(upper.numbers) < 0)
    assert np.all(np.diff(upper.good_held) >= 0)


def test_simple_limits_have_no_guard_band(tmp_path):
    states = draw_lenses(90)
    found = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2, rule: simple}}").sides[0]
    assert found.proposal.bound == pytest.approx(values_of(states).min())
    assert not found.side.guarded


def test_a_limit_with_few_values_does_not_affect_the_others(tmp_path):
    states = draw_lenses(100)
    for number in range(5, 100):
        states[number] = dataclasses.replace(states[number], outcomes=states[number].outcomes[:1])
    sharp, loss = (each.proposal for each in tune(tmp_path, states, MIN_SHARP, MAX_LOSS).sides)
    assert loss.method == "refused"
    assert "5 have a value, 10 are needed" in loss.reason
    assert f"no step `{LOSS.partition('.')[0]}` was run" in loss.reason
    assert sharp.method == "distribution_free"
    assert sharp.count == 100


def test_lenses_in_columns_of_their_own_are_not_stacked():
    assert np.all(stack_values(np.arange(float(STACK))) == 0)
    assert sorted(stack_values(np.repeat([1.0, 2.0], 3))) == [0, 0, 1, 1, 2, 2]


def test_equal_lenses_have_a_picture(tmp_path):
    states = [lens(n, loss=3.0) for n in range(12)]
    found = tune(tmp_path, states, f"{{measure: {LOSS}, max: 4}}")
    (side,) = found.sides
    assert side.proposal.method == "detection_limit"
    assert side.summary.sigma == 0
    assert side.capable is None
    assert side.risk.held.value == 0
    picture = draw_side(side, found.evidence, 0).decode()
    assert picture.startswith("<?xml")
    legend = ("12 lenses", "current limit: 4", f"detection limit: {side.proposal.number:g}", "guard band: review")
    assert [name for name in legend if f">{name}</text>" not in picture] == []


@settings(max_examples=8, deadline=None)
@given(
    scale=st.floats(0.1, 50),
    shift=st.floats(-20, 20),
    count=st.sampled_from([12, 30, 95]),
    end=st.sampled_from(["min", "max"]),
)
def test_another_unit_gives_the_same_limit_in_that_unit(tmp_path_factory, scale, shift, count, end):
    folder = tmp_path_factory.mktemp("unit")
    limit = f"{{measure: {SHARP}, {end}: {-1e6 if end == 'min' else 1e6}}}"
    values = np.random.default_rng(count).normal(0.3, 0.01, count)
    one = tune(folder, [lens(n, float(v)) for n, v in enumerate(values)], limit).sides[0]
    other = tune(
        folder, [lens(n, float(scale * v + shift), u=0.004 * scale) for n, v in enumerate(values)], limit
    ).sides[0]
    turn = one.side.turn
    if one.proposal.bound is None:
        assert other.proposal.bound is None
        return
    assert turn(other.proposal.bound) == pytest.approx(scale * turn(one.proposal.bound) + shift, abs=1e-6 * scale)


@pytest.mark.parametrize(
    ("end", "held", "allowed", "laxer"),
    [("min", {"must_hold_below": 0.272}, (0.272, 0.3), 0.271), ("max", {"must_hold_above": 0.4}, (0.4, 0.35), 0.401)],
)
def test_a_typed_number_may_be_what_must_be_held_and_no_laxer(end, held, allowed, laxer):
    limit = Limit(measure=SHARP, min=0.28, max=0.39, **held)
    for number in allowed:
        assert getattr(with_number(limit, end, number), end) == number
    with pytest.raises(TypedLimitError, match=f"must be held: {laxer:g} is laxer"):
        with_number(limit, end, laxer)
    equal = with_number(with_number(limit, "min", 0.3), "max", 0.3)
    assert (equal.min, equal.max) == (0.3, 0.3)
    with pytest.raises(TypedLimitError, match=r"`min` 0\.301 would be above `max` 0\.3"):
        with_number(equal, "min", 0.301)


def test_a_number_that_is_what_must_be_held_is_kept_as_proposed():
    side = SimpleNamespace(must_hold=0.25, turn=float, bound=None, number=None)
    evidence = SimpleNamespace(sides=[side])
    proposal = Proposal(method="distribution_free", bound=0.249, number=0.25, count=60, reason="proven, so that so")
    assert _hold_back(evidence, 0, proposal) == proposal
    lax = _hold_back(evidence, 0, replace(proposal, number=0.249))
    assert (lax.method, lax.bound, lax.number) == ("not_proven", 0.25, 0.25)
    assert lax.reason == "the card says that a lens with 0.25 must be held; not proven; without that: proven"


def test_a_proposal_is_written_in_the_letters_of_its_names(tmp_path):
    found = tune(tmp_path, (states := draw_lenses(12)), inspected=looked_at("faulty", states[0], why="trübe Linse"))
    (tmp_path / "limit_99_min_old.svg").touch()
    (text,) = [each.read_text(encoding="utf-8") for each in write_proposal(found, tmp_path) if each.suffix == ".yaml"]
    assert "trübe Linse" in text
    assert not (tmp_path / "limit_99_min_old.svg").exists()
