"""The monitored stand: patterns, charts, and their effect on a night's verdicts."""

import dataclasses
import json
from datetime import date, datetime

import numpy as np
import pytest

from glasswright.config import WatchKeys, check, find_idle_spreads, load_plan, load_stand, scan_yaml
from glasswright.config.schema.plugins import load_plugins
from glasswright.config.stand.keys import StandKeys
from glasswright.intake.dates import night_at, nights_of
from glasswright.watch.series import nights_of_ticket
from glasswright.watch.watching import watch_stand
from support import CONFIGS
from support.ledger_toys import F4, kept, state
from support.watch_toys import LOSS, SHARP, healthy, keys, night, on_night, reference, references


def watched(values, more=(), **others):
    return watch_stand([*references(values), *more], keys(**others), "north-bench")


def test_a_quiet_stand_is_in_control_on_every_night():
    report = watched(healthy(40))
    assert [report.out_of_control_of_night(each, "Ostrel D7") for each in report.nights] == [()] * 40
    (chart,) = report.charts
    assert (chart.measure, str(chart.at), chart.baseline.count) == (SHARP, "50 mm f/2", 20)


def test_one_night_beyond_the_limits_is_out_of_control_with_its_deviation():
    values = healthy(40)
    values[30] = 0.27
    reason = watched(values).out_of_control_of_night(night(30), "Ostrel D7")[0]
    assert reason.startswith(f"{SHARP} at 50 mm f/2 on 2026-01-31: beyond the limits (0.27, limits 0.2")
    assert reason.endswith("cycles/pixel)")


def test_a_small_lasting_shift_is_detected_only_by_the_average():
    values = healthy(40)
    sigma = watched(values, autocorrelation=0).charts[0].baseline.sigma
    values[25:] += 2.0 * sigma
    (late,) = watched(values, autocorrelation=0).out_of_control_of_night(night(39), "Ostrel D7")
    assert "the weighted average is beyond its limits" in late


def test_a_restart_forgets_what_was_before():
    values = healthy(40)
    values[25:30] = 0.285
    without = watched(values).out_of_control_of_night(night(30), "Ostrel D7")
    assert "the weighted average is beyond its limits" in without[0]
    again = watched(values, restarts=[{"on": night(30).isoformat(), "why": "the lamp was changed"}])
    assert again.out_of_control_of_night(night(30), "Ostrel D7") == ()
    assert again.out_of_control_of_night(night(28), "Ostrel D7") != ()


def test_no_reference_ticket_is_averaged_back_by_others():
    # two more at 0.25 and 0.35 make the mean what it was, and the stand is out of control all the same
    more = [reference(night(20), 0.3, "A"), reference(night(20), 0.25, "B"), reference(night(20), 0.35, "C")]
    report = watched(healthy(20), more)
    (chart,) = report.charts
    assert chart.points[-1].value == pytest.approx(0.3)
    assert chart.points[-1].tickets == ("A", "B", "C")
    (reason,) = report.out_of_control_of_night(night(20), "Ostrel D7")
    assert "2 of 3 reference tickets beyond the limits (0.25, 0.35)" in reason


def test_a_reference_ticket_of_two_nights_is_charted_on_the_second():
    (chart,) = watched(healthy(20), [reference((night(20), night(21)), 0.3, "A")]).charts
    assert (chart.points[-1].night, chart.points[-1].tickets) == (night(21), ("A",))


def test_a_reference_ticket_that_failed_beside_others_is_reported():
    more = [reference(night(20), 0.3, "A"), reference(night(20), None, "B")]
    (chart,) = watched(healthy(20), more).charts
    assert chart.points[-1].signals == ()
    expected = "not measured: ticket B: `measure_mtf50` is unmeasurable: the chart hangs upside down"
    assert chart.points[-1].remarks == (expected,)


def test_a_baseline_that_changed_while_it_was_taken_stops_the_chart():
    values = np.random.default_rng(4).normal(0.3, 0.003, 40)
    values[12:] -= 0.02
    (chart,) = watched(values).charts
    assert chart.notes[0].startswith("the baseline is not stable: a step")  # of twenty nights, that is told
    report = watched(values, baseline={"from": "2026-01-01", "to": "2026-02-05"})
    (reason,) = report.out_of_control_of_night(night(30), "Ostrel D7")
    assert "the baseline is not stable: a step" in reason
    assert "after its night 12: choose other nights" in reason


