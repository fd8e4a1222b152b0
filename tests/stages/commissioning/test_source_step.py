"""The source separated from lens and sensor: measured where determined, and otherwise listed as undetermined."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright import Setting, Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera import combine_flats, decode_raw, measure_vignetting, reduce_flat
from glasswright_camera.commissioning.command import commission
from glasswright_camera.commissioning.shots import list_shots
from glasswright_camera.commissioning.source_apart import (
    Flat,
    Placement,
    list_angles,
    project_to_source,
    separate_source,
)
from glasswright_camera.commissioning.source_step import commission_source, only_one
from glasswright_camera.stand import Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.source_shots import SourceErrors, emit, write_source_shots

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)
FIELD_TAN = 0.4327
HALF = np.array([36, 24]) / np.hypot(36, 24)
TURNS = tuple(Placement(turn_deg=angle) for angle in (0, 90, 180, 270))
SHIFTS = tuple(Placement(shift=shift) for shift in ((0.25, 0), (-0.25, 0), (0, 0.17), (0, -0.17)))
MIXED = (Placement(turn_deg=90, shift=(0.25, 0)), Placement(turn_deg=180, shift=(0, 0.17)),
         Placement(turn_deg=270, shift=(0, -0.17)), Placement(turn_deg=90, shift=(0, -0.17)))  # fmt: skip
TILTS = tuple(Placement(tilt_deg=tilt) for tilt in ((10, 0), (-10, 0), (0, 10), (0, -10)))
NOISE_EV = 2e-4


def grid(columns=18, rows=12):
    x, y = np.meshgrid((np.arange(columns) + 0.5) / columns * 2 - 1, (np.arange(rows) + 0.5) / rows * 2 - 1)
    return np.column_stack([x.ravel(), y.ravel()]) * HALF


def lose(place):
    square = np.sum((place - [0.01, 0.004]) ** 2, axis=1)
    return -1.5 * (0.8 * square + 0.2 * square**2) + 0.004 * place[:, 0] * place[:, 1]


def shoot(placements, seed=1, errors=None):
    """Flats without frames, with the rehearsal's source; each position differs slightly from the noted one."""
    generator, place, errors = np.random.default_rng(seed), grid(), errors or SourceErrors()
    flats = []
    for placement in placements:
        stood = placement.as_row() + placement.u() * generator.standard_normal(5)
        light = generator.normal(0, 0.05) + lose(place) + emit(errors, place, stood, FIELD_TAN)
        noisy = light + NOISE_EV * generator.standard_normal(len(place))
        flats.append(Flat(place=place, light_ev=noisy, u_ev=np.full(len(place), NOISE_EV), placement=placement))
    return flats


def true_source(place, errors=None):
    still, errors = np.zeros(5), errors or SourceErrors()
    return emit(errors, place, still, FIELD_TAN) - emit(errors, np.zeros((1, 2)), still, FIELD_TAN)


def test_the_source_is_found_to_0_003_ev_and_u_is_acceptable():
    parts = separate_source(shoot((*TURNS, *SHIFTS, *MIXED, *TILTS)), FIELD_TAN)
    found, u = parts.map_source(grid())
    assert np.abs(found - true_source(grid())).max() < 0.003
    assert np.sqrt(np.mean(u**2)) < 0.0015
    assert parts.list_unknown() == ()


def test_dust_in_one_flat_does_not_reach_the_source():
    flats = shoot((*TURNS, *SHIFTS, *MIXED, *TILTS))
    light = flats[2].light_ev.copy()
    light[[40, 41, 58, 59]] -= 0.2
    dusty = [*flats[:2], replace(flats[2], light_ev=light), *flats[3:]]
    found, clean = (separate_source(each, FIELD_TAN).map_source(grid())[0] for each in (dusty, flats))
    assert np.abs(found - clean).max() < 2e-4


def test_two_u_intervals_have_their_coverage():
    corner = 0.9 * HALF * np.array([[-1, -1], [1, 1], [1, 0], [0, -1]])
    inside = []
    for seed in range(8):
        found, u = separate_source(shoot((*TURNS, *SHIFTS, *TILTS), seed), FIELD_TAN).map_source(corner)
        inside.append(np.abs(found - true_source(corner)) <= 2 * u)
    assert 0.9 <= np.mean(inside) <= 1.0


@pytest.mark.parametrize(
    ("placements", "unknown"),
    [
        (TURNS, ("the source's rotationally symmetric part", "the source's emission by angle")),
        ((TURNS[0], *SHIFTS), ("the source's gradient across", "the source's gradient down")),
        ((*TURNS, *SHIFTS), ("the source's emission by angle",)),
    ],
)
def test_undetermined_parts_are_listed_and_u_covers_the_error(placements, unknown):
    parts = separate_source(shoot(placements), FIELD_TAN)
    listed = " ".join(parts.list_unknown())
    assert all(each in listed for each in unknown)
    found, u = parts.map_source(grid())
    assert u.max() > 0.02
    assert np.mean(np.abs(found - true_source(grid())) <= 2 * u) > 0.9


