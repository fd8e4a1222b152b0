"""The command `rehearse`: its files, reproducibility and refusals."""

import hashlib
import json
import shutil
import subprocess
import sys

import numpy as np
import pytest
import rawpy
import yaml
from click.testing import CliRunner

from glasswright.judging.cards import load_cards
from glasswright_rehearsal.command import rehearse
from glasswright_rehearsal.faults.kinds import LENS_FAULTS
from glasswright_rehearsal.faults.listing import fault_names
from glasswright_rehearsal.night.night import Night, choose_faults
from support import ROOT

STAND = ROOT / "configs/stands/north_bench.yaml"


def run(out, *options):
    arguments = [str(out), "--megapixels", "0.2", "--workers", "1", "--stand", str(STAND), *options]
    return CliRunner().invoke(rehearse, arguments)


def run_whole(out, workers):
    """Run the whole command line, which limits the numeric libraries to one thread: required for equal files."""
    options = ["--tickets", "3", "--seed", "5", "--f-number", "4", "--workers", workers, "--megapixels", "0.2"]
    program = "from glasswright.commands.main import main; main()"
    command = [sys.executable, "-c", program, "rehearse", str(out), "--stand", str(STAND), *options]
    subprocess.run(command, check=True, capture_output=True)


def digest_tree(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    out = tmp_path_factory.mktemp("night")
    run_whole(out, "1")
    return out


def test_every_third_ticket_has_another_fault_of_the_lens(tmp_path):
    night = Night(out=tmp_path, tickets=9, megapixels=1, seed=3, stand=tmp_path, model="Corvane 50 mm f/2")
    faults = [choose_faults(night, index) for index in range(9)]
    assert [len(each) for each in faults] == [0, 0, 1] * 3
    assert len({name for each in faults for name in each} & set(LENS_FAULTS)) == 3


def test_a_ticket_has_its_files_and_true_values(night):
    folder = night / "tickets/T-0001"
    ticket = yaml.safe_load((folder / "ticket.yaml").read_text(encoding="utf-8"))
    assert ticket["rehearsed"] is True
    assert ticket["phase"] == "release"
    truth = json.loads((night / "truth/T-0001.json").read_text(encoding="utf-8"))
    assert truth["serial"] == ticket["lens"]["serial"]
    assert [(s["focal_length_mm"], s["f_number"]) for s in truth["settings"]] == [(50, 4.0)]
    assert sorted(path.parent.name for path in folder.glob("*/*.dng")) == ["chart", *["flat"] * 3, "panel", "ramp"]
    for line in (folder / "SHA256SUMS").read_text(encoding="ascii").splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_every_third_lens_is_faulty(night):
    *healthy, (fault,) = (
        json.loads((night / f"truth/T-000{i}.json").read_text(encoding="utf-8"))["faults"] for i in (1, 2, 3)
    )
    assert healthy == [[], []]
    assert fault["name"] in LENS_FAULTS
    assert fault["of"] == "lens"


def test_one_lens_may_have_two_faults(tmp_path):
    result = run(tmp_path, "--tickets", "1", "--f-number", "4", "--fault", "tilted_group+zoom_creep")
    assert result.exit_code == 2
    assert "is no zoom: give --plan zoom" in result.output
    result = run(tmp_path, "--tickets", "1", "--f-number", "4", "--fault", "tilted_group+haze")
    assert result.exit_code == 0, result.output
    truth = json.loads((tmp_path / "truth/T-0001.json").read_text(encoding="utf-8"))
    assert [fault["name"] for fault in truth["faults"]] == ["tilted_group", "haze"]


def test_the_stand_fits_the_frames(night):
    stand = yaml.safe_load((night / "stands/north_bench.yaml").read_text(encoding="utf-8"))
    original = yaml.safe_load(STAND.read_text(encoding="utf-8"))
    assert stand["reproducibility"] == original["reproducibility"]
    chart = night / "stands" / stand["camera"]["charts"][0]["layout"]
    pitch = yaml.safe_load(chart.read_text(encoding="utf-8"))["pitch_mm"]
    with rawpy.imread(str(next((night / "tickets/T-0001/chart").iterdir()))) as raw:
        height, width = raw.raw_image.shape
    assert (height % 24, width) == (0, height * 3 // 2)
    # the magnification stays that of a full frame of 36 mm
    assert pitch == pytest.approx(120.0 * width * 6.0 / 36_000)
    source = np.load(night / "stands" / stand["camera"]["source_map"])
    assert source.ndim == 2
    assert 0.9 < source.min() < source.max() < 1.1


def test_same_seed_same_files_with_any_number_of_workers(night, tmp_path):
    run_whole(tmp_path, "2")
    assert digest_tree(tmp_path) == digest_tree(night)


def test_half_copied_file_breaks_its_checksum_only(tmp_path):
    result = run(tmp_path, "--tickets", "1", "--f-number", "4", "--fault", "half_copied_file")
    assert result.exit_code == 0, result.output
    folder = tmp_path / "tickets/T-0001"
    wrong = [
        name
        for digest, name in (line.split("  ") for line in (folder / "SHA256SUMS").read_text().splitlines())
        if hashlib.sha256((folder / name).read_bytes()).hexdigest() != digest
    ]
    assert wrong == ["chart/0005_50mm_f4.dng"]
    with rawpy.imread(str(folder / wrong[0])) as raw:
        assert raw.raw_image[-1].max() == 0
        assert raw.other.aperture == 4


def test_the_list_of_faults_is_grouped(tmp_path):
    result = CliRunner().invoke(rehearse, ["--fault", "list"])
    assert result.exit_code == 0
    groups = {}
    for line in result.output.splitlines():
        if line and not line.startswith(" "):
            members = groups.setdefault(line.split(":")[0], {})
        elif line:
            name, meaning = line.split(maxsplit=1)
            members[name] = meaning
    assert list(groups) == [
        "of the lens", "of focusing", "of focusing, with the focus locked", "of the image's size", "at short distances",
        "of the aperture", "of the glass", "of the stabiliser", "found by hand",
        "of the shooting, not of the lens",
    ]  # fmt: skip
    assert groups["of the glass"]["fungus"] == "a patch of threads on the rear element"
    named = [name for members in groups.values() for name in members]
    assert sorted(named) == sorted(fault_names())
    assert all(meaning for members in groups.values() for meaning in members.values())
    assert list(tmp_path.iterdir()) == []


def test_shooting_faults_show_in_the_chart_shots(tmp_path):
    faults = ("none", "lamp_drift", "clipped", "shake", "tilted_chart")
    options = [part for fault in faults for part in ("--fault", fault)]
    result = run(tmp_path, "--tickets", str(len(faults)), "--f-number", "4", *options)
    assert result.exit_code == 0, result.output
    ratio, clipped, pose = {}, {}, {}
    for i, fault in enumerate(faults, start=1):
        shots = {path.parent.name: path for path in (tmp_path / f"tickets/T-000{i}").glob("*/*.dng")}
        light = {}
        for role in ("chart", "panel"):
            with rawpy.imread(str(shots[role])) as raw:
                light[role] = raw.raw_image.copy()
        ratio[fault] = np.percentile(light["chart"], 90) / np.percentile(light["panel"], 90)
        clipped[fault] = np.mean(light["chart"] == 16383)
        pose[fault] = json.loads((tmp_path / f"truth/T-000{i}.json").read_text())["pose"]["tilt_y_deg"]
    assert ratio["none"] == pytest.approx(1, abs=0.02)
    assert ratio["lamp_drift"] < 0.96
    assert clipped["clipped"] > 0.3
    assert clipped["none"] == 0
    assert pose["tilted_chart"] > 0.4 > 0.11 > abs(pose["none"])


def test_zoom_focus_series_dark_and_pictures(tmp_path):
    options = ("--tickets", "1", "--plan", "zoom", "--f-number", "8", "--focus-series", "--dark", "--ramp-shots", "0")
    result = run(tmp_path, *options, "--sensor", "mono", "--files", "png")
    assert result.exit_code == 0, result.output
    folder = tmp_path / "tickets/T-0001"
    assert len(list((folder / "focus_series").glob("*.png"))) == 3 * 7
    assert len(list((folder / "dark").glob("*.png"))) == 2
    stand = yaml.safe_load((tmp_path / "stands/north_bench.yaml").read_text(encoding="utf-8"))
    assert stand["camera"]["sensor"]["monochrome"] is True
    assert stand["camera"]["sensor"]["transfer"] == "srgb"
    notes = yaml.safe_load((folder / "ticket.yaml").read_text(encoding="utf-8"))["shots"]
    assert [note["focal_length_mm"] for note in notes] == [24, 50, 70]
    series = json.loads((tmp_path / "truth/T-0001.json").read_text())["settings"][0]["focus_series"]
    sharpness = [step["zones"]["white"]["centre"]["mean_cy_per_px"] for step in series]
    assert np.argmax(sharpness) == 3
    assert sharpness[0] < 0.9 * sharpness[3]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--fault", "tilt"), "no fault 'tilt'; there are tilted_group, decentred_element"),
        (("--tickets", "1", "--fault", "haze", "--fault", "shake"), "2 faults for 1 ticket; give one for each"),
        (("--model", "Corvane"), "no lens model 'Corvane'; there are Corvane 50 mm f/2"),
        (("--sensor", "RGBG"), "no sensor 'RGBG'; there are RGGB"),
        (("--files", "png"), "a png picture cannot contain a RGGB mosaic: give --sensor mono or rgb"),
        (("--sensor", "rgb"), "a DNG contains a mosaic: give --files tiff or png for rgb"),
    ],
)
def test_mistakes_are_refused_before_anything_is_written(tmp_path, options, message):
    result = run(tmp_path / "out", *options)
    assert result.exit_code == 2
    assert message in result.output
    assert not (tmp_path / "out").exists()


