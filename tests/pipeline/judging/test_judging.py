"""The verdicts of a card on a ticket, rule by rule."""

import dataclasses
import math

import pytest

from glasswright import Setting
from glasswright.config import load_plan
from glasswright.config.plan.method import describe_method, method_text
from glasswright.config.schema.plugins import load_plugins
from glasswright.errors import ConfigError
from glasswright.judging.cards import check_card, load_cards
from glasswright.judging.decision import Tolerance, Uncertainty, decide
from glasswright.judging.judge import judge_ticket
from glasswright.judging.method import why_not_run
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.measurements import FieldDescription
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.statistics.freedom import effective_freedom, quantile_of
from support import ROOT
from support.ledger_toys import (
    CARD_HEAD,
    F2,
    F4,
    F8,
    MODEL,
    PLAN_SECTION,
    ToySpread,
    ToyStand,
    card_file,
    judge,
    kept,
    state,
    write_card,
)

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
AT_F2 = f"{{measure: {SHARP}, min: 0.27, at: {{f_number: 2}}}}"
SIMPLE = f"{{measure: {SHARP}, min: 0.27, rule: simple}}"


def one(judgement):
    assert len(judgement.verdicts) == 1, judgement
    return judgement.verdicts[0]


def test_a_value_well_inside_passes_with_its_sentence(tmp_path):
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.3, 0.005))), AT_F2)
    assert judged.verdict is Verdict.PASS
    assert one(judged).reason == "0.300 cycles/pixel is above the limit 0.270 by more than the guard band 0.008"
    assert one(judged).at == "50 mm f/2"
    assert (one(judged).value, one(judged).u) == (0.3, pytest.approx(0.005))
    assert not judged.missing


def test_a_value_well_outside_fails_with_its_sentence(tmp_path):
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.241, 0.005))), AT_F2)
    assert judged.verdict is Verdict.FAIL
    assert one(judged).reason == "0.241 cycles/pixel is below the limit 0.270 by more than the guard band 0.008"


def test_a_value_near_the_limit_is_review_on_either_side(tmp_path):
    for value, side in ((0.266, "below"), (0.272, "above")):
        judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(value, 0.005))), AT_F2))
        assert judged.verdict is Verdict.REVIEW
        assert judged.reason == f"{value} cycles/pixel is {side} the limit 0.270 by less than the guard band 0.008"


def test_a_sentence_gets_more_decimals_where_it_would_not_show_the_difference(tmp_path):
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=0.26996)), SIMPLE))
    assert judged.reason == "0.26996 cycles/pixel is below the limit 0.27000"


@pytest.mark.parametrize(("value", "verdict"), [(0.269, Verdict.FAIL), (0.27, Verdict.PASS), (0.271, Verdict.PASS)])
def test_the_simple_rule_needs_no_uncertainty(tmp_path, value, verdict):
    assert one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=value)), SIMPLE)).verdict is verdict


def test_the_uncertainty_is_the_stages_own_with_the_stands(tmp_path):
    stand = ToyStand(reproducibility={SHARP: ToySpread(u=0.012)})
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.3, 0.005))), AT_F2, stand=stand))
    assert judged.u == pytest.approx(0.013)
    assert judged.verdict is Verdict.PASS  # 0.030 above, the guard band is 0.0214
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.29, 0.005))), AT_F2, stand=stand))
    assert judged.verdict is Verdict.REVIEW


@pytest.mark.parametrize(("shots", "u"), [(None, 0.05), (1, 0.05), (4, 0.036056), (5, 0.03)])
def test_below_five_shots_the_stands_pooled_repeatability_is_included(tmp_path, shots, u):
    stand = ToyStand(reproducibility={SHARP: ToySpread(u=0.03)}, repeatability={SHARP: ToySpread(u=0.04)})
    measured = kept(centre__sharp_cy_per_px=(0.5, 0.0), **({} if shots is None else {"shot_count": shots}))
    assert one(judge(tmp_path, state(measured), AT_F2, stand=stand)).u == pytest.approx(u, rel=1e-4)


def test_repeatability_does_not_replace_reproducibility(tmp_path):
    stand = ToyStand(reproducibility={}, repeatability={SHARP: ToySpread(u=0.001)})
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.5, 0.0))), AT_F2, stand=stand))
    assert judged.verdict is Verdict.REVIEW


