"""Light at each f-number: what it says of blades, and of lamps."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Setting, Unmeasurable
from glasswright.judging.cards import load_cards
from glasswright.judging.decision import Tolerance, Uncertainty, decide
from glasswright.ledger.verdict import Verdict
from glasswright_camera.aperture.drawing import draw_aperture
from glasswright_camera.aperture.light_level import LightLevel, read_light_level
from glasswright_camera.aperture.marks import stops_of, time_rounding_ev
from glasswright_camera.aperture.scatter import measure_aperture_scatter
from glasswright_camera.aperture.stage import ROUNDED_EV, Step, measure_aperture, scatter_u, take_common
from glasswright_camera.diagnosis.found import APERTURE, LAMP_OR_APERTURE, STAND, find_aperture, find_stand
from glasswright_camera.shooting.stage import LightCheck
from support import ROOT
from support.frames import make_mosaic, make_stand

STAND_FILE = make_stand()
NUMBERS = (2.0, 4.0, 5.6, 11.0)
EXACT = {2.0: 2.0, 4.0: 4.0, 5.6: 32**0.5, 11.0: 128**0.5}


def shoot(role, *, repeats=3, errors=(), scatter=0.0, seed=0, minutes=0.3, begin=0):
    """Shots of a sound lens at four f-numbers, exposed by their exact squares; `errors`: (f-number, repeat) -> EV."""
    rng = np.random.default_rng([seed, role == "flat"])
    shots = []
    for number in NUMBERS:
        for repeat in range(repeats):
            time = 0.25 * EXACT[number] ** 2 / 4 * (1 if role == "flat" else 1.7)
            error = dict(errors).get((number, repeat), 0.0) + dict(errors).get((number, None), 0.0)
            if number > NUMBERS[0]:
                error += scatter * rng.standard_normal()
            clock = round(begin + 60 * minutes * len(shots) + (600 if number > 2 else 0))
            shots.append(
                LightLevel(
                    shot=f"{role}/{len(shots)}_f{number:g}.dng",
                    role=role,
                    light_frac=(0.6 if role == "flat" else 0.4) * 2**error,
                    light_frac_u=1e-4,
                    exposure_time_s=time,
                    iso=100.0,
                    captured_at=f"2026:03:02 {clock // 3600:02d}:{clock // 60 % 60:02d}:{clock % 60:02d}",
                    setting=Setting(focal_length_mm=50, f_number=number),
                )
            )
    return tuple(shots)


def measure(**kinds):
    both = {"errors": (), "scatter": 0.0, "seed": 0, "repeats": 3} | kinds
    return measure_aperture(shoot("chart", begin=7200, **both), shoot("flat", **both), STAND_FILE)


def test_a_marking_is_a_power_of_the_root_of_two():
    # 5.6 is engraved for 5.657, 11 for 11.31 (ISO 517; from memory): light goes as the square
    for mark, exact in EXACT.items():
        assert 2 ** stops_of(mark) == pytest.approx(exact**2)
    assert stops_of(1.8) == pytest.approx(5 / 3)
    assert 2 ** (stops_of(1.7) / 2) == pytest.approx(2**0.75)
    assert 2 ** (stops_of(2.9) / 2) == pytest.approx(2.9)  # no marking: itself


def test_a_marked_exposure_time_stands_for_a_power_of_two():
    # 1/60 for 1/64, 1/50 for 1/50.8, 1/125 for 1/128, 1/45 for 1/45.3 (common practice); 1/57 is no marking
    for mark, exact in (
        (1 / 60, 2**-6),
        (1 / 50, 2 ** (-17 / 3)),
        (1 / 125, 2**-7),
        (1 / 45, 2**-5.5),
        (0.3, 2 ** (-5 / 3)),
    ):
        assert 2 ** time_rounding_ev(mark) * exact == pytest.approx(mark)
        assert abs(time_rounding_ev(mark)) < 0.13
    assert time_rounding_ev(1 / 57) == 0
    assert time_rounding_ev(0.25) == 0


@pytest.mark.parametrize("writes_exact", [True, False])
def test_rounded_exposure_times_make_no_error_of_a_step(writes_exact):
    """A body exposes 1/64, 1/16, 1/8 s ... and writes 1/60, 1/15, 1/8; or it exposes for what it writes."""
    marks = {2.0: (1 / 60, 1 / 64), 4.0: (1 / 15, 1 / 16), 5.6: (1 / 8, 1 / 8), 11.0: (0.5, 0.5)}
    shots = tuple(
        replace(
            shot,
            light_frac=0.5 * (marks[number][0 if writes_exact else 1] / EXACT[number] ** 2) * 64 * 4 / 2,
            exposure_time_s=marks[number][0],
        )
        for shot in shoot("chart")
        for number in (shot.setting.f_number,)
    )
    found = measure_aperture(shots, None, STAND_FILE)
    # without the second reading the steps to f/5.6 and f/11 would be 0.093 EV off in one of the two bodies
    assert abs(found.aperture_step_error_ev) < found.aperture_step_error_ev_u
    error = found.error_ev[-1]
    assert abs(error) == pytest.approx(abs(np.log2(64 / 60)) / 2, abs=1e-9)
    assert found.aperture_common_error_ev_u >= 0.02


@pytest.mark.parametrize("lowest", [-0.13, 0.1])
def test_a_rounded_lowest_f_number_is_no_error_of_the_steps(lowest):
    """f/1.7 marked 1.8: all other f-numbers have the same error against wide open, in all copies."""
    found = measure(errors={(2.0, None): lowest})
    assert found.aperture_step_error_ev == pytest.approx(0, abs=1e-9)
    assert found.aperture_common_error_ev == pytest.approx(-lowest)
    assert list(find_aperture(found)) == []
    assert judge(measure(errors={(2.0, None): lowest}, scatter=0.002)) == {Verdict.PASS}


def test_blades_that_are_a_third_of_a_stop_off_everywhere_are_held():
    found = measure(errors={(2.0, None): -1 / 3})
    assert found.aperture_common_error_ev == pytest.approx(1 / 3)
    assert found.aperture_step_error_ev == pytest.approx(1 / 3 - 0.14)
    (common,) = [each for each in find_aperture(found) if "at all f-numbers" in each.says]
    assert (common.name, common.surety) == (LAMP_OR_APERTURE, "possible")
    assert Verdict.FAIL in judge(found)


def test_the_scatter_of_a_setting_is_that_of_its_flats():
    flats = tuple(shot for shot in shoot("flat", errors={(4.0, 1): 0.25}) if shot.setting.f_number == 4)
    found = measure_aperture_scatter(flats)
    # standard deviation of (0, 0.25, 0) over c4 of three, 0.8862 (Montgomery's table)
    assert found.aperture_scatter_ev == pytest.approx(0.25 / np.sqrt(3) / 0.8862, rel=1e-3)
    assert found.shot_count == 3
    with pytest.raises(Unmeasurable, match="one flat shot shows no scatter: shoot three at each f-number"):
        measure_aperture_scatter(flats[:1])
    with pytest.raises(Unmeasurable, match=r"1 of 3 files have no exposure time .* under `shots`"):
        measure_aperture_scatter((*flats[:2], replace(flats[2], exposure_time_s=None)))


def test_a_sound_aperture_has_no_error():
    found = measure()
    assert found.aperture_step_error_ev == pytest.approx(0, abs=1e-12)
    assert found.aperture_scatter_ev == pytest.approx(0, abs=1e-12)
    assert found.wide_open_scatter_ev == pytest.approx(0, abs=1e-12)
    assert found.aperture_step_error_ev_u >= STAND_FILE.light_step_u_ev
    assert list(find_aperture(found)) == []


def test_a_step_too_bright_is_its_own_size_and_both_lights_see_it():
    found = measure(errors={(4.0, None): 1 / 3})
    assert found.aperture_step_error_ev == pytest.approx(1 / 3)
    assert found.step_where == "50 mm f/4"
    assert found.lights_apart_ev == pytest.approx(0, abs=1e-9)
    (finding,) = find_aperture(found)
    assert (finding.name, finding.surety) == (APERTURE, "likely")
    assert "0.33 EV too much light at 50 mm f/4" in finding.says


def test_a_light_that_only_one_source_shows_may_be_the_lamps():
    found = measure_aperture(shoot("chart"), shoot("flat", errors={(4.0, None): -0.6}), STAND_FILE)
    assert found.lights_apart_ev == pytest.approx(-0.6)
    assert {(each.name, each.surety) for each in find_aperture(found)} == {(LAMP_OR_APERTURE, "possible")}
    # a limit gets a caveat that the two lights disagree
    assert found.aperture_step_error_ev_u > 0.3


def test_without_flats_lamp_and_aperture_are_not_distinguished():
    found = measure_aperture(shoot("chart", errors={(5.6, None): -0.4}), None, STAND_FILE)
    assert np.isnan(found.lights_apart_ev)
    (finding,) = find_aperture(found)
    assert (finding.name, finding.surety) == (LAMP_OR_APERTURE, "possible")
    assert "0.40 EV too little light" in finding.says
    assert "alternating, distinguish them" in finding.says


def test_one_shot_of_three_a_quarter_stop_too_bright_shows_and_limits_feel_it():
    found = measure(errors={(11.0, 1): 0.25})
    assert found.scatter_where == "50 mm f/11"
    assert found.aperture_scatter_ev > 0.1
    assert found.aperture_scatter_ev + 1.645 * found.aperture_scatter_ev_u > 0.2
    (finding,) = find_aperture(found)
    assert (finding.name, finding.surety) == (APERTURE, "likely")  # wide open nothing scatters


def test_light_that_scatters_wide_open_too_is_no_aperture():
    errors = {(2.0, 0): 0.2, (2.0, 2): -0.2, (4.0, 1): 0.2, (11.0, 0): 0.2, (5.6, 2): -0.2}
    (finding,) = find_aperture(measure(errors=errors))
    assert finding.name == STAND
    assert "wide open too, where no blade moves" in finding.says


def test_single_shots_do_not_say_what_scatters():
    found = measure_aperture(shoot("chart", repeats=1, errors={(4.0, 0): 0.25}), shoot("flat", repeats=1), STAND_FILE)
    assert found.wide_open_repeat_count == 0
    assert np.isnan(found.wide_open_scatter_ev)
    assert found.aperture_scatter_ev > 0.1
    assert [finding.name for finding in find_aperture(found)] == [LAMP_OR_APERTURE]


def test_blades_that_stick_brighten_the_first_shot_after_a_rest():
    sticky = measure(errors={(4.0, 0): 0.25})
    assert sticky.first_shot_excess_ev == pytest.approx(0.25)
    (finding,) = find_aperture(sticky)
    assert "sticking blades" in finding.says
    assert sum(sticky.is_rested) == 2  # the chart's first at f/4, and the diffuse source's
    later = measure(errors={(4.0, 1): 0.25})
    assert later.first_shot_excess_ev == pytest.approx(-0.125)
    assert "stick" not in next(iter(find_aperture(later))).says


def test_without_times_sticking_is_not_reported():
    shots = tuple(replace(shot, captured_at="") for shot in shoot("chart", errors={(4.0, 0): 0.25}))
    found = measure_aperture(shots, None, STAND_FILE)
    assert np.isnan(found.first_shot_excess_ev)
    assert not found.is_rested.any()


def test_the_lamps_are_not_blamed_for_the_aperture():
    scattering = tuple(find_aperture(measure(errors={(4.0, 0): 0.25})))
    light = (make_light_check("level_change", 4.0),)
    assert list(find_stand(light, (), (), (), scattering)) == []
    (alone,) = find_stand(light, (), (), ())
    assert "the lamps changed between chart shots (50 mm f/4)" in alone.says
    unsure = tuple(find_aperture(measure_aperture(shoot("chart", errors={(5.6, None): -0.4}), None, STAND_FILE)))
    (both,) = find_stand(light, (), (), (), unsure)
    assert "lamps or aperture" in both.says


def make_light_check(caveat, number):
    numbers = [name for name in LightCheck.__dataclass_fields__ if name.endswith(("_u", "_pct", "_ratio"))]
    setting = Setting(focal_length_mm=50, f_number=number)
    return LightCheck(**dict.fromkeys(numbers, 0.0), setting=setting, caveats=(caveat,))


@pytest.mark.parametrize("freedom", [1, 2, 5, 12])
def test_the_guard_of_a_scatter_reaches_its_95_percent_limit(freedom):
    rng = np.random.default_rng(5)
    draws = rng.standard_normal((4000, freedom + 1))
    # unbiased by c4: 0.7979 of two (Montgomery's table)
    c4 = {1: 0.7979, 2: 0.8862, 5: 0.9515, 12: 0.9794}[freedom]
    scatter = draws.std(axis=1, ddof=1) / c4
    assert scatter.mean() == pytest.approx(1, abs=0.04)
    covered = np.mean(scatter + 1.645 * np.array([scatter_u(each, freedom) for each in scatter]) >= 1)
    assert covered == pytest.approx(0.95, abs=0.012)


def test_the_stated_u_of_a_step_covers_its_error():
    hits = []
    for seed in range(300):
        drift = 0.02 * np.random.default_rng([9, seed]).standard_normal(len(NUMBERS))
        errors = {(number, None): each for number, each in zip(NUMBERS, drift, strict=True)}
        errors[4.0, None] += 0.3
        found = measure(errors=errors, scatter=0.03, seed=seed)
        assert found.step_where == "50 mm f/4"
        hits.append(abs(found.aperture_step_error_ev - 0.3) < 1.96 * found.aperture_step_error_ev_u)
    # drift wide open and at the step: sqrt(2) of the stated uncertainty of a step of light
    assert 0.84 < np.mean(hits) < 0.99


def test_charts_at_two_distances_are_two_lights():
    near = tuple(
        replace(shot, light_frac=0.7 * shot.light_frac, setting=replace(shot.setting, focus_distance_m=0.6))
        for shot in shoot("chart")
    )
    far = tuple(replace(shot, setting=replace(shot.setting, focus_distance_m=2.3)) for shot in shoot("chart"))
    found = measure_aperture((*near, *far), shoot("flat"), STAND_FILE)
    assert found.wide_open_scatter_ev == pytest.approx(0, abs=1e-12)
    assert found.aperture_scatter_ev == pytest.approx(0, abs=1e-12)


def test_a_file_that_does_not_say_its_exposure_time_is_named():
    shots = shoot("chart")
    with pytest.raises(
        Unmeasurable, match=r"1 of 12 files have no exposure time \(chart/3_f4.dng\): give `exposure_time_s`"
    ):
        measure_aperture((*shots[:3], replace(shots[3], exposure_time_s=None), *shots[4:]), None, STAND_FILE)


def test_one_f_number_is_not_compared_with_itself():
    found = measure_aperture(shoot("chart")[:3], None, STAND_FILE)
    assert np.isnan([found.aperture_step_error_ev, found.aperture_scatter_ev, found.lights_apart_ev]).all()
    assert found.notes == ("no light was shot both at a focal length's lowest f-number and at a higher one",)
    assert list(find_aperture(found)) == []
    assert draw_aperture(found) == []


@pytest.mark.parametrize("cfa", [None, (0, 1, 1, 2)])
def test_the_light_of_the_middle_is_read_and_dark_discs_in_it_do_not_matter(cfa):
    light = np.full((240, 360), 0.5)
    light[110:120, 170:190] = 0.05
    light[:60] = 0.1
    level = read_light_level(make_mosaic(light, full_well=20_000, cfa=cfa or (0, 1, 1, 2)))
    assert level.light_frac == pytest.approx(0.5, abs=5 * level.light_frac_u)
    assert 1e-5 < level.light_frac_u < 1e-3


def test_a_clipped_middle_is_refused():
    with pytest.raises(Unmeasurable, match="in the middle of the frame are clipped: expose less"):
        read_light_level(make_mosaic(np.where(np.eye(240, 360) > 2, 0, 1.2) * np.ones((240, 360))))


def test_a_drawing_shows_every_shot_and_the_numbers():
    (picture,) = draw_aperture(measure(errors={(4.0, None): 1 / 3}))
    assert "Largest error of a step +0.33" in picture.description
    assert "f/5.6" in picture.svg
    assert picture.svg.count("circle") >= 24


def judge(found, flats=None):
    """Judge a result, and the scatter of the flats at f/11, by every shipped card's limits on the aperture, the shipped
    stand's reproducibility added."""
    verdicts = {}
    results = {"measure_aperture": found}
    flats = flats or shoot("flat", scatter=0.002)
    results["measure_aperture_scatter"] = measure_aperture_scatter([f for f in flats if f.setting.f_number == 11])
    for file in load_cards(ROOT / "configs" / "cards").values():
        for limit in file.card.limits:
            step, _, field = limit.measure.partition(".")
            if step in results:
                uncertainty = Uncertainty(own=getattr(results[step], f"{field}_u"), stand=0.01)
                tolerance = Tolerance(
                    lower=limit.min, upper=limit.max, rule=file.card.rule, confidence=file.card.confidence
                )
                verdicts[file.card.card, field] = decide(getattr(results[step], field), "EV", uncertainty, tolerance)[0]
    assert len(verdicts) == 9  # three cards, three limits each
    return set(verdicts.values())


