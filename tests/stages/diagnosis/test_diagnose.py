"""Diagnosis: known cases, properties, poor data; rehearsed lenses are in ci/bench."""

import sys
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from glasswright import Setting, Ticket, Unmeasurable
from glasswright_camera import diagnose
from glasswright_camera.aperture.transmission import Transmission
from glasswright_camera.centring.result import Centring
from glasswright_camera.diagnosis.drawing import describe_hint, draw_diagnosis
from glasswright_camera.diagnosis.found import DIRT, SCRATCH, SENSOR_DUST, STAND
from glasswright_camera.diagnosis.reference_values import KnownLens, KnownLenses, ReferenceValue
from glasswright_camera.diagnosis.rules import (
    AUTOFOCUS,
    AXIAL,
    COLOUR,
    CURVATURE,
    DECENTRED,
    DIM,
    DISTORTED,
    HAZE,
    OBSTRUCTION,
    RULES,
    SHIFT,
    SPACING,
    TILT,
    ZOOMED,
)
from glasswright_camera.diagnosis.signs import KINDS, STANDS_OUT
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.focus.locked import FocusShift
from glasswright_camera.focus.result import FocusOffset
from glasswright_camera.fringing.result import Fringing
from glasswright_camera.glare.result import Glare
from glasswright_camera.sharpness import result as sharpness_results
from glasswright_camera.sharpness.breathing import Breathing
from glasswright_camera.sharpness.result import BestFocus, Sharpness
from glasswright_camera.shooting.stage import LIGHT_MOVED, LightCheck
from glasswright_camera.spots.result import Spots
from glasswright_camera.vignetting.stage import Falloff

OPEN, CLOSED = Setting(focal_length_mm=50, f_number=2), Setting(focal_length_mm=50, f_number=8)
MODEL = "Corvane 50 mm f/2"
TICKET = Ticket(number="T-0001", model=MODEL, serial="C50-1", phase="intake", body="Ostrel D7")
HEALTHY = {
    "measure_mtf50.green.centre.mean_cy_per_px": (0.39, 0.004),
    "measure_centring.corner_softening_frac": (0.3, 0.01),
    "measure_centring.side_slope_frac": (0.007, 0.004),
    "measure_centring.soft_sides_frac": (0.003, 0.002),
    "measure_centring.coma_ratio": (0.02, 0.01),
    "measure_fringing.red_green.uniform_x_px": (0.0, 0.02),
    "measure_fringing.red_green.corner_radial_pct": (0.012, 0.002),
    "measure_distortion.picture_height_worst_pct": (-0.35, 0.006),
    "measure_vignetting.centre_x_frac": (0.0, 0.002),
    "measure_vignetting.asymmetry_ev": (0.01, 0.008),
    "measure_vignetting.diagonals_ev": (0.0, 0.001),
    "measure_vignetting.mean_corner_loss_ev": (1.16, 0.02),
    "measure_glare.chart_glare_pct": (-0.2, 0.01),
    "measure_mtf50.spill_frac": (0.012, 0.002),
    "measure_focus_offset.green.shift_um": (0.3, 1.7),
    "measure_focus_offset.red_green_um": (1.4, 0.15),
    "measure_transmission.transmission_ev": (0.0, 0.02),
    "measure_focus_shift.focus_shift_um": (1.0, 0.8),
    "measure_focus_shift.parfocal_um": (0.0, 2.0),
    "measure_breathing.breathing_ratio": (1.0, 0.03),
}
"""Field -> median and scatter of an invented population, at f/2."""
KNOWN = KnownLenses(
    models=(
        KnownLens(
            model=MODEL,
            copies=30,
            origin="invented",
            values=tuple(
                ReferenceValue(measure=name, focal_length_mm=50, f_number=2, middle=middle, scatter=scatter)
                for name, (middle, scatter) in HEALTHY.items()
            ),
        ),
    )
)
INPUTS = {
    "measure_mtf50": ("sharpness", Sharpness),
    "measure_centring": ("centring", Centring),
    "measure_fringing": ("fringing", Fringing),
    "measure_distortion": ("distortion", Distortion),
    "measure_vignetting": ("falloff", Falloff),
    "measure_glare": ("glare", Glare),
    "measure_focus_offset": ("offsets", FocusOffset),
    "measure_transmission": ("transmission", Transmission),
    "measure_focus_shift": ("shift", FocusShift),
    "measure_breathing": ("breathing", Breathing),
}