def test_no_card_accepts_the_numbers_of_another_lens(tmp_path):
    write_card(tmp_path / "card.yaml", [SIMPLE.replace("rule", "accept: [identity_contradiction], rule")])
    with pytest.raises(
        ConfigError, match="cannot contain `identity_contradiction`: numbers of another lens meet no limit"
    ):
        load_cards(tmp_path)


def test_the_stands_patterns_count_after_the_exact_name_and_the_largest_of_them(tmp_path):
    spreads = {"*": ToySpread(u=0.001), "measure_mtf50.*_cy_per_px": ToySpread(relative_u=0.1)}
    at = state(kept(centre__sharp_cy_per_px=(0.5, 0.0)))
    assert one(judge(tmp_path, at, AT_F2, stand=ToyStand(reproducibility=spreads))).u == pytest.approx(0.05)
    spreads[SHARP] = ToySpread(u=0.002)
    assert one(judge(tmp_path, at, AT_F2, stand=ToyStand(reproducibility=spreads))).u == pytest.approx(0.002)


@pytest.mark.parametrize(
    ("u", "stand", "why"),
    [
        (0.001, ToyStand(reproducibility={}), "the stand file declares no reproducibility for this measure"),
        (0.001, ToyStand(repeatability={}), "the stand file declares no repeatability for this measure"),
        (None, ToyStand(), "the measurement's own uncertainty is unknown"),
        (
            0.0,
            ToyStand(reproducibility={"*": ToySpread(u=0.0, with_repeats=True)}),
            "an uncertainty of 0 is not accepted",
        ),
    ],
)
def test_without_an_uncertainty_a_guarded_limit_is_reviewed_at_best(tmp_path, u, stand, why):
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(9.0, u))), AT_F2, stand=stand))
    assert judged.verdict is Verdict.REVIEW
    assert judged.reason == f"9.000 cycles/pixel is above the limit 0.270; {why}"
    assert judged.u is None


@pytest.mark.parametrize("u", [math.nan, math.inf, -math.inf, -0.001])
@pytest.mark.parametrize("limit", [AT_F2, SIMPLE])
@pytest.mark.parametrize("value", [0.0, 9.0])
def test_an_invalid_uncertainty_allows_no_decision(tmp_path, value, limit, u):
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(value, u))), limit))
    assert judged.verdict is Verdict.UNKNOWN
    assert judged.reason == f"{value:g} cycles/pixel: the measurement's own uncertainty is {u:g}, which is invalid"
    assert (judged.value, judged.u) == (None, None)
    for part in ("reproducibility", "repeatability"):
        spreads = {"reproducibility": {"*": ToySpread(u=0.01)}, part: {"*": ToySpread(u=u)}}
        measured = state(kept(centre__sharp_cy_per_px=(value, 0.01)))
        judged = one(judge(tmp_path, measured, limit, stand=ToyStand(**spreads)))
        assert judged.verdict is Verdict.UNKNOWN
        assert f"the stand's uncertainty is {u:g}, which is invalid" in judged.reason


def test_far_outside_fails_even_where_the_stands_part_is_not_known(tmp_path):
    judged = one(
        judge(
            tmp_path,
            state(kept(centre__sharp_cy_per_px=(0.1, 0.001))),
            AT_F2,
            stand=ToyStand(reproducibility={}),
        )
    )
    assert judged.verdict is Verdict.FAIL


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("limit", [SIMPLE, AT_F2, f"{{measure: {SHARP}, max: 9, rule: simple}}"])
def test_a_value_that_is_not_finite_is_unknown(tmp_path, value, limit):
    judged = one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=(value, 0.001))), limit))
    assert judged.verdict is Verdict.UNKNOWN
    assert "not a finite number" in judged.reason


def test_an_empty_missing_or_text_field_is_unknown(tmp_path):
    for measured, why in (
        ({}, "returned no `centre.sharp_cy_per_px`: correct the card, or the plan"),
        ({"centre__sharp_cy_per_px": None}, "was left empty by the stage"),
        ({"centre__sharp_cy_per_px": "sharp"}, "is the text `sharp`, not a number"),
    ):
        judged = one(judge(tmp_path, state(kept(**measured)), SIMPLE))
        assert judged.verdict is Verdict.UNKNOWN
        assert judged.reason.endswith(why)