def test_u_grows_with_the_uncertainty_of_the_positions():
    def worst(shift_u):
        placements = [Placement(turn_deg=p.turn_deg, shift=p.shift, tilt_deg=p.tilt_deg, shift_u=shift_u)
                      for p in (*TURNS, *SHIFTS, *TILTS)]  # fmt: skip
        return separate_source(shoot(placements), FIELD_TAN).map_source(0.9 * HALF[None])[1][0]

    assert worst(0.03) > 1.5 * worst(0.003)


def test_a_turned_and_shifted_source_is_projected_correctly():
    # a mark on the source at (0.3, 0), turned a quarter clockwise (y is down) and shifted by (0.1, 0), is at (0.1, 0.3)
    seen = project_to_source(np.array([[0.1, 0.3]]), np.array([90.0, 0.1, 0.0, 0.0, 0.0]), FIELD_TAN)
    assert np.allclose(seen, [[0.3, 0.0]], atol=1e-12)
    # what is emitted at an angle: sin^2 of atan(0.5 t), and of that less the tilt
    angle = np.arctan(0.5 * FIELD_TAN)
    assert list_angles(np.array([[0.0, 0.5]]), FIELD_TAN)[0, 0] == pytest.approx(np.sin(angle) ** 2)
    tilted = list_angles(np.array([[0.0, 0.5]]), FIELD_TAN, (10.0, 0.0))[0, 0]
    assert tilted == pytest.approx(np.sin(angle + np.radians(10)) ** 2)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("source")
    bench = open_bench(STAND_FILE, folder, 0.5, seed=2)
    write_source_shots(bench, SourceErrors())
    path = folder / "stands" / STAND_FILE.name
    result = CliRunner().invoke(commission, ["source", str(path), str(folder), "--yes"], env={"LOGNAME": "kmoreau"})
    assert result.exit_code == 0, result.output
    assert "kmoreau" in path.read_text(encoding="utf-8")  # without --by, the user is the one who commissions
    stand, problems = check(scan_yaml(path), Stand, "camera")
    assert problems == ()
    return folder, stand, result.output


def test_vignetting_on_the_commissioned_stand_is_that_of_the_lens(measured):
    folder, stand, _ = measured
    shots = list_shots(folder / "source" / "place_01", "flat")
    flat = combine_flats(tuple(reduce_flat(decode_raw(shot, stand)) for shot in shots), stand)
    flat = replace(flat, setting=Setting(focal_length_mm=shots[0].facts.focal_length_mm))
    box = 1 - 0.05
    corners = HALF * box * np.array([[-1, -1], [1, -1], [-1, 1], [1, 1]])
    true = -np.mean(lens_of(folder)(corners))
    found = measure_vignetting(flat, stand)
    assert found.mean_corner_loss_ev == pytest.approx(true, abs=0.01)
    bare = measure_vignetting(flat, Stand(sensor=stand.sensor, charts=stand.charts))
    assert abs(bare.mean_corner_loss_ev - true) > 0.1


def lens_of(folder):
    ev = json.loads((folder / "truth" / "source.json").read_text())["corner_ev"]

    def lens(place):
        square = np.sum((place - [0.01, 0.004]) ** 2, axis=1)
        return -ev * (0.8 * square + 0.2 * square**2)

    return lens


def test_light_by_angle_needs_a_focal_length(measured):
    folder, stand, _ = measured
    shots = list_shots(folder / "source" / "place_01", "flat")
    flat = combine_flats(tuple(reduce_flat(decode_raw(shot, stand)) for shot in shots), stand)
    with pytest.raises(Unmeasurable, match=r"the flat's focal length is not: give it in ticket.yaml"):
        measure_vignetting(flat, stand)


def test_the_file_of_positions_and_a_single_lens_are_required(measured, tmp_path):
    with pytest.raises(Unmeasurable, match="run `glasswright commission begin`"):
        commission_source(tmp_path, measured[1], TODAY)
    with pytest.raises(Unmeasurable, match=r"several or unknown focal lengths \(50 mm, unknown\)"):
        only_one({50.0, None})


def test_begin_writes_the_file_of_positions_once(measured, tmp_path):
    path = measured[0] / "stands" / STAND_FILE.name
    run = CliRunner()
    assert run.invoke(commission, ["begin", str(path), str(tmp_path / "new")]).exit_code == 0
    places = tmp_path / "new" / "source" / "places.yaml"
    assert places.read_text().count("folder: place_") == 16
    places.write_text("places: []\n")
    run.invoke(commission, ["begin", str(path), str(tmp_path / "new")])
    assert places.read_text() == "places: []\n"