def blank(kind):
    """Make an empty result: every number NaN, every count 0, every text empty."""
    simple = {"float": np.nan, "NonNegative": np.nan, "Percentage": np.nan, "int": 0, "str": "", "bool": False}
    parts = vars(sys.modules[kind.__module__])
    values = {}
    for each in fields(kind):
        if each.name not in ("setting", "caveats", "notes"):
            part = parts.get(each.type)
            known = "float" if each.type.startswith("Annotated[float") else each.type
            values[each.name] = blank(part) if is_dataclass(part) else simple.get(known, ())
    return kind(**values)


def put(thing, path, value):
    name, _, rest = path.partition(".")
    return replace(thing, **{name: put(getattr(thing, name), rest, value) if rest else value})


def results(setting=OPEN, u_of_scatter=0.5, **values):
    """Return results of a lens: the population's medians, except some (`measure` with `__` for dots)."""
    changed = {name.replace("__", "."): value for name, value in values.items()}
    found = {}
    for measure, (middle, scatter) in HEALTHY.items():
        stage, _, path = measure.partition(".")
        name, kind = INPUTS[stage]
        thing = found.get(name, blank(kind))
        thing = put(thing, path, changed.pop(measure, middle))
        found[name] = put(thing, path + "_u", scatter * u_of_scatter)
    assert not changed
    return {name: (replace(thing, setting=setting),) for name, thing in found.items()}


def put_all(found, name, path, value):
    return found | {name: tuple(put(each, path, value) for each in found[name])}


def read(found, *, known=KNOWN, light=None, spots=None, best_focus=None):
    given_inputs = dict.fromkeys(name for name, _ in INPUTS.values()) | found
    # measured once for a ticket
    given_inputs["shift"] = next(iter(given_inputs["shift"] or ()), None)
    return diagnose(
        TICKET,
        **given_inputs,
        light=light,
        spots=spots,
        aperture=None,
        contrast=None,
        known=known,
        best_focus=best_focus,
    )


def test_a_healthy_lens_has_no_pattern():
    found = read(results())
    assert found.points_to == "nothing unusual"
    assert (found.surety, found.fault_count, found.unusual_count) == ("none", 0, 0)
    assert found.sign_count == len(HEALTHY)
    assert found.compared_with == "30 copies: invented"


def test_a_direction_is_told_as_a_time_on_the_lens():
    found = read(put_all(results(measure_centring__coma_ratio=0.65), "centring", "coma_deg", 45.0))
    assert "on the lens" not in found.findings[0].says  # the uncertainty of the direction is unknown
    sure = put_all(
        put_all(results(measure_centring__coma_ratio=0.65), "centring", "coma_deg", 45.0), "centring", "coma_deg_u", 3.0
    )
    # the file's lower right is the lens's upper right, seen from its front
    assert "coma on the axis 0.650 (reference 0.020) at 50 mm f/2, at 1:30 on the lens" in read(sure).findings[0].says
    two = put_all(results(measure_centring__soft_sides_frac=0.3), "centring", "soft_sides_deg", 0.0)
    two = put_all(two, "centring", "soft_sides_deg_u", 5.0)
    assert "at 3:00 and 9:00 on the lens" in read(two).findings[0].says


CASES = {
    TILT: {"measure_centring__soft_sides_frac": 0.27, "measure_centring__corner_softening_frac": 0.4},
    DECENTRED: {
        "measure_centring__coma_ratio": 0.65,
        "measure_centring__side_slope_frac": 0.32,
        "measure_fringing__red_green__uniform_x_px": 0.4,
        "measure_vignetting__asymmetry_ev": 0.23,
        "measure_vignetting__centre_x_frac": 0.05,
        "measure_mtf50__green__centre__mean_cy_per_px": 0.33,
    },
    SPACING: {"measure_mtf50__green__centre__mean_cy_per_px": 0.25},
    CURVATURE: {"measure_centring__corner_softening_frac": 0.6},
    HAZE: {"measure_glare__chart_glare_pct": 5.9, "measure_mtf50__green__centre__mean_cy_per_px": 0.28},
    AUTOFOCUS: {"measure_focus_offset__green__shift_um": -19.0},
    COLOUR: {"measure_fringing__red_green__corner_radial_pct": 0.067},
    AXIAL: {"measure_focus_offset__red_green_um": 13.0},
    SHIFT: {"measure_focus_shift__focus_shift_um": 24.0},
    ZOOMED: {"measure_focus_shift__parfocal_um": -40.0},
    DIM: {"measure_transmission__transmission_ev": -0.4},
    DISTORTED: {"measure_distortion__picture_height_worst_pct": -0.82},
    OBSTRUCTION: {"measure_vignetting__diagonals_ev": 0.37, "measure_vignetting__asymmetry_ev": 0.75},
}