def test_a_stand_file_without_pitch_is_named(tmp_path):
    (tmp_path / "stand.yaml").write_text("stand: x\nbodies: [x]\ncamera: {charts: []}\n", encoding="utf-8")
    result = run(tmp_path / "out", "--stand", str(tmp_path / "stand.yaml"))
    assert result.exit_code == 1
    assert (
        "stand.yaml: a stand file needs stand, bodies, camera.sensor.pixel_pitch_um and camera.charts; "
        "missing: 'sensor'" in result.output
    )


def test_a_folder_with_content_is_not_changed(night):
    before = digest_tree(night)
    result = run(night, "--tickets", "1")
    assert result.exit_code == 1
    assert "is not empty: give a new folder, or remove it first" in result.output
    assert digest_tree(night) == before


@pytest.fixture
def stand_without_board(tmp_path):
    """A shop's stand of another name, with the shipped chart and no inclined board."""
    stand = yaml.safe_load(STAND.read_text(encoding="utf-8"))
    del stand["camera"]["ramps"]
    stand["stand"] = "bench"
    shutil.copytree(STAND.parent.parent, tmp_path / "shop")
    path = tmp_path / "shop/stands/stand.yaml"
    path.write_text(yaml.safe_dump(stand), encoding="utf-8")
    return path


