"""Which lenses limits are tuned from, what is proposed, and what it does."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ledger_toys import F2, F4, ToySpread, ToyStand, kept
from tuning_toys import LOSS, MAX_LOSS, MIN_SHARP, SHARP, came_back, draw_lenses, lens, tune

from glasswright.ledger.verdict import Verdict
from glasswright.plugin.outcome import Status
from glasswright.statistics.factors import one_sided_factor, two_sided_factor
from glasswright.tuning.picture import draw_side

Z95 = 1.6448536269514722


def tickets(lenses):
    return [each.ticket for each in lenses]


def left_out(tuning):
    return {each.ticket: each.why for each in tuning.evidence.left_out}


def test_every_release_counts_whether_it_passed_or_not(tmp_path):
    states = [*draw_lenses(12), lens(20, 0.19), lens(21, 0.3, phase="intake"), lens(22, 0.3, phase="study")]
    found = tune(tmp_path, states)
    assert tickets(found.evidence.healthy) == [*(f"T-{n:03d}" for n in range(12))]
    # the one below its card's limit is far off here, so it is bad; nothing is left out for having failed
    assert tickets(found.evidence.bad) == ["T-020"]
    assert found.evidence.left_out == ()
    near = tune(tmp_path, [*draw_lenses(12, sharp=(0.21, 0.01)), lens(20, 0.19)])
    assert "T-020" in tickets(near.evidence.healthy)


def test_of_each_lens_the_first_visit_counts_and_later_ones_are_named(tmp_path):
    states = [lens(30, 0.28, serial="C50-0", day=2), *draw_lenses(12)]
    found = tune(tmp_path, states)
    assert left_out(found) == {"T-030": "the same lens (serial C50-0) counts with ticket T-000 already"}
    assert len(found.evidence.healthy) == 12


def test_a_lens_that_came_back_is_bad_and_its_next_visit_counts(tmp_path):
    states = [*draw_lenses(12), lens(30, 0.301, serial="C50-3", day=2)]
    found = tune(tmp_path, states, marks=came_back(3))
    assert [(each.ticket, each.bad) for each in found.evidence.bad] == [("T-003", "came back: soft")]
    assert "T-030" in tickets(found.evidence.healthy)
    withdrawn = {number: dataclasses.replace(mark, came_back=False) for number, mark in came_back(3).items()}
    assert tune(tmp_path, states, marks=withdrawn).evidence.bad == ()


def test_lenses_far_on_the_bad_side_are_set_apart_and_those_on_the_good_side_are_not(tmp_path):
    found = tune(tmp_path, [*draw_lenses(30), lens(40, 0.15), lens(41, 0.45)])
    assert [(each.ticket, each.bad) for each in found.evidence.bad] == [
        ("T-040", f"far off the others: 0.15 for {SHARP}")
    ]
    assert "T-041" in tickets(found.evidence.healthy)
    assert "T-041" in found.sides[0].odd


def test_rehearsed_lenses_count_only_where_there_are_no_others(tmp_path):
    rehearsed = draw_lenses(12, rehearsed=True)
    alone = tune(tmp_path, rehearsed)
    assert alone.evidence.rehearsed
    assert len(alone.evidence.healthy) == 12
    mixed = tune(tmp_path, [*rehearsed, lens(50), lens(51, 0.31)])
    assert not mixed.evidence.rehearsed
    assert tickets(mixed.evidence.healthy) == ["T-050", "T-051"]
    assert left_out(mixed)["T-000"] == "its frames were rendered, and there are lenses that were not"


def test_a_ticket_that_the_card_does_not_hold_for_is_left_out_and_says_why(tmp_path):
    found = tune(tmp_path, [*draw_lenses(11), lens(20, body="Ostrel D9")])
    assert left_out(found)["T-020"].startswith("the ticket was shot with body `Ostrel D9`, the card is valid for")


def test_a_ticket_without_any_value_is_left_out_with_the_reason(tmp_path):
    failed = lens(20)
    outcome = dataclasses.replace(failed.outcomes[0], status=Status.UNMEASURABLE, reason="the chart hangs askew")
    failed = dataclasses.replace(failed, outcomes=(outcome,))
    found = tune(tmp_path, [*draw_lenses(11), failed])
    assert "the chart hangs askew" in left_out(found)["T-020"]


def test_the_evidence_is_named_by_a_digest_that_does_not_depend_on_the_order(tmp_path):
    states = draw_lenses(12)
    digest = tune(tmp_path, states).evidence.digest
    assert tune(tmp_path, states[::-1]).evidence.digest == digest
    assert tune(tmp_path, states, marks=came_back(1)).evidence.digest != digest
    assert tune(tmp_path, [*states, lens(20)]).evidence.digest != digest


def values_of(states):
    return np.array([each.outcomes[0].measured["centre.sharp_cy_per_px"].value for each in states])


def test_a_normal_limit_is_mean_less_factor_times_spread_less_the_guard_band(tmp_path):
    states = draw_lenses(30)
    found = tune(tmp_path, states)
    (side,) = found.sides
    values = values_of(states)
    expected = values.mean() - one_sided_factor(30, 0.95, 0.95) * values.std(ddof=1) - Z95 * 0.004
    assert side.proposal.method == "normal"
    assert side.proposal.bound == pytest.approx(expected, abs=1e-7)
    assert side.proposal.count == 30
    # rounded to the lax side, by less than a tenth of the spread
    assert 0 <= side.proposal.bound - side.proposal.number < 0.001
    assert found.new_card.limits[0].min == side.proposal.number
    assert "a normal spread is assumed" in side.proposal.says
    assert "as 59 lenses would be needed without" in side.proposal.says


def test_without_review_counted_as_held_the_guard_band_goes_the_other_way(tmp_path):
    states = draw_lenses(30)
    held, not_held = (tune(tmp_path, states, review_is_held=each).sides[0].proposal.bound for each in (True, False))
    assert not_held - held == pytest.approx(2 * Z95 * 0.004, abs=1e-7)


def test_an_upper_limit_mirrors_a_lower_one(tmp_path):
    states = draw_lenses(30)
    found = tune(tmp_path, states, MAX_LOSS)
    values = np.array([each.outcomes[1].measured["corner_loss_ev"].value for each in states])
    expected = values.mean() + one_sided_factor(30, 0.95, 0.95) * values.std(ddof=1) + Z95 * 0.01
    assert found.sides[0].proposal.bound == pytest.approx(-expected, abs=1e-7)
    assert found.sides[0].proposal.number >= expected
    assert found.new_card.limits[0].max == found.sides[0].proposal.number


def test_a_limit_with_two_ends_takes_the_two_sided_factor(tmp_path):
    states = draw_lenses(30)
    found = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2, max: 0.5}}")
    values, factor = values_of(states), two_sided_factor(30, 0.95, 0.95)
    low, high = (each.proposal for each in found.sides)
    assert low.factor == high.factor == pytest.approx(factor)
    assert low.bound == pytest.approx(values.mean() - factor * values.std(ddof=1) - Z95 * 0.004, abs=1e-7)
    assert high.bound == pytest.approx(-(values.mean() + factor * values.std(ddof=1) + Z95 * 0.004), abs=1e-7)


def test_from_59_lenses_the_limit_is_a_lens_of_the_sample(tmp_path):
    states = draw_lenses(59)
    found = tune(tmp_path, states).sides[0].proposal
    assert found.method == "distribution_free"
    assert found.bound == pytest.approx(values_of(states).min() - Z95 * 0.004, abs=1e-7)
    assert tune(tmp_path, states[:58]).sides[0].proposal.method == "normal"


def test_the_share_is_shared_out_over_all_limits(tmp_path):
    states = draw_lenses(40)
    one, two = tune(tmp_path, states), tune(tmp_path, states, MIN_SHARP, MAX_LOSS)
    assert two.sides[0].proposal.factor == pytest.approx(one_sided_factor(40, 0.975, 0.95))
    assert two.sides[0].proposal.bound < one.sides[0].proposal.bound
    assert tune(tmp_path, draw_lenses(92), MIN_SHARP, MAX_LOSS).sides[0].proposal.method == "normal"
    assert tune(tmp_path, draw_lenses(93), MIN_SHARP, MAX_LOSS).sides[0].proposal.method == "distribution_free"


def test_too_few_lenses_are_refused_with_the_count_that_is_needed(tmp_path):
    found = tune(tmp_path, draw_lenses(9)).sides[0].proposal
    assert found.method == "refused"
    assert found.says == "too few lenses: 9 have a value, 10 are needed for any limit at all"
    found = tune(tmp_path, draw_lenses(58), method="distribution_free").sides[0].proposal
    assert found.method == "refused"
    assert found.says == "too few lenses: 58, and 59 are needed for a limit without assumption of a shape"
    both = tune(tmp_path, draw_lenses(92), MIN_SHARP, MAX_LOSS, method="distribution_free")
    assert "92, and 93 are needed for 2 sides of limits together" in both.sides[1].proposal.says
    assert both.refused
    assert both.new_card == both.card


def test_few_lenses_that_are_not_spread_normally_are_refused(tmp_path):
    generator = np.random.default_rng(5)
    states = [lens(n, float(0.3 - 0.02 * value)) for n, value in enumerate(generator.exponential(size=40))]
    found = tune(tmp_path, states).sides[0].proposal
    assert found.method == "refused"
    assert "40 lenses are too few for limits without assumption of a shape (59 needed)" in found.says
    assert "not spread normally (Shapiro-Wilk test: probability" in found.says


def test_a_side_that_is_not_normal_takes_its_share_without_assumption_and_leaves_the_rest(tmp_path):
    generator = np.random.default_rng(5)
    states = [
        lens(n, float(0.3 - 0.02 * each), float(loss))
        for n, (each, loss) in enumerate(
            zip(generator.exponential(size=80), generator.normal(1.8, 0.05, 80), strict=True)
        )
    ]
    skewed, normal = (each.proposal for each in tune(tmp_path, states, MIN_SHARP, MAX_LOSS).sides)
    assert skewed.method == "distribution_free"
    least = 1 - 0.05 ** (1 / 80)
    assert f"holds {100 * least:.3g} % of healthy lenses at most" in skewed.says
    assert normal.method == "normal"
    assert normal.factor == pytest.approx(one_sided_factor(80, 1 - (0.05 - least), 0.95))


def test_a_guarded_limit_whose_uncertainty_is_not_known_is_refused(tmp_path):
    stand = ToyStand(reproducibility={})
    found = tune(tmp_path, draw_lenses(30), stand=stand).sides[0].proposal
    assert found.method == "refused"
    assert "too few lenses: 0 have a value" in found.says
    assert "the stand file declares no reproducibility for this measure" in found.says


def test_the_stands_reproducibility_widens_the_guard_band(tmp_path):
    states = draw_lenses(30)
    stand = ToyStand(reproducibility={"measure_mtf50.*": ToySpread(u=0.003)})
    plain, wide = (tune(tmp_path, states, stand=each).sides[0].proposal.bound for each in (None, stand))
    assert plain - wide == pytest.approx(Z95 * (0.005 - 0.004), abs=1e-7)


def test_a_limit_at_several_settings_goes_by_each_lenss_worst(tmp_path):
    generator = np.random.default_rng(3)
    pairs = generator.normal(0.3, 0.01, (60, 2))
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


def test_where_only_passed_lenses_are_there_the_missing_tail_is_put_back(tmp_path):
    generator = np.random.default_rng(4)
    values = generator.normal(0.30, 0.01, 300)
    passed = values[values - Z95 * 0.004 >= 0.28][:120]
    states = [lens(n, float(value)) for n, value in enumerate(passed)]
    cut = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.28}}").sides[0].proposal
    assert cut.method == "truncated_normal"
    assert "only lenses that passed the old limit are there" in cut.says
    # below the old limit, where the plain rule would tighten it
    assert cut.number < 0.28
    assert tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2}}").sides[0].proposal.method == "distribution_free"
    # one that failed shows that the others are not all there is
    whole = tune(tmp_path, [*states, lens(400, 0.279)], f"{{measure: {SHARP}, min: 0.28}}").sides[0].proposal
    assert whole.method == "distribution_free"


def test_passed_lenses_that_are_no_normal_population_cut_off_are_refused(tmp_path):
    generator = np.random.default_rng(6)
    # two batches, the worse one near the limit
    values = np.where(np.arange(60) < 20, 0.27, 0.30) + generator.normal(0, 0.002, 60)
    states = [lens(n, float(value)) for n, value in enumerate(values)]
    found = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.255}}").sides[0].proposal
    assert found.method == "refused"
    assert "do not look like a normal population cut off there" in found.says
    assert "measure lenses before their repair is accepted, too" in found.says


def test_tuning_again_with_its_own_limits_does_not_tighten_them(tmp_path):
    states = draw_lenses(200, seed=9)
    number, numbers = 0.2, []
    for _ in range(4):
        found = tune(tmp_path, states, f"{{measure: {SHARP}, min: {number}}}").sides[0]
        number = found.proposal.number
        numbers.append(number)
    assert len(set(numbers)) == 1


def test_the_lenses_are_told_with_measuring_taken_out(tmp_path):
    states = draw_lenses(60, sharp=(0.3, 0.010), u=0.006)
    side = tune(tmp_path, states).sides[0]
    observed = values_of(states).std(ddof=1)
    assert side.spread.sigma == pytest.approx(np.sqrt(observed**2 - 0.006**2))
    assert side.looks.count == 60
    assert side.lenses_limit > values_of(states).mean() - one_sided_factor(60, 0.95, 0.95) * observed
    assert side.capable == pytest.approx((side.spread.mean - side.proposal.number) / (3 * side.spread.sigma))


def test_risks_are_told_at_the_old_and_the_new_limit(tmp_path):
    states = draw_lenses(100)
    found = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.295}}")
    side = found.sides[0]
    passing = (values_of(states) - Z95 * 0.004 >= 0.295).mean()
    assert side.risk_before.held.value == pytest.approx(1 - passing)
    assert side.risk_before.held.low < 1 - passing < side.risk_before.held.high
    # two of 100 cut off: 2 / 101, with the interval of the beta distribution
    assert side.risk.held.value == pytest.approx(2 / 101)
    assert side.risk.held.high < 0.06
    assert found.risk.held == side.risk.held
    assert side.risk.failed.value <= side.risk.held.value
    assert 0 <= side.risk.released_bad.value <= side.risk.released_bad.high < 0.005


def test_known_bad_lenses_are_counted_against_the_new_limits(tmp_path):
    states = [*draw_lenses(80), lens(90, 0.20), lens(91, 0.305), lens(92, 0.299)]
    found = tune(tmp_path, states, marks=came_back(91, 92))
    assert (found.risk.known_bad, found.risk.known_bad_passed) == (3, 2)
    assert found.risk.known_bad_share.high == pytest.approx(0.9916, abs=1e-4)  # Clopper-Pearson, 2 of 3


def test_past_tickets_that_would_be_judged_otherwise_are_listed(tmp_path):
    states = [*draw_lenses(80), lens(90, 0.21)]
    found = tune(tmp_path, states)
    assert [(each.ticket, each.before, each.after) for each in found.changed if each.before != each.after] == [
        ("T-090", Verdict.PASS, Verdict.FAIL)
    ]
    assert [each.ticket for each in found.sides[0].changed] == ["T-090"]


def test_a_change_of_one_limit_that_another_hides_is_listed_with_the_limit(tmp_path):
    states = [*draw_lenses(100), lens(120, 0.21, loss=4.0)]
    found = tune(tmp_path, states, MIN_SHARP, MAX_LOSS)
    (changed,) = [each for each in found.changed if each.ticket == "T-120"]
    assert changed.before == changed.after == Verdict.FAIL
    assert changed.limits == ((0, Verdict.PASS, Verdict.FAIL),)


def test_the_curve_trades_held_against_released(tmp_path):
    states = draw_lenses(80, u=0.006)
    curve = tune(tmp_path, states).sides[0].curve
    held, released = np.array(curve.good_held), np.array(curve.bad_released)
    assert np.all(np.diff(curve.numbers) > 0)
    assert np.all(np.diff(held) >= -1e-12)
    assert np.all(np.diff(released) <= 1e-12)
    assert held[-1] > 0.5
    assert held[0] == pytest.approx(0, abs=1e-6)
    upper = tune(tmp_path, states, MAX_LOSS).sides[0].curve
    assert np.all(np.diff(upper.numbers) < 0)
    assert np.all(np.diff(upper.good_held) >= -1e-12)


def test_simple_limits_have_no_guard_band(tmp_path):
    states = draw_lenses(59)
    found = tune(tmp_path, states, f"{{measure: {SHARP}, min: 0.2, rule: simple}}").sides[0]
    assert found.proposal.bound == pytest.approx(values_of(states).min())
    assert found.side.guard == 0


def test_a_limit_that_few_lenses_have_a_value_for_does_not_spoil_the_others(tmp_path):
    states = draw_lenses(70)
    for number in range(5, 70):
        states[number] = dataclasses.replace(states[number], outcomes=states[number].outcomes[:1])
    sharp, loss = (each.proposal for each in tune(tmp_path, states, MIN_SHARP, MAX_LOSS).sides)
    assert loss.method == "refused"
    assert "5 have a value, 10 are needed" in loss.says
    assert f"no step `{LOSS.partition('.')[0]}` was run" in loss.says
    assert sharp.method == "distribution_free"
    assert sharp.count == 70


def test_lenses_that_are_all_alike_get_a_limit_and_a_picture(tmp_path):
    states = [lens(n, loss=3.0) for n in range(12)]
    found = tune(tmp_path, states, f"{{measure: {LOSS}, max: 4, rule: simple}}")
    (side,) = found.sides
    assert side.proposal.number == 3.0
    assert side.looks.sigma == 0
    assert side.capable is None
    assert side.risk.held.value == 0
    assert draw_side(side, found.evidence, 0).startswith(b"<?xml")


@settings(max_examples=8, deadline=None)
@given(
    scale=st.floats(0.1, 50),
    shift=st.floats(-20, 20),
    count=st.sampled_from([12, 30, 64]),
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
    assert turn(other.proposal.bound) == pytest.approx(scale * turn(one.proposal.bound) + shift, abs=1e-6 * scale)


@settings(max_examples=15, deadline=None)
@given(count=st.integers(10, 70), seed=st.integers(0, 1000))
def test_a_larger_share_that_may_be_held_never_loosens_a_limit(tmp_path_factory, count, seed):
    folder = tmp_path_factory.mktemp("share")
    values = np.random.default_rng(seed).normal(0.3, 0.01, count)
    states = [lens(n, float(v)) for n, v in enumerate(values)]
    bounds = [tune(folder, states, method="normal", held=held).sides[0].proposal.bound for held in (0.01, 0.05, 0.2)]
    if None not in bounds:
        assert bounds == sorted(bounds)