@pytest.mark.parametrize("name", CASES)
def test_each_pattern_is_found_by_its_signs(name):
    found = read(results(**CASES[name]))
    assert found.points_to == name
    assert found.unexplained_count == 0
    assert found.notes[0].startswith(f"{found.surety}: {name}: ")


def test_light_in_a_wide_halo_is_haze_though_the_discs_show_no_glare():
    found = read(results(measure_mtf50__spill_frac=0.09))
    assert (found.points_to, found.unexplained_count) == (HAZE, 0)


def test_every_rule_has_a_case_and_uses_existing_signs():
    kinds = {kind.kind for kind in KINDS}
    assert {rule.name for rule in RULES} == set(CASES)
    for rule in RULES:
        rivals = [kind for kind, _ in (*rule.rivals, *rule.confused_with)]
        assert {*rule.lead, *rule.claims, *rivals} <= kinds
        assert {name for _, name in rule.confused_with} <= set(CASES)


def test_more_light_than_usual_or_another_breathing_is_no_known_fault():
    assert read(results(measure_transmission__transmission_ev=0.4)).points_to == "no clear pattern"
    assert read(results(measure_breathing__breathing_ratio=0.4)).points_to == "no clear pattern"


def test_spherical_blur_and_its_shift_of_focus_are_one_fault():
    found = read(results(**CASES[SPACING], **CASES[SHIFT]))
    assert found.points_to == SPACING


def test_two_faults_are_two_patterns():
    found = read(results(**CASES[HAZE], **CASES[TILT]))
    assert set(found.points_to.split(" and ")) == {HAZE, TILT}


WEAK = {"measure_centring__side_slope_frac": 0.11, "measure_centring__coma_ratio": 0.2}
"""A decentred element at a third of the nominal strength: one side is softer, coma is just not significant."""


def test_if_the_distinguishing_sign_is_weak_both_faults_are_possible():
    found = read(results(**WEAK))
    assert found.points_to == f"{TILT} and {DECENTRED}"
    assert found.surety == "possible"
    assert f"{DECENTRED} is possible too: coma on the axis 0.200" in found.notes[0]
    assert "one more that is not quite significant: coma on the axis 0.200" in found.notes[1]
    strong = read(results(**WEAK | {"measure_centring__side_slope_frac": 0.4}))
    assert (strong.points_to, strong.surety) == (f"{TILT} and {DECENTRED}", "possible")
    plain = read(results(**WEAK | {"measure_centring__side_slope_frac": 0.4, "measure_centring__coma_ratio": 0.03}))
    assert (plain.points_to, plain.surety) == (TILT, "likely")


def test_soft_corners_with_a_slightly_soft_middle_may_be_wrong_spacing():
    soft = {"measure_centring__corner_softening_frac": 0.45, "measure_mtf50__green__centre__mean_cy_per_px": 0.365}
    found = read(results(**soft))
    assert (found.points_to, found.surety) == (f"{CURVATURE} and {SPACING}", "possible")


@pytest.mark.parametrize("sense", [-1, 1])
def test_lateral_colour_is_a_sign_in_either_sense_and_a_shift_of_the_whole_frame_is_none(sense):
    moved = read(results(measure_fringing__red_green__corner_radial_pct=0.012 + sense * 0.04))
    assert moved.points_to == COLOUR
    shifted = results(measure_fringing__red_green__uniform_x_px=sense * 0.5)
    assert read(put_all(shifted, "fringing", "red_green.worst_pct", 0.05)).points_to == "no clear pattern"