def test_no_shipped_card_passes_an_aperture_that_is_off():
    assert judge(measure(scatter=0.002)) == {Verdict.PASS}
    # one f/11 shot of three a quarter of a stop too bright; all shots at f/4 a third of a stop too bright
    errors = {(11.0, 1): 0.25}
    assert judge(measure(errors=errors), shoot("flat", errors=errors)) == {Verdict.PASS, Verdict.REVIEW}
    assert Verdict.FAIL in judge(measure(errors={(4.0, None): 1 / 3}))


def test_the_error_that_all_steps_share_is_the_markings_and_enters_the_u_of_the_others():
    def step(error, error_u, focal_length_mm=50.0):
        return Step(
            where="",
            focal_length_mm=focal_length_mm,
            count=6,
            error=error,
            error_u=error_u,
            scatter=0.0,
            within=0.0,
            repeats=4,
            apart=0.0,
            apart_u=0.0,
        )

    def take(*errors):
        left, largest = take_common([step(*each) for each in errors])
        assert largest is not None
        return [(pytest.approx(each.error, abs=1e-9), pytest.approx(each.error_u)) for each in left], largest.error

    shared = ROUNDED_EV / 2
    # the nearest to 0 is taken from all; the others' u holds its own
    assert take((shared, 0.03), (3 * shared, 0.04)) == ([(0, 0.03), (2 * shared, 0.05)], shared)
    assert take((-3 * shared, 0.04), (-shared, 0.03)) == ([(-2 * shared, 0.05), (0, 0.03)], -shared)
    # no more than a marking is rounded by
    assert take((3 * ROUNDED_EV, 0.03), (4 * ROUNDED_EV, 0.04))[0] == [(2 * ROUNDED_EV, 0.03), (3 * ROUNDED_EV, 0.05)]
    # steps of both signs share nothing
    assert take((-shared, 0.03), (3 * shared, 0.04)) == ([(-shared, 0.03), (3 * shared, 0.04)], 0.0)
    # each focal length has its own; the largest is named
    own = take((shared, 0.03), (2 * shared, 0.04), (-2 * shared, 0.03, 85.0))
    assert own == ([(0, 0.03), (shared, 0.05), (0, 0.03)], -2 * shared)