@pytest.mark.parametrize("status", [Status.CRASHED, Status.UNMEASURABLE, Status.SKIPPED])
def test_a_stage_that_did_not_measure_is_unknown_with_its_reason(tmp_path, status):
    judged = judge(tmp_path, state(kept(status=status, centre__sharp_cy_per_px=0.9)), SIMPLE)
    assert judged.verdict is Verdict.UNKNOWN
    assert one(judged).reason == f"`measure_mtf50` is {status}: the chart hangs upside down"
    assert judged.missing == judged.verdicts


def test_a_step_that_was_not_run_is_unknown(tmp_path):
    judged = judge(tmp_path, state(kept(step="other", a_px=1.0)), SIMPLE)
    assert one(judged).reason == "no step `measure_mtf50` was run for this ticket: there is no chart shot"
    assert judged.verdict is Verdict.UNKNOWN


def test_a_step_whose_shots_are_missing_names_their_role():
    plan = load_plan(ROOT / "configs/plans/fixed_focal.yaml", load_plugins())
    method = method_text(describe_method(plan))
    ran = {step.name for step in plan.steps} - {"decode_locked", "decode_dark"}
    found = why_not_run("measure_locked_change", method, ran)
    assert found == "no step `measure_locked_change` was run for this ticket: there is no ramp_locked shot"
    assert why_not_run("measure_haze", method, ran).endswith("was run for this ticket: add it to the plan")


def test_a_setting_that_was_not_shot_is_unknown(tmp_path):
    at_f56 = f"{{measure: {SHARP}, min: 0.2, at: {{f_number: 5.6}}}}"
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=(0.3, 0.005))), at_f56)
    assert judged.verdict is Verdict.UNKNOWN
    assert one(judged).reason == "nothing was shot or planned at f/5.6"
    assert one(judged).at == "f/5.6"


def test_a_range_of_settings_covers_every_setting_in_it(tmp_path):
    limit = f"{{measure: {SHARP}, min: 0.2, at: {{f_number: [2, 4]}}}}"
    at_f2, at_f4 = (kept(setting=setting, centre__sharp_cy_per_px=(0.3, 0.005)) for setting in (F2, F4))
    judged = judge(tmp_path, state(at_f2, at_f4, settings=(F2, F4, F8)), limit)
    assert [(each.at, each.verdict) for each in judged.verdicts] == [
        ("50 mm f/2", Verdict.PASS),
        ("50 mm f/4", Verdict.PASS),
    ]
    judged = judge(tmp_path, state(at_f2, settings=(F2, F4, F8)), limit)
    assert [each.verdict for each in judged.verdicts] == [Verdict.PASS, Verdict.UNKNOWN]
    assert judged.verdict is Verdict.UNKNOWN
    assert judged.missing[0].reason == "`measure_mtf50` was not run at 50 mm f/4"
    empty = f"{{measure: {SHARP}, min: 0.2, at: {{f_number: [5, 6]}}}}"
    assert one(judge(tmp_path, state(at_f2), empty)).reason == "nothing was shot or planned at f/5 to f/6"


def test_without_at_a_limit_holds_at_every_setting_planned_or_shot(tmp_path):
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=0.3), settings=(F2, F4)), SIMPLE)
    assert [each.verdict for each in judged.verdicts] == [Verdict.PASS, Verdict.UNKNOWN]
    # a setting that nobody planned counts as soon as it is there
    judged = judge(tmp_path, state(kept(setting=F8, centre__sharp_cy_per_px=0.1), settings=()), SIMPLE)
    assert one(judged).verdict is Verdict.FAIL


def test_settings_with_an_exposure_time_count_only_for_steps_that_have_them(tmp_path):
    shake = dataclasses.replace(F2, exposure_time_s=0.25)
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=0.3), settings=(F2, shake)), SIMPLE)
    assert one(judged).verdict is Verdict.PASS
    judged = judge(
        tmp_path,
        state(kept(step="shake", setting=shake, a_px=0.3), settings=(F2, shake)),
        "{measure: shake.a_px, max: 1, rule: simple, at: {f_number: 2}}",
    )
    assert [each.verdict for each in judged.verdicts] == [Verdict.UNKNOWN, Verdict.PASS]