def test_signs_that_no_pattern_explains_are_listed():
    found = read(results(measure_mtf50__green__centre__mean_cy_per_px=0.5))
    assert found.points_to == "no clear pattern"
    assert found.unexplained_count == 1
    assert "significant signs that no fault explains: centre sharpness 0.500" in found.notes[0]
    (hint,) = describe_hint(found)
    assert hint.startswith("No known fault fits, although these signs are significant: centre sharpness 0.500")


def test_a_failing_limit_is_never_reported_as_nothing_significant():
    assert describe_hint(read(results())) == ["No known fault fits"]


def test_corners_better_than_usual_are_no_curvature():
    assert read(results(measure_centring__corner_softening_frac=0.05)).points_to == "no clear pattern"


def test_soft_all_over_may_be_bad_focus_unless_a_series_was_shot():
    soft = results(**CASES[SPACING])
    found = read(soft)
    assert found.surety == "possible"
    assert "a focus series" in found.notes[0]
    stepped = put(put(soft["centring"][0], "field_curvature_um", 3.0), "field_curvature_um_u", 0.5)
    assert read(soft | {"centring": (stepped,)}).surety == "likely"


def test_an_unknown_model_is_compared_with_a_perfect_lens_where_that_says_something():
    found = read(results(**CASES[TILT] | CASES[HAZE] | CASES[DISTORTED]), known=None)
    assert set(found.points_to.split(" and ")) == {TILT, HAZE}
    assert found.compared_with == "perfect lens"
    assert read(results(**CASES[SPACING]), known=None).points_to == "nothing unusual"


def test_a_model_is_found_whatever_its_case_and_spaces():
    assert KNOWN.find("corvane  50MM f/2") is KNOWN.models[0]
    assert KNOWN.find("Corvane 50 mm f/1.8") is None


def test_aberrations_are_looked_at_where_the_lens_is_widest_open():
    wide, narrow = results(), results(setting=CLOSED, **CASES[TILT])
    both = {name: (*narrow[name], *wide[name]) for name in wide}
    assert read(both).points_to == "nothing unusual"


@given(st.sampled_from(sorted(HEALTHY)), st.floats(-4, 4))
@settings(max_examples=60)
def test_departures_within_scatter_and_uncertainty_are_never_significant(measure, away):
    middle, scatter = HEALTHY[measure]
    changed = {measure.replace(".", "__"): middle + away * scatter}
    assert read(results(**changed)).points_to == "nothing unusual"


@given(st.sampled_from(sorted(CASES)), st.floats(1, 30))
@settings(max_examples=60)
def test_more_uncertainty_never_makes_a_likely_pattern(name, more):
    sure, unsure = read(results(**CASES[name])), read(results(u_of_scatter=0.5 * more, **CASES[name]))
    assert unsure.unusual_count <= sure.unusual_count
    new = [one for one in unsure.findings if one.name not in {each.name for each in sure.findings}]
    assert all(one.surety == "possible" for one in new)


def test_an_effect_too_small_to_matter_is_no_sign_at_any_uncertainty():
    kind = next(kind for kind in KINDS if kind.kind == "glare")
    value = HEALTHY[kind.measure][0] + 0.9 * kind.least
    found = read(results(u_of_scatter=1e-6, measure_glare__chart_glare_pct=value))
    assert found.points_to == "nothing unusual"


@pytest.mark.parametrize("measure", sorted(HEALTHY))
def test_a_departure_counts_from_five_combined_uncertainties(measure):
    # strength is departure over the root of scatter^2 + u^2 + (least / 5)^2; it stands out from 5
    kind = next(kind for kind in KINDS if kind.measure == measure)
    middle, scatter = HEALTHY[measure]
    least = kind.least * abs(middle) if kind.relative else kind.least
    edge = 5 * np.sqrt(scatter**2 * (1 + 0.5**2) + (least / 5) ** 2)
    for share, seen in ((0.999, 0), (1.001, 1)):
        for sense in (1, -1):
            changed = {measure.replace(".", "__"): middle + sense * share * edge}
            found = read(results(**changed))
            assert found.unusual_count == seen
            # a pattern, or none that fits: the rules take a sign from the same strength on
            assert (found.points_to != "nothing unusual") == bool(seen)


