"""Properties of judging for all values."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright.judging.card import At, Card, Limit, ValidFor
from glasswright.judging.cards import CardFile
from glasswright.judging.decision import Tolerance, Uncertainty, decide
from glasswright.judging.judge import judge_ticket
from glasswright.ledger.verdict import Verdict, fold
from glasswright.plugin.outcome import Status
from support.ledger_toys import F2, F4, F8, MODEL, ToyStand, kept, state

numbers = st.floats(-100, 100)
uncertainties = st.floats(1e-6, 50)
parts = st.one_of(st.none(), st.just(0.0), uncertainties)
confidences = st.floats(0.6, 0.999)
rules = st.sampled_from(["guarded", "simple"])
verdicts = st.lists(st.sampled_from(Verdict), max_size=6)


def tolerances(draw):
    lower, upper = sorted((draw(numbers), draw(numbers)))
    sides = draw(st.sampled_from(["lower", "upper", "both"]))
    return Tolerance(
        lower=None if sides == "upper" else lower,
        upper=None if sides == "lower" else upper,
        rule=draw(rules),
        confidence=draw(confidences),
    )


tolerance = st.composite(tolerances)()


def verdict(value, own, stand, limits):
    return decide(value, "px", Uncertainty(own=own, stand=stand), limits)[0]


def tighten(limits, by):
    return replace(
        limits,
        lower=None if limits.lower is None else limits.lower + by,
        upper=None if limits.upper is None else limits.upper - by,
    )


BETTER = (Verdict.FAIL, Verdict.REVIEW, Verdict.PASS)


@given(numbers, parts, parts, tolerance, st.floats(0, 50))
def test_a_tighter_limit_never_gives_a_better_verdict(value, own, stand, limits, by):
    tighter = tighten(limits, by)
    if tighter.lower is not None and tighter.upper is not None and tighter.lower > tighter.upper:
        return
    before, after = verdict(value, own, stand, limits), verdict(value, own, stand, tighter)
    assert BETTER.index(after) <= BETTER.index(before)


@given(numbers, uncertainties, tolerance, st.floats(1, 100))
def test_more_uncertainty_never_turns_a_review_to_a_pass_nor_to_a_fail(value, u, limits, factor):
    if verdict(value, u, u, limits) is Verdict.REVIEW:
        assert verdict(value, u * factor, u, limits) is Verdict.REVIEW
        assert verdict(value, u, u * factor, limits) is Verdict.REVIEW


@given(numbers, parts, parts, tolerance)
def test_an_unknown_part_of_the_uncertainty_never_passes(value, own, stand, limits):
    if limits.rule == "guarded" and (own is None or stand is None or own == stand == 0):
        assert verdict(value, own, stand, limits) is not Verdict.PASS


@given(numbers, parts, parts, tolerance)
def test_a_pass_lies_inside_the_limits_and_a_fail_outside(value, own, stand, limits):
    found = verdict(value, own, stand, limits)
    if found is Verdict.PASS:
        assert limits.margin(value) >= 0
    if found is Verdict.FAIL:
        assert limits.margin(value) < 0


@given(numbers, parts, parts, tolerance)
def test_a_mirrored_number_and_limit_get_the_same_verdict(value, own, stand, limits):
    mirrored = replace(
        limits,
        lower=None if limits.upper is None else -limits.upper,
        upper=None if limits.lower is None else -limits.lower,
    )
    assert verdict(value, own, stand, limits) is verdict(-value, own, stand, mirrored)


@given(verdicts, st.randoms())
def test_the_order_of_verdicts_does_not_matter(several, random):
    shuffled = list(several)
    random.shuffle(shuffled)
    assert fold(several) is fold(shuffled)


@given(verdicts, st.sampled_from(Verdict))
def test_one_more_verdict_never_makes_a_pass(several, more):
    if set(several) - {Verdict.NOT_APPLICABLE} and fold(several) is not Verdict.PASS:
        assert fold([*several, more]) is not Verdict.PASS


settings = (F2, F4, F8)
steps = st.sampled_from(["measure_mtf50", "measure_vignetting"])
outcomes = st.lists(
    st.builds(
        kept,
        step=steps,
        setting=st.sampled_from(settings),
        status=st.sampled_from([Status.DONE, Status.DONE, Status.CRASHED, Status.SKIPPED]),
        caveats=st.sampled_from([(), (), ("single_focus",)]),
        a_px=st.one_of(st.none(), st.floats(0, 2), st.tuples(st.floats(0, 2), st.floats(0.001, 0.2))),
    ),
    max_size=6,
    unique_by=lambda outcome: (outcome.step, outcome.setting),
)
limits = st.lists(
    st.builds(
        Limit,
        measure=st.sampled_from(["measure_mtf50.a_px", "measure_vignetting.a_px", "measure_mtf50.b_px"]),
        max=st.floats(0.5, 2),
        at=st.builds(At, f_number=st.sampled_from([None, 2.0, 5.6, (2.0, 4.0)])),
        rule=rules,
        accept=st.sampled_from([(), ("single_focus",)]),
    ),
    max_size=4,
)
planned = st.lists(st.sampled_from(settings), unique=True)


def card_of(several):
    card = Card(card=MODEL, valid_for=ValidFor(stand="north-bench", body="Ostrel D7"), limits=tuple(several))
    return CardFile(card=card, document=type("Document", (), {"sha256": "card"})())


@given(outcomes, limits, planned, st.randoms())
def test_the_order_of_what_was_measured_does_not_matter(measured, several, at, random):
    shuffled = list(measured)
    random.shuffle(shuffled)
    card = card_of(several)
    judged = [
        judge_ticket(state(*each, settings=tuple(order)), card, ToyStand())
        for each, order in ((measured, at), (shuffled, reversed(at)))
    ]
    assert judged[0] == judged[1]


@given(outcomes, limits, planned)
def test_every_limit_gets_a_verdict_and_nothing_unmeasured_passes(measured, several, at):
    judged = judge_ticket(state(*measured, settings=tuple(at)), card_of(several), ToyStand())
    assert {each.measure for each in judged.verdicts} == {limit.measure for limit in several}
    assert len(judged.verdicts) >= len(several)
    done = {(each.step, str(each.setting)) for each in measured if each.status is Status.DONE and each.measured}
    for each in judged.verdicts:
        assert each.reason
        if each.verdict is not Verdict.UNKNOWN:
            assert (each.measure.partition(".")[0], each.at) in done
    if judged.verdict is Verdict.PASS:
        assert judged.verdicts
        assert all(each.verdict is Verdict.PASS for each in judged.verdicts)


@given(outcomes, limits, st.data())
def test_taking_a_measurement_away_never_makes_a_ticket_pass(measured, several, data):
    card = card_of(several)
    before = judge_ticket(state(*measured, settings=settings), card, ToyStand())
    if measured and before.verdict is not Verdict.PASS:
        gone = data.draw(st.sampled_from(measured))
        lost = replace(gone, status=Status.UNMEASURABLE, measured={})
        fewer = [lost if each is gone else each for each in measured]
        after = judge_ticket(state(*fewer, settings=settings), card, ToyStand())
        assert after.verdict is not Verdict.PASS


@pytest.mark.parametrize("several", [[], [Limit(measure="measure_mtf50.a_px", max=1.0)]])
def test_nothing_measured_is_never_a_pass(several):
    assert judge_ticket(state(settings=()), card_of(several), ToyStand()).verdict is Verdict.UNKNOWN
