"""Commissioning a sensor from raw files of a rehearsed body: errors are measured, named and corrected."""

import json
import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera import decode_raw
from glasswright_camera.commissioning.command import commission
from glasswright_camera.commissioning.sensor_step import commission_sensor
from glasswright_camera.commissioning.shots import list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import format_with_u
from glasswright_camera.commissioning.steps import STEPS
from glasswright_camera.stand import Sensor, Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.sensor_shots import SensorErrors, write_sensor_shots

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
BENT = SensorErrors(nonlinearity_frac=0.03, clip_dn=15_800, black_offset_dn=2.3)
TODAY = date(2026, 3, 3)


def shoot(folder, errors, megapixels=0.35):
    bench = open_bench(STAND_FILE, folder, megapixels, seed=4)
    write_sensor_shots(bench, errors)
    path = folder / "stands" / STAND_FILE.name
    stand, problems = check(scan_yaml(path), Stand, "camera")
    assert problems == ()
    return path, stand, json.loads((folder / "truth" / "sensor.json").read_text())


@pytest.fixture(scope="module")
def bent(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bent")
    return folder, *shoot(folder, BENT)


@pytest.fixture(scope="module")
def found(bent):
    folder, _, stand, _ = bent
    return commission_sensor(folder / "sensor", stand, TODAY)


@pytest.mark.parametrize("name", ["black_dn", "white_dn", "electrons_at_white_count", "read_noise_count"])
def test_constants_agree_with_the_truth_and_u_is_acceptable(bent, found, name):
    finding = next(each for each in found.findings if each.name == name)
    assert abs(finding.value - bent[3][name]) <= 2 * finding.u
    assert not finding.is_wide


def test_hot_pixels_are_counted_and_day_and_body_read_from_the_shots(bent, found):
    assert next(each.value for each in found.findings if each.name == "hot_pixel_count") == bent[3]["hot_pixel_count"]
    assert (found.body.model, found.body.serial, found.measured, found.shot_count) == (
        "Ostrel D7",
        "D7-0031",
        date(2026, 3, 2),
        28,
    )


def test_the_proposed_sensor_linearises_light(bent, found):
    """Two flats in the ratio 1 to 2 of light are read with the proposed constants."""
    folder, _, stand, _ = bent
    changes = {place[-1]: value for place, value in found.changes.items()}
    sensor = replace(stand.sensor, black_dn=tuple(map(tuple, changes["black_dn"])), white_dn=changes["white_dn"],
                     linearity=tuple(changes["linearity"]))  # fmt: skip
    flats = list_shots(folder / "sensor" / "flat", "flat")

    def read(number, sensor):
        mosaic = decode_raw(flats[2 * number], replace(stand, sensor=sensor))
        site = mosaic.values[0, ::2, 1::2].astype(float)[60:-60, 90:-90]
        return (site.mean() - mosaic.black_dn[0, 0, 1]) / flats[2 * number].facts.exposure_time_s

    before = read(9, stand.sensor) / read(1, stand.sensor)
    after = read(9, sensor) / read(1, sensor)
    assert abs(before - 1) > 0.02
    assert abs(after - 1) < 0.003


@pytest.mark.parametrize(
    ("errors", "text"),
    [
        (SensorErrors(smoothing_frac=0.15), "noise of neighbouring pixels is correlated"),
        (SensorErrors(step_dn=8), "the body writes coarse steps"),
        (SensorErrors(is_cut_at_black=True), "the body cuts off values below black"),
    ],
)
def test_processing_by_the_body_is_named(tmp_path, errors, text):
    _, stand, _ = shoot(tmp_path, errors)
    notes = commission_sensor(tmp_path / "sensor", stand, TODAY).notes
    assert any(text in note for note in notes)
    assert sum(note.startswith("the body ") for note in notes) == 1


def test_a_body_without_errors_needs_no_changes(tmp_path):
    _, stand, _ = shoot(tmp_path, SensorErrors())
    found = commission_sensor(tmp_path / "sensor", stand, TODAY)
    assert {place[-1]: value for place, value in found.changes.items()} == {"linearity": None}
    assert not [note for note in found.notes if note.startswith("the body ")]


def test_the_command_writes_only_after_a_yes_and_a_repeat_changes_nothing(bent):
    folder, path, _, _ = bent
    text = path.read_text()
    run = CliRunner()
    begun = run.invoke(commission, ["begin", str(path), str(folder)])
    assert "1. Sensor: black, white, gain, read noise, linearity: not done" in begun.output
    assert f"together about {sum(step.minutes for step in STEPS)} minutes at the stand" in begun.output
    later = f"{len(STEPS) + 1}. Study: scatter of the stand when a lens is mounted again: not done"
    assert later in begun.output
    arguments = ["sensor", str(path), str(folder), "--by", "K. Moreau"]
    no = run.invoke(commission, arguments, input="n\n")
    assert no.exit_code == 0
    assert "nothing was written" in no.output
    assert path.read_text() == text
    yes = run.invoke(commission, arguments, input="y\n")
    assert f"written: {path}" in yes.output
    assert re.search(r"pixels clip at 15\d\d\d DN, below the 16383 DN declared", yes.output)
    assert path.read_text().startswith("# Rehearsed: a stand before commissioning.\n")
    again = run.invoke(commission, arguments)
    assert "; was " in again.output
    assert "the stand file has these constants already" in again.output
    page = folder / "report.html"
    assert run.invoke(commission, ["report", str(path), str(folder), "--out", str(page)]).exit_code == 0
    assert "electrons that make white" in page.read_text()
    begun = run.invoke(commission, ["begin", str(path), str(folder)])
    assert "done on 2026-03-02, valid until 2027-03-02" in begun.output


def test_a_body_that_the_stand_does_not_have_is_refused(bent, tmp_path):
    folder, path, _, _ = bent
    text = path.read_text()
    other = tmp_path / path.name
    assert "Ostrel D7" in text
    (tmp_path / "charts").mkdir()
    other.write_text(text.replace("Ostrel D7", "Ostrel D9").replace("../charts", f"{folder}/charts"))
    result = CliRunner().invoke(commission, ["sensor", str(other), str(folder), "--yes"])
    assert result.exit_code == 1
    assert "the shots are from the body `Ostrel D7`" in result.output
    assert "shoot with a listed body, or add this one first" in result.output


def test_constants_of_rendered_frames_are_marked(found):
    assert found.as_entry("K. Moreau")["origin"].startswith("REHEARSED, not measured: commissioning, step sensor")


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [(29252.85, 26.2, "29253 ± 26"), (-0.8506, 0.0277, "-0.851 ± 0.028"), (15751.0, 0.29, "15751.00 ± 0.29"),
     (20.0, 0.0, "20")],
)  # fmt: skip
def test_values_are_rounded_by_their_uncertainty(value, u, text):
    assert format_with_u(value, u) == text


def test_a_shot_counts_once(bent):
    shot = list_shots(bent[0] / "sensor" / "dark", "dark")[0]
    with pytest.raises(Unmeasurable, match=r"again/copy.dng is a copy of .*: take one of them away, and shoot again"):
        refuse_copies([shot, replace(shot, path="again/copy.dng")])


def test_missing_shots_are_reported(tmp_path, bent):
    with pytest.raises(Unmeasurable, match=r"there is no folder .*dark: make it, and put the dark shots into it"):
        commission_sensor(tmp_path, bent[2], TODAY)


def test_black_for_each_site_must_fit_the_pattern(bent):
    folder, _, stand, _ = bent
    sensor = Sensor(pixel_pitch_um=6.0, black_dn=((512.0, 512.0, 512.0),))
    with pytest.raises(Unmeasurable, match="3 x 1 levels, the colour pattern 2 x 2 sites"):
        decode_raw(list_shots(folder / "sensor" / "flat", "flat")[0], replace(stand, sensor=sensor))
    assert np.isfinite(stand.sensor.pixel_pitch_um)