def test_each_shot_of_a_step_that_runs_for_shots_is_judged(tmp_path):
    shots = [
        kept(scope=Scope.SHOT, shot="chart/1.dng", centre__sharp_cy_per_px=0.3),
        kept(scope=Scope.SHOT, shot="chart/2.dng", status=Status.UNMEASURABLE),
    ]
    judged = judge(tmp_path, state(*shots), SIMPLE)
    assert [(each.at, each.verdict) for each in judged.verdicts] == [
        ("50 mm f/2 chart/1.dng", Verdict.PASS),
        ("50 mm f/2 chart/2.dng", Verdict.UNKNOWN),
    ]


def test_a_result_for_the_whole_ticket_has_no_setting(tmp_path):
    whole = kept(step="summary", scope=Scope.TICKET, setting=None, worst_px=0.3)
    limit = "{measure: summary.worst_px, max: 1, rule: simple}"
    assert one(judge(tmp_path, state(whole, settings=(F2, F4)), limit)).at == "the whole ticket"
    judged = one(judge(tmp_path, state(whole), limit.replace("rule", "at: {f_number: 2}, rule")))
    assert judged.verdict is Verdict.UNKNOWN
    assert judged.reason == "`summary` is measured once for the ticket, but the limit is for f/2: remove `at`"


def test_a_caveat_makes_a_pass_a_review_unless_the_limit_accepts_it(tmp_path):
    careful = state(kept(caveats=("single_focus", "unverified_copy"), centre__sharp_cy_per_px=0.3))
    judged = one(judge(tmp_path, careful, SIMPLE))
    assert judged.verdict is Verdict.REVIEW
    assert judged.reason.endswith("with the caveat single_focus, unverified_copy, which the limit does not accept")
    accepts_one = SIMPLE.replace("rule", "accept: [single_focus], rule")
    assert one(judge(tmp_path, careful, accepts_one)).verdict is Verdict.REVIEW
    accepts_both = SIMPLE.replace("rule", "accept: [single_focus, unverified_copy], rule")
    assert one(judge(tmp_path, careful, accepts_both)).verdict is Verdict.PASS


def test_a_caveat_does_not_change_a_fail(tmp_path):
    outside = state(kept(caveats=("single_focus",), centre__sharp_cy_per_px=0.1))
    assert one(judge(tmp_path, outside, SIMPLE)).verdict is Verdict.FAIL


def test_a_ticket_with_contradictions_is_review_at_best(tmp_path):
    contradicted = state(kept(centre__sharp_cy_per_px=0.3), caveats=("identity_contradiction",))
    judged = one(judge(tmp_path, contradicted, SIMPLE))
    assert judged.verdict is Verdict.REVIEW
    assert "identity_contradiction" in judged.reason


def test_an_empty_card_passes_no_lens(tmp_path):
    path = tmp_path / "card.yaml"
    path.write_text(CARD_HEAD + PLAN_SECTION, encoding="utf-8")
    judged = judge_ticket(state(kept(centre__sharp_cy_per_px=0.3)), load_cards(tmp_path)[MODEL], ToyStand())
    assert judged.verdict is Verdict.UNKNOWN
    assert judged.reasons == ("the card for `Corvane 50 mm f/2` has no limits: an empty card passes no lens",)


def test_a_model_without_a_card_is_unknown_and_named():
    judged = judge_ticket(state(kept(centre__sharp_cy_per_px=0.3), model="Halden 85 mm f/1.8"), None, ToyStand())
    assert judged.verdict is Verdict.UNKNOWN
    assert judged.reasons == (
        "there is no card for `Halden 85 mm f/1.8`: add one, or correct the model in ticket.yaml",
    )


