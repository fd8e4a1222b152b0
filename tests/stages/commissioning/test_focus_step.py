"""Focus step, ramp angle and shaker: the slope of foci along the ramp, and values with their origin."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import yaml

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera.commissioning.focus_step import FOCUS_TEXT, commission_focus, fit_step
from glasswright_camera.stand import FocusStep, Stand

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)
ANGLE = {"value": 44.0, "u": 0.3, "origin": "angle gauge"}


@pytest.fixture(scope="module")
def stand():
    found, problems = check(scan_yaml(STAND_FILE), Stand, "camera")
    assert problems == ()
    return found


def fit(shifts, u=0.2, shared_u_frac=0.0):
    return fit_step(np.asarray(shifts, dtype=float), u, shared_u_frac, 2.8)


def test_the_step_is_the_slope_of_the_foci():
    found = fit(12.0 * np.arange(7) - 30)
    assert found.um == pytest.approx(12.0)
    # the variance of a slope: sigma^2 over the sum of squares of the numbers about their mean, 28 for seven
    assert found.um_u == pytest.approx(0.2 / np.sqrt(28))
    assert fit(-12.0 * np.arange(7)).um == pytest.approx(12.0)


def test_a_shot_that_is_missing_leaves_a_gap():
    shifts = 12.0 * np.arange(7)
    shifts[[0, 3]] = np.nan
    found = fit(shifts)
    assert found.um == pytest.approx(12.0)
    # 1, 2, 4, 5 and 6 about 3.6
    assert found.um_u == pytest.approx(0.2 / np.sqrt(17.2))


def test_the_boards_angle_goes_wholly_into_the_step():
    assert fit(12.0 * np.arange(7), u=1e-6, shared_u_frac=0.01).um_u == pytest.approx(0.12, rel=1e-3)


def test_truth_lies_within_two_u_as_often_as_two_u_promise():
    generator, inside = np.random.default_rng(8), 0
    for _ in range(500):
        found = fit(12.0 * np.arange(7) + generator.normal(0, 0.5, 7), u=0.1)
        inside += abs(found.um - 12.0) <= 2 * found.um_u
    # Student's t of five degrees of freedom at two: 90 %
    assert 0.86 < inside / 500 < 0.95


def write(folder, **notes):
    (folder / "focus.yaml").write_text(yaml.safe_dump({"day": date(2026, 3, 1), **notes}))


def test_declared_values_are_marked_as_declared(tmp_path, stand):
    write(tmp_path, ramp_angle=ANGLE, focus_step={"value": 26.0, "u": 0.5, "f_number": 4, "origin": "data sheet"},
          shaker={"value": 0.5, "u": 0.02, "origin": "dial gauge"})  # fmt: skip
    found = commission_focus(tmp_path, stand, TODAY)
    values = {each.name: (each.value, each.u) for each in found.findings}
    ceilings = {each.name: each.ceiling_u for each in found.findings}
    assert ceilings["focus_step_um"] == pytest.approx(0.03 * 26.0 / 16)
    # the stand's step grows with the square of the f-number
    assert values == {
        "focus_step_um": (26.0 / 16, 0.5 / 16),
        "ramp_angle_deg": (44.0, 0.3),
        "shaker_deg": (0.5, 0.02),
    }
    assert found.changes["camera", "focus_step"] == {"um": 1.625, "per_square_f_number": True, "u_frac": 0.0192}
    assert found.changes["camera", "ramps", 0, "angle_deg"] == 44.0
    assert found.as_entry("K. Moreau")["origin"] == (
        "commissioning, step focus, K. Moreau; 0 shots; declared, not measured here: focus step: data sheet; "
        "ramp angle: angle gauge; shaker: dial gauge"
    )
    assert set(found.rests) >= {"measure_focus_offset.*", "measure_stabiliser.*", "measure_best_focus.*_um"}


def test_a_step_of_one_size_is_not_divided(tmp_path, stand):
    write(tmp_path, focus_step={"value": 26.0, "u": 0.5, "f_number": 4, "origin": "data sheet"})
    found = commission_focus(tmp_path, replace(stand, focus_step=FocusStep(um=20.0)), TODAY)
    assert found.changes["camera", "focus_step"] == {"um": 26.0, "u_frac": 0.0192}


def test_what_is_not_determined_is_said(tmp_path, stand):
    write(tmp_path, ramp_angle=ANGLE)
    assert any(
        note.startswith("the focus step is not determined") for note in commission_focus(tmp_path, stand, TODAY).notes
    )


def test_contradictions_and_empty_notes_are_refused(tmp_path, stand):
    with pytest.raises(Unmeasurable, match=r"there are neither shots in .* nor values"):
        commission_focus(tmp_path, stand, TODAY)
    (tmp_path / "focus.yaml").write_text(FOCUS_TEXT)
    with pytest.raises(Unmeasurable, match=r"there are neither shots in .* nor values"):
        commission_focus(tmp_path, stand, TODAY)
    (tmp_path / "ramp").mkdir()
    for number in range(3):
        (tmp_path / "ramp" / f"{number}.dng").write_bytes(bytes([number]))
    with pytest.raises(Unmeasurable, match="3 shots of the ramp: at least 4 are needed"):
        commission_focus(tmp_path, stand, TODAY)
    write(tmp_path, focus_step={"value": 26.0, "u": 0.5, "f_number": 4, "origin": "data sheet"})
    with pytest.raises(Unmeasurable, match="declares `focus_step`, and there are shots of the ramp"):
        commission_focus(tmp_path, stand, TODAY)
    with pytest.raises(Unmeasurable, match="the stand file has no ramp"):
        write(tmp_path)
        commission_focus(tmp_path, replace(stand, ramps=()), TODAY)
