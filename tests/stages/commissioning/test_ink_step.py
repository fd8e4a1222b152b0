"""The print's sharpness: from a blade without bias, from two distances within its uncertainty, and divided out."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import yaml
from scipy.special import ndtr

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, read_config, scan_yaml
from glasswright.errors import ConfigError
from glasswright_camera.commissioning.edge_profile import collect_edge, transform_edge
from glasswright_camera.commissioning.ink_step import INK_TEXT, InkNotes, average_folders, commission_ink
from glasswright_camera.commissioning.print_step import trace_shot
from glasswright_camera.commissioning.shots import list_shots
from glasswright_camera.commissioning.writing import keep_names_apart
from glasswright_camera.print_transfer import PrintTransfer
from glasswright_camera.raw.stage import decode_raw
from glasswright_camera.sharpness.stage import measure_mtf50
from glasswright_camera.stand import Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.ink_shots import _profile, write_ink_shots
from glasswright_rehearsal.optics.blur import find_blur, find_mtf50
from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from glasswright_rehearsal.scene.printing import Ink

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """Three close frames a folder of a lens that is 10 % more blurred there, and one of a small chart."""
    folder = tmp_path_factory.mktemp("ink")
    bench = open_bench(STAND_FILE, folder, 0.6, seed=4)
    write_ink_shots(bench, change=0.1, repeats=3, far_shots=1)
    stand, _ = check(scan_yaml(folder / "stands" / STAND_FILE.name), Stand, "camera")
    return folder, stand, json.loads((folder / "truth" / "ink.json").read_text())


@pytest.fixture(scope="module")
def with_blade(shot):
    return commission_ink(shot[0] / "ink", shot[1], TODAY)


@pytest.fixture(scope="module")
def without_blade(shot, tmp_path_factory):
    folder = tmp_path_factory.mktemp("bare") / "ink"
    folder.mkdir()
    for path in (shot[0] / "ink").iterdir():
        (folder / path.name).symlink_to(path)
    notes = yaml.safe_load((folder / "ink.yaml").read_text())
    for frame in notes["frames"]:
        del frame["blade"]
    (folder / "ink.yaml").unlink()
    (folder / "ink.yaml").write_text(yaml.safe_dump(notes))
    return commission_ink(folder, shot[1], TODAY)


def read_transfer(result, folder):
    (data,) = result.files.values()
    (folder / "transfer.yaml").write_bytes(data)
    return read_config(folder / "transfer.yaml", PrintTransfer)


def true_ink(truth):
    return Ink(core_um=tuple(truth["core_um"]), scatter_frac=truth["scatter_frac"], scatter_um=truth["scatter_um"])


def test_a_blade_gives_the_prints_transfer_in_each_direction(shot, with_blade, tmp_path):
    transfer = read_transfer(with_blade, tmp_path)
    frequency, ink = np.array([0.8, 1.6, 2.4]), true_ink(shot[2])
    for direction in (0.0, np.pi / 2):
        for plane in ("red", "green", "blue"):
            value, u = transfer.sample(frequency, np.array(direction), plane)
            assert np.abs(value - ink.transfer(frequency, np.array(direction))).max() < 0.004
            assert u.max() < 0.006
    assert not any(each.is_wide for each in with_blade.findings)


def test_two_distances_give_it_within_an_uncertainty_that_includes_the_lenss_change(shot, without_blade, tmp_path):
    transfer = read_transfer(without_blade, tmp_path)
    frequency, ink = np.array([0.8, 1.6, 2.4]), true_ink(shot[2])
    for direction in (0.0, np.pi / 2):
        value, u = transfer.sample(frequency, np.array(direction), "green")
        assert (np.abs(value - ink.transfer(frequency, np.array(direction))) < 2 * u).all()
    assert any("counts as unchanged" in note for note in without_blade.notes)
    assert without_blade.findings[0].u > 0.3


def test_the_lens_is_measured_as_if_the_print_were_perfect(shot, with_blade, tmp_path):
    folder, stand, truth = shot
    use = replace(stand.charts[0], transfer=read_transfer(with_blade, tmp_path))
    trace = trace_shot(list_shots(folder / "ink" / "far", "chart")[0], stand)
    frame = Frame(width_px=trace.width_px, height_px=trace.height_px, pitch_um=6.0)
    lens = Lens(f_number=5.6 * (1 + truth["far_frac"]), aberrations=Aberrations(blur_um=truth["blur_um"]))
    turn = np.linspace(0, np.pi, 12, endpoint=False)[None]
    blur = find_blur(lens, frame, frame.centre_px[None], "green")
    true = find_mtf50(blur, np.cos(turn), np.sin(turn)).mean()
    as_shot = measure_mtf50((trace,), stand).green.centre.mean_cy_per_px
    assert as_shot < 0.97 * true
    divided = measure_mtf50((trace,), replace(stand, charts=(use,))).green.centre
    assert divided.mean_cy_per_px == pytest.approx(true, rel=0.005)
    assert abs(divided.mean_cy_per_px - true) < 2 * divided.mean_cy_per_px_u


def test_ten_pairs_of_one_percent_give_half_a_percent():
    # an edge of relative repeat s: sqrt(2) s / sqrt(10) for ten quotients, 0.447 %
    generator, found = np.random.default_rng(3), []
    for _ in range(300):
        one, other = (0.5 ** ((1 + 0.01 * generator.standard_normal((10, 1, 1))) ** 2) for _ in range(2))
        pair = average_folders([np.log(one) - np.log(other)])
        found.append([pair.value[0, 0] ** 2, pair.u[0, 0] ** 2])
    rms, u = np.sqrt(np.mean(found, axis=0)) / (2 * np.log(2))
    assert rms == pytest.approx(0.00447, rel=0.1)
    assert u == pytest.approx(0.00447, rel=0.05)


def test_the_stand_file_names_the_transfer(with_blade):
    named = keep_names_apart(with_blade)
    ((place, name),) = named.changes.items()
    assert place == ("camera", "charts", 0, "transfer")
    assert name in named.files
    assert named.as_entry("K. Moreau")["rests"][0] == "measure_mtf50.*"


def test_notes_and_shots_that_do_not_suffice_are_refused(shot, tmp_path):
    with pytest.raises(Unmeasurable, match=r"there is no .*ink\.yaml: note the places of the edges in it"):
        commission_ink(tmp_path, shot[1], TODAY)
    (tmp_path / "ink.yaml").write_text(INK_TEXT)
    with pytest.raises(ConfigError, match="must be greater than 0, found"):
        commission_ink(tmp_path, shot[1], TODAY)
    (tmp_path / "ink.yaml").write_text(INK_TEXT.replace("value: 0.0", "value: 30.0"))
    assert read_config(tmp_path / "ink.yaml", InkNotes).has_blade
    for folder in ("across_1", "across_2", "down_1", "down_2"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "0.dng").symlink_to(shot[0] / "ink" / folder / "0.dng")
    with pytest.raises(Unmeasurable, match="across_1 has 1 shot; 3 are needed, 5 better"):
        commission_ink(tmp_path, shot[1], TODAY)


def test_a_box_without_an_edge_is_named(shot, tmp_path):
    for path in (shot[0] / "ink").iterdir():
        (tmp_path / path.name).symlink_to(path)
    notes = yaml.safe_load((tmp_path / "ink.yaml").read_text())
    notes["frames"][0]["print"] = [0.0, 0.0, 0.18, 1.0]
    (tmp_path / "ink.yaml").unlink()
    (tmp_path / "ink.yaml").write_text(yaml.safe_dump(notes))
    with pytest.raises(Unmeasurable, match=r"across_1.*no edge between a dark and a light side lies in the box"):
        commission_ink(tmp_path, shot[1], TODAY)


def test_an_edge_near_the_boxs_side_is_named(shot):
    mosaic = decode_raw(list_shots(shot[0] / "ink" / "across_1", "chart")[0], shot[1])
    with pytest.raises(Unmeasurable, match=r"the edge comes within \d+ px of the box's side, 15 are needed"):
        collect_edge(mosaic, (0.2, 0.3, 0.35, 0.7), "across", 1)


def test_an_overexposed_edge_is_refused(shot):
    mosaic = decode_raw(list_shots(shot[0] / "ink" / "across_1", "chart")[0], shot[1])
    bright = replace(mosaic, white_dn=float(np.percentile(mosaic.values, 60)))
    with pytest.raises(Unmeasurable, match="overexposed: expose it at half of white"):
        collect_edge(bright, (0.02, 0.1, 0.48, 0.9), "across", 1)


@pytest.mark.parametrize("box", [(0.02, 0.1, 0.98, 0.9), (0.3, 0.2, 0.72, 0.8)])
def test_a_curved_edge_in_sloping_light_has_its_blurs_transfer(shot, box):
    # closed form: the profile of a Gaussian blur of s pixels has the transfer exp(-2 pi^2 s^2 f^2)
    mosaic = decode_raw(list_shots(shot[0] / "ink" / "across_1", "chart")[0], shot[1])
    y, x = np.mgrid[: mosaic.values.shape[1], : mosaic.values.shape[2]].astype(float)
    distance = 700.0 - np.hypot(x - 150 - 690 * np.cos(0.05), y - 110 - 690 * np.sin(0.05))
    light = (0.05 + 0.55 * ndtr(distance / 2.0)) * (1 + 0.001 * (x - 150))
    edge = replace(mosaic, values=(light * 60_000)[None].astype(np.uint16), white_dn=60_000.0,
                   black_dn=np.zeros_like(mosaic.black_dn))  # fmt: skip
    frequency = np.array([0.05, 0.1, 0.15])
    for plane in range(3):
        found = transform_edge(collect_edge(edge, box, "across", plane), 40.0, frequency)
        assert found == pytest.approx(np.exp(-2 * (np.pi * 2.0 * frequency) ** 2), abs=0.004)


def test_square_pixels_blur_an_edge_and_its_mirror_image_about_a_diagonal_alike(tmp_path):
    bench = open_bench(STAND_FILE, tmp_path, 0.6, seed=4)
    (distance, one), (_, other) = (
        _profile(bench, "green", 2.0, 0.02, np.radians(slant), None) for slant in (20.0, 70.0)
    )
    assert one == pytest.approx(other, abs=1e-9)
    # the centre of light of an even edge is the edge
    assert float(one[np.argmin(np.abs(distance))]) == pytest.approx(0.5, abs=1e-6)
    # the variance of the blur's slope: a pixel's 1/12 a side at any angle, beside the Gaussian and the aperture
    straight = _profile(bench, "green", 2.0, 0.02, 0.0, None)[1]
    assert np.abs(one - straight).max() < 0.02