@pytest.mark.parametrize(
    ("change", "stand", "why"),
    [
        ({"model": "Halden 85 mm f/1.8"}, ToyStand(), "the card is for `Corvane 50 mm f/2`, the lens is a `Halden"),
        ({"body": "Ostrel D8"}, ToyStand(), "shot with body `Ostrel D8`, the card is valid for Ostrel D7"),
        ({"body": "Ostrel D8"}, ToyStand(), "body `Ostrel D8` is not one of stand `north-bench`'s: Ostrel D7"),
        ({}, ToyStand(name="south-bench"), "measured on stand `north-bench`, the stand file is `south-bench`'s"),
        ({}, ToyStand(bodies=("Ostrel D6",)), "body `Ostrel D7` is not one of stand `north-bench`'s: Ostrel D6"),
    ],
)
def test_a_card_is_unknown_for_another_lens_stand_or_body(tmp_path, change, stand, why):
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=0.3), **change), SIMPLE, stand=stand)
    assert judged.verdict is Verdict.UNKNOWN
    assert any(why in reason for reason in judged.reasons), judged.reasons
    assert one(judged).verdict is Verdict.UNKNOWN  # the limit is still listed
    assert "the card is not valid here" in one(judged).reason


def test_a_card_for_another_stand_is_unknown(tmp_path):
    head = CARD_HEAD.replace("north-bench", "[south-bench, east-bench]")
    judged = judge(tmp_path, state(kept(centre__sharp_cy_per_px=0.3)), SIMPLE, head=head)
    assert judged.reasons == (
        "the ticket was measured on stand `north-bench`, the card is valid for south-bench, east-bench",
    )


WHERE = (
    CARD_HEAD.rstrip().removesuffix("}")
    + ", where: [{measure: measure_mtf50.chart, is: lattice_13x9},"
    + " {measure: measure_mtf50.magnification_frac, min: 0.015, max: 0.03}]}\n"
)


def facts(chart="lattice_13x9", magnification=0.02, **others):
    return kept(chart=chart, magnification_frac=magnification, centre__sharp_cy_per_px=0.3, **others)


def test_a_card_is_valid_where_its_facts_are_true(tmp_path):
    assert judge(tmp_path, state(facts()), SIMPLE, head=WHERE).verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("outcome", "why"),
    [
        (facts(chart="lattice_25x18"), "`measure_mtf50.chart` is `lattice_25x18` at 50 mm f/2, the card is valid for"),
        (facts(magnification=0.05), "is 0.05 at 50 mm f/2, the card is valid from 0.015 to 0.03"),
        (facts(magnification=math.nan), "is nan at 50 mm f/2, the card is valid from 0.015 to 0.03"),
        (facts(magnification=None), "is not a number at 50 mm f/2"),
        (kept(centre__sharp_cy_per_px=0.3), "depends on `measure_mtf50.chart`, which the step did not return"),
        (kept(step="other", a_px=1.0), "the card depends on `measure_mtf50.chart`, which was not measured"),
    ],
)
def test_a_card_whose_facts_are_false_or_missing_is_unknown(tmp_path, outcome, why):
    judged = judge(tmp_path, state(outcome), SIMPLE, head=WHERE)
    assert judged.verdict is Verdict.UNKNOWN
    assert any(why in reason for reason in judged.reasons), judged.reasons


def test_a_fact_that_could_not_be_measured_at_a_setting_leaves_all_of_that_setting_unknown(tmp_path):
    measured = state(
        facts(),
        kept(setting=F4, status=Status.UNMEASURABLE),
        kept(step="other", setting=F4, a_px=0.1),
        kept(step="other", a_px=0.1),
        settings=(F2, F4),
    )
    judged = judge(tmp_path, measured, "{measure: other.a_px, max: 1, rule: simple}", head=WHERE)
    assert [(each.at, each.verdict) for each in judged.verdicts] == [
        ("50 mm f/2", Verdict.PASS),
        ("50 mm f/4", Verdict.UNKNOWN),
    ]


def test_what_is_missing_is_listed_beside_a_fail(tmp_path):
    measured = state(kept(centre__sharp_cy_per_px=0.1), kept(setting=F4, status=Status.CRASHED), settings=(F2, F4))
    judged = judge(tmp_path, measured, SIMPLE)
    assert judged.verdict is Verdict.FAIL
    assert [each.at for each in judged.missing] == ["50 mm f/4"]