def test_chance_makes_fewer_than_one_alarm_in_a_hundred_healthy_lenses():
    """Student's t, W. S. Gosset, Biometrika 6 (1908): scatter from thirty copies, all signs."""
    assert 2 * t.sf(STANDS_OUT, 29) * len(KINDS) < 0.01


def test_the_stands_own_checks_point_at_the_stand():
    moved = replace(blank(LightCheck), setting=OPEN, caveats=(LIGHT_MOVED,))
    assert read(results(), light=(moved,)).points_to == STAND
    assert read(results(), light=(moved,)).caveats == ("ticket_stand_or_body",)
    assert read(results()).caveats == ()
    tilted = results()
    tilted["distortion"] = (replace(tilted["distortion"][0], caveats=("chart_not_parallel",)),)
    assert read(tilted).points_to == STAND


def test_chart_shots_that_were_refused_at_one_setting_point_at_the_shooting():
    found = results()
    found["falloff"] = (*found["falloff"], replace(found["falloff"][0], setting=CLOSED))
    diagnosis = read(found)
    assert diagnosis.points_to == STAND
    assert "no chart shot could be used at 50 mm f/8" in diagnosis.notes[0]


@pytest.mark.parametrize(
    ("count", "name"),
    [
        ("lens_dust_count", DIRT),
        ("patch_count", DIRT),
        ("scratch_count", SCRATCH),
        ("new_sensor_dust_count", SENSOR_DUST),
    ],
)
def test_objects_in_the_light_are_named(count, name):
    spots = replace(blank(Spots), **{count: 2, "lens_deepest_pct": 3.4})
    assert read(results(), spots=spots).points_to == name
    assert read(results(), spots=spots).caveats == ()
    assert read(results(), spots=blank(Spots)).points_to == "nothing unusual"


@pytest.mark.parametrize(("place", "surety"), [((190.0, 54.0), "possible"), ((864.0, 576.0), "likely")])
def test_a_shadow_in_a_corner_may_be_the_edge_of_an_obstruction(place, surety):
    """A healthy glass with a part in the light's way showed a patch in that corner, called likely."""
    spots = replace(
        blank(Spots),
        patch_count=1,
        kind=("patch",),
        place_px=np.array([place]),
        shadow_px=np.array([377.0]),
        frame_px=np.array([1728, 1152]),
        lens_deepest_pct=1.4,
    )
    found = read(results(**CASES[OBSTRUCTION]), spots=spots)
    assert {each.name: each.surety for each in found.findings} == {OBSTRUCTION: "likely", DIRT: surety}
    assert read(results(), spots=spots).surety == "likely"


def test_no_results_are_unmeasurable():
    with pytest.raises(Unmeasurable, match="nothing was measured that could indicate a fault"):
        read({})


def test_the_drawing_has_a_row_for_each_kind_of_sign_and_fills_those_of_the_pattern():
    (picture,) = draw_diagnosis(read(results(**CASES[HAZE])))
    kinds = {kind.kind for kind in KINDS if kind.measure in HEALTHY}
    assert all(f">{kind}</text>" in picture.svg for kind in kinds)
    assert picture.svg.count("<title>") == len(kinds)
    assert picture.svg.count('class="fill one"') == 2, "glare, and the softness that it explains"
    assert "glare 5.900 % (reference -0.200) at 50 mm f/2" in picture.svg
    assert picture.description.startswith("Likely: haze: light is scattered over the picture")
    assert "not a proof" in picture.description


def test_the_drawing_has_a_caption_without_signs_or_results():
    (picture,) = draw_diagnosis(read(results()))
    assert picture.description.startswith("No known fault fits. Compared with healthy copies of the model (30 copies")
    assert 'class="fill one"' not in picture.svg
    (picture,) = draw_diagnosis(read(results(), known=None))
    assert "Compared with a perfect lens" in picture.description


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.stage == "measure_mtf50"], ids=lambda kind: kind.field)
@pytest.mark.parametrize("result", [Sharpness, BestFocus])
def test_signs_of_sharpness_are_fields_of_both_results(kind, result):
    # a focus series takes the place of the shots as shot
    *path, name = kind.field.split(".")
    for part in path:
        (inner,) = (each.type for each in fields(result) if each.name == part)
        result = vars(sharpness_results)[inner]
    assert {name, f"{name}_u"} <= {each.name for each in fields(result)}