def test_a_night_of_the_baseline_that_lies_apart_is_named_and_left_out_by_a_person():
    values = healthy(40)
    values[7] = 0.25
    (chart,) = watched(values).charts
    (note,) = chart.notes
    assert note.startswith("its night 2026-01-08 is an outlier (0.25, the median is 0.3")
    out = [{"night": "2026-01-08", "by": "K. Moreau", "why": "the chart had been knocked"}]
    again = watched(values, baseline={"from": "2026-01-01", "to": "2026-01-20", "left_out": out})
    assert again.charts[0].notes == ()
    assert again.charts[0].baseline.count == 19
    assert again.charts[0].baseline.sigma < chart.baseline.sigma / 2
    assert again.out_of_control_of_night(night(7), "Ostrel D7") != ()


def test_limits_are_wider_the_more_charts_share_the_false_alarms():
    one, two = (watched(healthy(40), false_alarm_nights=nights).charts[0] for nights in (200, 1000))
    assert one.upper - one.lower < two.upper - two.lower


def test_a_night_without_a_reference_shot_is_judged_by_its_neighbours():
    values = healthy(30)
    values[27] = 0.2
    kept_nights = [each for place, each in enumerate(references(values)) if place not in (24, 26, 28)]
    report = watch_stand(kept_nights, keys(average_weight=0.001), "north-bench")
    assert report.out_of_control_of_night(night(24), "Ostrel D7") == ()
    for neighbour in (26, 28):  # the night before may have been wrong already, the night after still
        (reason,) = report.out_of_control_of_night(night(neighbour), "Ostrel D7")
        assert f"on {night(27)}: beyond the limits" in reason
    assert report.out_of_control_of_night(night(29), "Ostrel D7") == ()


def test_too_many_nights_without_a_reference_shot_are_reported():
    report = watched(healthy(25), missing_after_nights=3)
    last = night(24)
    assert report.out_of_control_of_night(night(26), "Ostrel D7") == ()
    expected = f"no reference shot for 3 nights: the last was on {last} (body Ostrel D7)"
    assert report.out_of_control_of_night(night(27), "Ostrel D7") == (expected,)
    every = watched(healthy(25), missing_after_nights=1)
    assert every.out_of_control_of_night(last, "Ostrel D7") == ()
    expected = f"no reference shot for 1 night: the last was on {last} (body Ostrel D7)"
    assert every.out_of_control_of_night(night(25), "Ostrel D7") == (expected,)


def test_a_reference_lens_does_not_vouch_for_another_body():
    report = watched(healthy(25))
    (reason,) = report.out_of_control_of_night(night(24), "Ostrel D9")
    assert reason == f"no reference shot on {night(24)} or before (body Ostrel D9)"


def test_a_reference_shot_that_could_not_be_measured_vouches_for_nothing():
    report = watched(healthy(25), [reference(night(25), None)])
    (reason,) = report.out_of_control_of_night(night(25), "Ostrel D7")
    assert reason.endswith("`measure_mtf50` is unmeasurable: the chart hangs upside down")


def test_a_monitored_field_missing_from_reference_tickets_is_reported():
    report = watched(healthy(25), fields={SHARP: {}, LOSS: {"at": {"f_number": 4}}})
    (reason,) = report.out_of_control_of_night(night(24), "Ostrel D7")
    assert reason == f"{LOSS} is watched, but no reference ticket has it at f/4"


def test_too_short_a_baseline_vouches_for_nothing():
    report = watched(healthy(6))
    (reason,) = report.out_of_control_of_night(night(5), "Ostrel D7")
    assert reason.endswith("the baseline has 6 nights with a value; at least 8 are needed")
    assert report.charts[0].lower is None