def problems_of(load):
    with pytest.raises(ConfigError) as caught:
        load()
    return [(problem.line, problem.message) for problem in caught.value.problems]


def test_two_cards_for_one_model_are_a_mistake(tmp_path):
    write_card(tmp_path / "a.yaml", [SIMPLE])
    write_card(tmp_path / "b.yaml", [SIMPLE])
    expected = f"{tmp_path / 'a.yaml'} is also a card for `{MODEL}`: remove one of them"
    assert problems_of(lambda: load_cards(tmp_path)) == [(1, expected)]


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ("{measure: a.b_px}", "must have `min`, `max` or both"),
        ("{measure: a.b_px, min: 2, max: 1}", "`min` 2 is above `max` 1: no value can meet both"),
        ("{measure: a.b_px, min: .nan}", "`.nan` is not a finite number; leave the key out or give a number"),
        ("{measure: a.b_px, min: 1, at: {f_number: [4, 2]}}", "the range [4, 2] runs backwards"),
        ("{measure: a.b_px, min: 1, confidence: 0.4}", "0.5"),
        ("{measure: a.b_px, min: 1, rule: guardad}", "must be 'guarded' or 'simple', found the text `guardad`"),
        ("{measure: nothing, min: 1}", "nothing"),
        ("{measure: a.b_px, minimum: 1}", "minimum"),
        ("{measure: a.b_px, min: 1, at: {aperture: 2}}", "aperture"),
    ],
)
def test_mistakes_in_a_card_are_named_with_their_line(tmp_path, limit, message):
    write_card(tmp_path / "a.yaml", [SIMPLE, limit])
    found = problems_of(lambda: load_cards(tmp_path))
    assert [line for line, _ in found] == [5] * len(found)
    assert any(message in text for _, text in found), found


def test_every_mistake_of_every_card_is_named(tmp_path):
    write_card(tmp_path / "a.yaml", ["{measure: a.b_px}"])
    write_card(tmp_path / "b.yaml", ["{measure: a.b_px, min: x}", "{measure: a.b_px, max: 1, min: 2}"])
    assert len(problems_of(lambda: load_cards(tmp_path))) == 3


def test_a_folder_of_cards_must_be_there(tmp_path):
    assert problems_of(lambda: load_cards(tmp_path / "no")) == [
        (0, "there is no such folder of cards: correct --cards")
    ]


def field(kind=float, u=True):
    return FieldDescription(path="x", unit="px", kind=kind, has_uncertainty=u)


def test_a_card_is_checked_against_what_a_plan_measures(tmp_path):
    limits = [
        "{measure: a.sharp_px, min: 1}",
        "{measure: a.shrap_px, min: 1}",
        "{measure: a.bare_px, min: 1}",
        "{measure: a.bare_px, min: 1, rule: simple}",
        "{measure: a.name, min: 1, rule: simple}",
    ]
    head = (
        CARD_HEAD.rstrip().removesuffix("}") + ", where: [{measure: a.name, min: 1}, {measure: a.sharp_px, is: x}]}\n"
    )
    fields = {"a.sharp_px": field(), "a.bare_px": field(u=False), "a.name": field(kind=str, u=False)}
    found = [(each.line, each.message) for each in check_card(card_file(tmp_path, limits, head), fields)]
    assert found == [
        (5, "the plan measures no `a.shrap_px`: did you mean `a.sharp_px`?"),
        (
            6,
            "`a.bare_px` has no uncertainty, so a guarded limit on it could never pass: write `rule: simple` for this "
            "limit, or choose a field that has one",
        ),
        (8, "`a.name` is a text: a limit needs a number"),
        (2, "`a.name` is a text: compare it with `is`"),
        (2, "`a.sharp_px` is a number: compare it with `min` and `max`"),
    ]


def test_settings_are_written_as_at_the_bench(tmp_path):
    limits = ["{measure: a.b_px, min: 1, at: {focal_length_mm: [24, 70], f_number: 4}}"]
    at = card_file(tmp_path, limits).card.limits[0].at
    assert str(at) == "24 mm f/4 to 70 mm f/4"
    assert at.holds(Setting(focal_length_mm=35.0, f_number=4.0))
    assert not at.holds(Setting(focal_length_mm=35.0, f_number=5.6))
    assert not at.holds(Setting(focal_length_mm=35.0))
    assert at.holds(Setting(focal_length_mm=24.0 - 1e-9, f_number=4.0 + 1e-9))  # rounding
    assert not at.holds(Setting(focal_length_mm=24.0, f_number=4.001))


