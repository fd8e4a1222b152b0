"""A plan with two focus distances: shots are assigned to them, and a card limits each."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from glasswright import Setting, Unmeasurable
from glasswright.intake.shot_setting import Nominal, ShotRule, settle
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.artefact import CaptureFacts
from glasswright.plugin.roles import Role
from glasswright.run.graph.grouping import planned_settings, settings_of
from glasswright_camera.chart.locate_chart import choose_layouts
from glasswright_camera.diagnosis.reference_values import ReferenceValue
from support.edge_traces import make_stand
from support.ledger_toys import CARD_HEAD, F2, judge, kept, state

NEAR, FAR = (replace(F2, focus_distance_m=distance) for distance in (0.6, 2.32))
PLAN = Nominal(f_number=(2.0,), focus_distance_m=(0.6, 2.32))
CHART = Role(has_distance=True)
FACTS = CaptureFacts(focal_length_mm=50.0, f_number=2.0)
SHARP = "measure_mtf50.centre.sharp_cy_per_px"


def test_a_chart_shot_joins_the_nearest_distance_and_one_without_is_asked_for_it():
    near = ShotRule(files="chart/*", focus_distance_m=0.63)
    assert settle("chart/1.dng", CHART, FACTS, (near,), PLAN).setting == NEAR
    assert settle("chart/1.dng", CHART, FACTS, (), PLAN).missing == ("focus distance",)
    assert settle("flat/1.dng", Role(), FACTS, (), PLAN).missing == ()
    assert settle("chart/1.dng", CHART, FACTS, (), Nominal(f_number=(2.0,))).missing == ()
    between = settle("chart/1.dng", CHART, FACTS, (replace(near, focus_distance_m=1.1),), PLAN)
    assert between.findings == (
        "chart/1.dng: focus distance 1.1 is near none of the plan's (0.6, 2.32): treated as a separate setting",
    )


def test_both_distances_are_planned_and_a_flat_is_valid_for_both():
    assert planned_settings(PLAN) == (
        Setting(f_number=2.0, focus_distance_m=0.6),
        Setting(f_number=2.0, focus_distance_m=2.32),
    )
    at = {"flat": F2, "chart": FAR}
    shots = [
        SimpleNamespace(shot=SimpleNamespace(role=role, setting=s), refusal="", unsettled=False)
        for role, s in at.items()
    ]
    ticket = SimpleNamespace(shots=shots)
    assert settings_of(ticket, {"flat"}, PLAN) == (F2,)
    # the near chart was not shot: it is missing, not left out
    assert settings_of(ticket, {"chart"}, PLAN) == (Setting(f_number=2.0, focus_distance_m=0.6), FAR)


def limit(least, distance=None):
    at = "f_number: 2" + (f", focus_distance_m: {distance}" if distance else "")
    return f"{{measure: {SHARP}, min: {least}, at: {{{at}}}, rule: simple}}"


def verdicts(tmp_path, *limits, near=0.24, settings=(F2, NEAR, FAR), head=CARD_HEAD):
    outcomes = [kept(setting=FAR, centre__sharp_cy_per_px=0.30, chart="far_chart")]
    outcomes += [kept(setting=NEAR, centre__sharp_cy_per_px=near, chart="near_chart")] if near else []
    return judge(tmp_path, state(*outcomes, settings=settings), *limits, head=head)


def test_a_card_limits_each_distance(tmp_path):
    assert verdicts(tmp_path, limit(0.27, 2.32), limit(0.22, 0.6)).verdict is Verdict.PASS
    assert verdicts(tmp_path, limit(0.27, 2.32), limit(0.25, 0.6)).verdict is Verdict.FAIL
    # a limit for no distance holds at both; that the flats have none adds no setting
    both = verdicts(tmp_path, limit(0.27))
    assert [(each.at, each.verdict) for each in both.verdicts] == [
        ("50 mm f/2 at 0.6 m", Verdict.FAIL),
        ("50 mm f/2 at 2.32 m", Verdict.PASS),
    ]


def test_a_distance_that_was_not_shot_passes_nothing(tmp_path):
    assert verdicts(tmp_path, limit(0.27, 2.32), limit(0.22, 0.6), near=None).verdict is Verdict.UNKNOWN
    assert verdicts(tmp_path, limit(0.27), near=None).verdict is Verdict.UNKNOWN


def test_a_cards_condition_holds_at_its_distance(tmp_path):
    def head(*facts):
        return CARD_HEAD.rstrip().removesuffix("}") + f", where: [{', '.join(facts)}]}}\n"

    far, near = (
        f"{{measure: measure_mtf50.chart, is: {name}_chart, at: {{focus_distance_m: {distance}}}}}"
        for name, distance in (("far", 2.32), ("near", 0.6))
    )
    assert verdicts(tmp_path, limit(0.22), head=head(far, near)).verdict is Verdict.PASS
    assert verdicts(tmp_path, limit(0.22), head=head(far.replace("2.32", "0.6"))).verdict is Verdict.UNKNOWN
    unmet = verdicts(tmp_path, limit(0.22, 2.32), near=None, head=head(far, near))
    assert unmet.verdict is Verdict.UNKNOWN
    (reason,) = unmet.verdicts[0].reason.splitlines()
    assert "the card depends on `measure_mtf50.chart` at 0.6 m, which was not measured" in reason


def test_each_distance_has_its_chart():
    stand = make_stand()
    (use,) = stand.charts
    small = replace(use, layout=replace(use.layout, name="small"), focus_distance_m=(0.0, 1.0))
    stand = replace(stand, charts=(replace(use, focus_distance_m=(1.0, 100.0)), small))
    for setting, names in ((NEAR, ["small"]), (FAR, ["lattice_13x9"]), (F2, ["lattice_13x9", "small"])):
        assert [each.name for each in choose_layouts(SimpleNamespace(setting=setting), stand)] == names
    with pytest.raises(Unmeasurable) as error:
        choose_layouts(SimpleNamespace(setting=replace(F2, focus_distance_m=200.0)), stand)
    assert str(error.value) == (
        "no chart of the stand is hung for 50 mm at 200 m (lattice_13x9 for 0 to 100000 mm, 1 to 100 m; small for 0 to "
        "100000 mm, 0 to 1 m); add one to the stand file's charts"
    )


def test_a_reference_value_is_valid_at_its_distance_only():
    value = ReferenceValue(measure="a.b", focal_length_mm=50.0, f_number=2.0, middle=0.0, scatter=1.0)
    assert value.is_at(F2)
    assert not value.is_at(NEAR)
    assert replace(value, focus_distance_m=0.6).is_at(NEAR)
    assert not replace(value, focus_distance_m=0.6).is_at(FAR)