def test_tickets_of_other_stands_lenses_and_phases_are_on_no_chart():
    other = dataclasses.replace(reference(night(3), 9.0, "S-1").record, stand="south-bench")
    more = [
        dataclasses.replace(reference(night(3), 9.0, "S-1"), record=other),
        reference(night(3), 9.0, "L-1", serial="REF-2"),
        reference(night(3), 9.0, "P-1", phase="release"),
        reference(night(3), 9.0, "H-1", rehearsed=True),
        reference(date(2025, 12, 31), 9.0, "E-1"),
    ]
    report = watched(healthy(25), more, serial="REF-1")
    assert report.charts == watched(healthy(25)).charts
    assert {each.ticket: each.why for each in report.left_out} == {
        "S-1": "it was shot on stand `south-bench`",
        "L-1": "its lens is serial REF-2, the reference lens is REF-1",
        "H-1": "its frames were rendered, and there are real ones",
        "E-1": "it was shot before the watch begins on 2026-01-01",
    }


def test_several_reference_lenses_must_be_distinguished():
    report = watched(healthy(25), [reference(night(3), 0.3, "L-1", serial="REF-2")])
    (reason,) = report.out_of_control_of_night(night(24), "Ostrel D7")
    assert "of several lenses (Corvane 50 mm f/2, serial REF-1; Corvane 50 mm f/2, serial REF-2): name one" in reason


def test_every_setting_has_a_chart_where_none_is_named():
    made = [
        on_night(
            state(
                kept(centre__sharp_cy_per_px=float(value)),
                kept(setting=F4, centre__sharp_cy_per_px=float(value) + 0.1),
                phase="reference",
                number=f"R-{place}",
            ),
            night(place),
        )
        for place, value in enumerate(healthy(20))
    ]
    report = watch_stand(made, keys(fields={SHARP: {}}), "north-bench")
    assert [str(chart.at) for chart in report.charts] == ["50 mm f/2", "50 mm f/4"]


def lens(when, **others):
    return on_night(state(kept(centre__sharp_cy_per_px=0.3), **others), when)


def test_a_ticket_has_the_reasons_of_all_its_nights():
    values = healthy(30)
    values[25] = 0.2
    report = watched(values, average_weight=0.001)
    assert report.out_of_control_of_ticket(lens(night(24))) == ()
    assert len(report.out_of_control_of_ticket(lens(night(25)))) == 1
    assert len(report.out_of_control_of_ticket(lens((night(24), night(25))))) == 1


def test_nights_before_the_watch_are_not_watched_unless_they_were_measured_since():
    report = watched(healthy(30))
    old = lens(date(2025, 11, 3))
    assert report.out_of_control_of_ticket(old) == ()
    lost_clock = dataclasses.replace(old, measured_at="2026-01-25T06:00:00+00:00")
    expected = "its files say it was shot on 2025-11-03, before the watch begins on 2026-01-01"
    assert report.out_of_control_of_ticket(lost_clock) == (expected,)


def test_rehearsed_references_vouch_for_rehearsed_tickets_only():
    made = [reference(night(place), float(value), rehearsed=True) for place, value in enumerate(healthy(25))]
    report = watch_stand(made, keys(), "north-bench")
    assert report.out_of_control_of_ticket(lens(night(24), rehearsed=True)) == ()
    assert report.out_of_control_of_ticket(lens(night(24))) == (
        "the reference shots are rehearsed, and this ticket is not",
    )


def test_a_night_ends_at_five_and_undated_files_belong_to_the_run():
    assert night_at(datetime(2026, 3, 2, 21, 0)) == date(2026, 3, 2)
    assert night_at(datetime(2026, 3, 3, 4, 59)) == date(2026, 3, 2)
    assert nights_of(["2026:03:03 01:10:00", "2026:03:02 22:00:00", "0000:00:00 00:00:00", None]) == ("2026-03-02",)
    assert nights_of(["2026:03:03 09:10:00", "2026:03:02 22:00:00"]) == ("2026-03-02", "2026-03-03")
    untold = dataclasses.replace(lens(night(1)), measured_at="2026-03-03T02:00:00+01:00")
    untold = dataclasses.replace(untold, record=dataclasses.replace(untold.record, nights=()))
    assert nights_of_ticket(untold) == (date(2026, 3, 2),)