@pytest.mark.parametrize(
    ("value", "limit", "verdict"),
    [
        (0.1 + 0.2, "max: 0.3", Verdict.PASS),  # 0.30000000000000004
        (0.7 - 0.6, "min: 0.1", Verdict.PASS),  # 0.09999999999999998
        (0.3, "min: 0.301", Verdict.FAIL),  # no value is rounded to the limit's digits, nor the other way
        (0.3004, "max: 0.3", Verdict.FAIL),
    ],
)
def test_values_are_compared_exactly_except_for_rounding_errors(tmp_path, value, limit, verdict):
    limit = f"{{measure: {SHARP}, {limit}, rule: simple}}"
    assert one(judge(tmp_path, state(kept(centre__sharp_cy_per_px=value)), limit)).verdict is verdict


def test_a_margin_of_exactly_the_guard_band_passes():
    u = 0.1 / quantile_of(0.95, math.inf)
    tolerance = Tolerance(lower=0.3, upper=None, rule="guarded", confidence=0.95)
    assert decide(0.1 + 0.3, "px", Uncertainty(own=u, stand=0.0), tolerance)[0] is Verdict.PASS
    assert decide(0.2, "px", Uncertainty(own=u, stand=0.0), tolerance)[0] is Verdict.FAIL


def test_effective_degrees_of_freedom_are_those_of_the_guides_example():
    # JCGM 100:2008, G.4.1: relative 0.25 %, 0.57 % and 0.82 % from 10, 5 and 15 readings
    parts = [(0.25**2, 9), (0.57**2, 4), (0.82**2, 14)]
    assert effective_freedom(parts) == pytest.approx(19.0, abs=0.05)
    assert quantile_of(0.975, 19) == pytest.approx(2.09, abs=0.005)
    assert effective_freedom([(1.0, math.inf)]) == math.inf


@pytest.mark.parametrize(
    ("freedom", "shots", "expected"),
    [
        (math.inf, 1, 1.645),
        (16.0, 1, 1.746),
        (None, 1, 1.860),  # declared without: 8
        (16.0, 9, 1.746),  # nothing of its own
    ],
)
def test_the_guard_band_widens_with_few_degrees_of_freedom(tmp_path, freedom, shots, expected):
    stand = ToyStand(reproducibility={"*": ToySpread(u=0.01, freedom=freedom)})
    measured = kept(centre__sharp_cy_per_px=(0.27 + 0.01 * (expected - 0.002), 1e-9), shot_count=shots)
    assert one(judge(tmp_path, state(measured), AT_F2, stand=stand)).verdict is Verdict.REVIEW
    measured = kept(centre__sharp_cy_per_px=(0.27 + 0.01 * (expected + 0.002), 1e-9), shot_count=shots)
    judged = one(judge(tmp_path, state(measured), AT_F2, stand=stand))
    assert judged.verdict is Verdict.PASS
    assert judged.guard == pytest.approx(0.01 * expected, abs=1e-5)


def test_a_stages_finding_about_the_ticket_is_review_unless_the_card_accepts_it(tmp_path):
    reading = kept(step="other", caveats=("ticket_stand_or_body", "single_focus"), scope=Scope.TICKET, setting=None)
    measured = kept(centre__sharp_cy_per_px=0.4)
    judged = one(judge(tmp_path, state(measured, reading), SIMPLE))
    assert judged.verdict is Verdict.REVIEW
    assert judged.reason.endswith("with the caveat ticket_stand_or_body, which the limit does not accept")
    accepting = SIMPLE.replace("rule", "accept: [ticket_stand_or_body], rule")
    assert one(judge(tmp_path, state(measured, reading), accepting)).verdict is Verdict.PASS
    low = kept(centre__sharp_cy_per_px=0.1)
    assert one(judge(tmp_path, state(low, reading), SIMPLE)).verdict is Verdict.FAIL
