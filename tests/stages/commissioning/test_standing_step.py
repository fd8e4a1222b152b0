"""Chart and body: tilts from shots, from a lens turned in an adapter, or as measured elsewhere."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest
import yaml

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera.commissioning import standing_step
from glasswright_camera.commissioning.standing_step import (
    STANDING_TEXT,
    TurnedTilt,
    commission_standing,
    separate_body,
)
from glasswright_camera.stand import Stand

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)
BODY, LENS = np.array([1.2, -0.7]), np.array([2.0, 0.5])


@pytest.fixture(scope="module")
def stand():
    found, problems = check(scan_yaml(STAND_FILE), Stand, "camera")
    assert problems == ()
    return found


def turned(*turns, noise=(0.0, 0.0), u=0.3):
    readings = []
    for turn in turns:
        cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        x, y = BODY + np.array([[cos, -sin], [sin, cos]]) @ LENS + noise
        readings.append(TurnedTilt(turn_deg=turn, x_arcmin=float(x), y_arcmin=float(y), u_arcmin=u))
    return readings


def test_half_a_turn_separates_body_and_lens():
    found = separate_body(turned(0, 180))
    assert found.arcmin == pytest.approx(BODY)
    # the mean of two readings
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(0.3 / np.sqrt(2))


def test_a_quarter_of_a_turn_separates_them_less_well():
    found = separate_body(turned(0, 90))
    assert found.arcmin == pytest.approx(BODY)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(0.3, rel=1e-6)


def test_truth_lies_within_two_u_as_often_as_two_u_promise():
    generator, inside = np.random.default_rng(5), 0
    for _ in range(400):
        readings = [turned(turn, noise=generator.normal(0, 0.3, 2))[0] for turn in (0, 120, 240)]
        found = separate_body(readings)
        inside += int(np.sum(np.abs(found.arcmin - BODY) <= 2 * np.sqrt(np.diag(found.covariance))))
    assert 0.92 < inside / 800 < 0.995


def test_a_scatter_above_the_stated_u_widens_the_result():
    readings = [*turned(0, 90, 180), *turned(270, noise=(3.0, 0.0))]
    assert np.sqrt(separate_body(readings).covariance[0, 0]) > 2 * 0.3 / 2


def test_a_lens_that_was_not_turned_separates_nothing():
    with pytest.raises(Unmeasurable, match="was not turned by a quarter or more"):
        separate_body(turned(0, 5))


def write(folder, **notes):
    (folder / "standing.yaml").write_text(yaml.safe_dump({"day": date(2026, 3, 1), **notes}))


def test_the_tilt_of_a_turned_lens_goes_into_the_stand_file_as_declared(tmp_path, stand):
    rows = [{name: getattr(each, name) for name in each.__dataclass_fields__} for each in turned(0, 180)]
    write(tmp_path, turned=rows)
    found = commission_standing(tmp_path, stand, TODAY)
    tilt = found.changes["camera", "reference_tilt"]
    assert (tilt["x_arcmin"], tilt["y_arcmin"], tilt["x_arcmin_u"]) == (1.2, -0.7, 0.212)
    assert found.measured == date(2026, 3, 1)
    assert found.rests == ("measure_centring.focus_tilt*",)
    entry = found.as_entry("K. Moreau")
    assert "declared, not measured here: tilt of the body: a lens turned in an adapter, 2 turns" in entry["origin"]


def test_a_measured_flange_is_taken_over_with_its_u(tmp_path, stand):
    write(tmp_path, flange={"x_arcmin": 0.5, "y_arcmin": -0.2, "u_arcmin": 0.2, "origin": "workshop"})
    found = commission_standing(tmp_path, stand, TODAY)
    assert [(each.name, each.value, each.u) for each in found.findings] == [
        ("body_tilt_x_arcmin", 0.5, 0.2),
        ("body_tilt_y_arcmin", -0.2, 0.2),
    ]


@pytest.mark.parametrize(
    ("notes", "message"),
    [
        ({}, "there are neither shots in .* nor readings"),
        (
            {
                "turned": [{"turn_deg": 0, "x_arcmin": 0, "y_arcmin": 0, "u_arcmin": 1}],
                "flange": {"x_arcmin": 0, "y_arcmin": 0, "u_arcmin": 1, "origin": "workshop"},
            },
            "has both `turned` and `flange`",
        ),
    ],
)
def test_readings_that_determine_nothing_are_refused(tmp_path, stand, notes, message):
    write(tmp_path, **notes)
    with pytest.raises(Unmeasurable, match=message):
        commission_standing(tmp_path, stand, TODAY)


def test_the_file_that_begin_writes_declares_nothing(tmp_path, stand):
    (tmp_path / "standing.yaml").write_text(STANDING_TEXT)
    with pytest.raises(Unmeasurable, match="there are neither shots"):
        commission_standing(tmp_path, stand, TODAY)


def test_the_tilt_of_the_chart_and_its_u_are_in_minutes_of_arc(monkeypatch, stand):
    found = SimpleNamespace(
        pose_tilt_x_deg=0.5, pose_tilt_x_deg_u=0.1, pose_tilt_y_deg=-0.25, pose_tilt_y_deg_u=0.05, caveats=()
    )
    monkeypatch.setattr(standing_step, "trace_shot", lambda *_: None)
    monkeypatch.setattr(standing_step, "measure_distortion", lambda *_: found)
    values, _ = standing_step.measure_chart((None, None), stand)
    assert [(each.name, each.value, each.u) for each in values] == [
        ("chart_tilt_x_arcmin", pytest.approx(30), pytest.approx(6)),
        ("chart_tilt_y_arcmin", pytest.approx(-15), pytest.approx(3)),
    ]
    with pytest.raises(Unmeasurable, match="shoot at least two"):
        standing_step.measure_chart((None,), stand)


@pytest.mark.parametrize(("above_deg", "warns"), [(-0.01, False), (0.01, True)])
@pytest.mark.parametrize("axis", ["x", "y"])
def test_a_chart_tilted_beyond_the_limit_is_to_be_aligned(monkeypatch, stand, above_deg, warns, axis):
    tilts = {
        "pose_tilt_x_deg": 0.0,
        "pose_tilt_y_deg": 0.0,
        f"pose_tilt_{axis}_deg": -stand.shooting.pose_deg - above_deg,
    }
    found = SimpleNamespace(**tilts, pose_tilt_x_deg_u=0.1, pose_tilt_y_deg_u=0.1, caveats=("pose_not_separable",))
    monkeypatch.setattr(standing_step, "trace_shot", lambda *_: None)
    monkeypatch.setattr(standing_step, "measure_distortion", lambda *_: found)
    _, notes = standing_step.measure_chart((None, None), stand)
    assert any("align it with the mirror" in note for note in notes) == warns
    assert any("use a wider lens" in note for note in notes)