def test_a_stand_without_an_inclined_board_gets_no_shots_of_it_and_cards_that_can_be_read(
    tmp_path, stand_without_board
):
    """The zoom's card has inputs named `off` and `on`, which YAML 1.1 takes for Booleans."""
    result = run(tmp_path / "out", "--tickets", "1", "--f-number", "4", "--stand", str(stand_without_board))
    assert result.exit_code == 0, result.output
    assert not (tmp_path / "out/tickets/T-0001/ramp").exists()
    cards = load_cards(tmp_path / "out/cards")
    assert {"Corvane 50 mm f/2", "Corvane 24-70 mm f/4"} <= set(cards)
    assert {file.card.valid_for.stand for file in cards.values()} == {"bench"}


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (("--ramp-shots", "2"), "--ramp-shots: the stand "),
        (("--locked-ramps",), "--locked-ramps: the stand "),
        (("--fault", "autofocus_offset:0.5"), "--fault: autofocus_offset:0.5 shows only on an inclined board"),
    ],
)
def test_what_needs_an_inclined_board_is_refused_without_one(tmp_path, stand_without_board, option, message):
    result = run(tmp_path / "out", "--tickets", "1", *option, "--stand", str(stand_without_board))
    assert result.exit_code == 2
    assert message in " ".join(result.output.split())
    assert "names no board under `ramps`: print one (`glasswright print ramp`) and name it" in result.output
    assert not (tmp_path / "out").exists()