WRONG = [
    ("fields: {a.b_px: {}}", "`baseline` is missing"),
    ("baseline: {from: 2026-02-01, to: 2026-01-01}\n  fields: {a.b_px: {}}", "`to` 2026-01-01 is before `from`"),
    ("baseline: {from: 2026-01-01, to: 2026-02-01}\n  fields: {}", "must have at least 1 elements"),
    ("baseline: {from: 2026-01-01, to: 2026-02-01}\n  fields: {a.*_px: {}}", "must be one field, without `*`"),
    ("baseline: {from: 2026-01-01, to: 2026-02-01}\n  fields: {abc: {}}", "names no field: write `step.field`"),
    ("baseline: {from: 2026-01-01, to: 2026-02-01}\n  fields: {a.b_px: {}}\n  rules: [no_such]", "rules"),
    ("baseline: {from: 2026-01-01, to: 2026-02-01}\n  fields: {a.b_px: {}}\n  autocorrelation: 0.9", "autocorrelation"),
    ("baseline: {from: 2026-01-32, to: 2026-02-01}\n  fields: {a.b_px: {}}", "watch.baseline.from"),
]


@pytest.mark.parametrize(("text", "expected"), WRONG)
def test_a_wrong_watch_section_is_reported_with_its_place(tmp_path, text, expected):
    path = tmp_path / "stand.yaml"
    path.write_text(f"stand: north-bench\nbodies: [Ostrel D7]\nwatch:\n  {text}\n")
    value, problems = check(scan_yaml(path), StandKeys)
    assert value is None
    assert any(expected in str(problem) for problem in problems), problems
    assert all(str(problem).startswith(f"{path}:") for problem in problems)


def test_a_watched_field_that_a_plan_does_not_measure_is_noted():
    plans = CONFIGS / "plans"
    plan = load_plan(plans / "fixed_focal.yaml", load_plugins())
    section = WatchKeys.model_validate_json(
        json.dumps(
            {
                "baseline": {"from": "2026-01-01", "to": "2026-01-20"},
                "fields": {
                    "measure_mtf50.green.centre.mean_cy_per_px": {},
                    "measure_mtf50.green.center.mean_cy_per_px": {},
                },
            }
        )
    )
    stand = load_stand(plans.parent / "stands" / "north_bench.yaml", load_plugins())
    stand = dataclasses.replace(stand, watch=section, repeatability={}, reproducibility={})
    (note,) = find_idle_spreads(stand, plan)
    assert note.message == "no field of plan `fixed_focal` is `measure_mtf50.green.center.mean_cy_per_px`"


def test_a_reference_ticket_of_a_doubtful_identity_is_on_no_chart():
    made = reference(night(24), 0.3, "R-X")
    doubtful = dataclasses.replace(made.record.ticket, caveats=("identity_contradiction",))
    made = dataclasses.replace(made, record=dataclasses.replace(made.record, ticket=doubtful))
    report = watched(healthy(22), [made], missing_after_nights=3)
    assert [(each.ticket, each.why) for each in report.left_out] == [
        ("R-X", "its files name another lens or body than ticket.yaml")
    ]
    assert "no reference shot for 3 nights" in report.out_of_control_of_night(night(24), "Ostrel D7")[0]


def test_limits_are_wider_the_fewer_nights_they_come_from():
    values = healthy(40)
    many = watched(values, baseline={"from": "2026-01-01", "to": "2026-02-09"}).charts[0]
    few = watched(values, baseline={"from": "2026-01-01", "to": "2026-01-10"}).charts[0]
    assert (few.upper - few.lower) / few.baseline.sigma > 1.5 * (many.upper - many.lower) / many.baseline.sigma


def test_charts_of_several_stands_are_separate():
    """A ticket of one stand is not judged by another's reference lens."""
    other = [
        dataclasses.replace(each, record=dataclasses.replace(each.record, stand="south-bench"))
        for each in references(healthy(25) - 0.1)
    ]
    report = watch_stand([*references(healthy(25)), *other], keys(), "south-bench")
    assert report.charts[0].baseline.centre == pytest.approx(healthy(25)[:20].mean() - 0.1)
