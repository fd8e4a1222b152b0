"""A shop's first files, and tickets made from a folder of raw files, with rehearsed frames."""

import hashlib
import json
import shutil
from pathlib import Path

import pytest
import yaml

from glasswright.commands.main import run_command
from glasswright_camera.shop.first_files import slug
from glasswright_camera.shop.looking import find_named_roles
from glasswright_camera.shop.new_ticket import next_number

LENS = "Corvane 50 mm f/2"


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    """A rehearsed ticket, and its frames in one folder under neutral names."""
    folder = tmp_path_factory.mktemp("shop")
    options = ["--tickets", "1", "--megapixels", "1", "--seed", "5", "--fault", "none", "--f-number", "4", "--dark"]
    assert run_command(["rehearse", str(folder / "night"), *options, "--black-spot"]) == 0
    ticket = folder / "night/tickets/T-0001"
    (folder / "raws").mkdir()
    role_of = {}
    for number, path in enumerate(sorted(ticket.glob("*/*.dng"), key=lambda path: path.name)):
        if path.parent.name not in ("panel", "ramp"):
            role_of[f"IMG_{number:04d}.dng"] = path.parent.name
            shutil.copy(path, folder / "raws" / f"IMG_{number:04d}.dng")
    return folder, role_of


def set_up(rehearsed, tmp_path, *more):
    folder, _ = rehearsed
    chart = folder / "night/charts/lattice_13x9.yaml"
    words = ["setup", str(tmp_path / "shop"), "--lens", LENS, "--by", "A. Meyer", "--raw", str(folder / "raws")]
    return run_command([*words, "--pixel-pitch-um", "6", "--chart", str(chart), *more])


def test_setup_and_ticket_make_a_ticket_that_can_meet_all_limits(rehearsed, tmp_path, capsys):
    folder, role_of = rehearsed
    shop = tmp_path / "shop"
    assert set_up(rehearsed, tmp_path) == 0
    stand = yaml.safe_load((shop / "stand.yaml").read_text())
    assert stand["bodies"] == ["Ostrel D7"]
    assert stand["camera"]["sensor"] == {"pixel_pitch_um": 6, "frame_px": [1224, 816]}
    assert "# camera model as in EXIF" in (shop / "stand.yaml").read_text()
    assert run_command(["ticket", str(folder / "raws"), "--stand", str(shop / "stand.yaml"), "--yes"]) == 0
    ticket = shop / "tickets/T-0001"
    assert {path.name: path.parent.name for path in ticket.glob("*/*")} == role_of
    written = yaml.safe_load((ticket / "ticket.yaml").read_text())
    assert written["lens"]["model"] == LENS
    assert written["lens"]["serial"].startswith("C50-")
    sums = dict(line.split("  ")[::-1] for line in (ticket / "SHA256SUMS").read_text().splitlines())
    assert sums == {
        path.relative_to(ticket).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in ticket.glob("*/*")
    }
    assert len(list((folder / "raws").iterdir())) == len(role_of), "copied, not moved"
    capsys.readouterr()
    files = ["--stand", str(shop / "stand.yaml"), "--cards", str(shop / "cards"), "--tickets", str(shop / "tickets")]
    code = run_command(["check", str(shop / "plan.yaml"), *files, "--json"])
    report = json.loads(capsys.readouterr().out)
    assert code == 0, report
    assert {limit["outlook"] for limit in report["foreseen"][0]["limits"]} == {"can be met"}


def test_nothing_is_written_without_a_yes(rehearsed, tmp_path, capsys, monkeypatch):
    assert set_up(rehearsed, tmp_path) == 0
    monkeypatch.setattr("click.confirm", lambda *_args, **_options: False)
    stand = tmp_path / "shop/stand.yaml"
    assert run_command(["ticket", str(rehearsed[0] / "raws"), "--stand", str(stand)]) == 2
    assert "nothing was written" in capsys.readouterr().out
    assert list((tmp_path / "shop/tickets").iterdir()) == []


def test_missing_items_are_named_at_once(tmp_path, capsys):
    words = ["setup", str(tmp_path / "shop"), "--lens", LENS, "--by", "A. Meyer"]
    assert run_command(words) == 2
    captured = capsys.readouterr().err
    assert "--raw or --body (which body the stand has)" in captured
    assert "--pixel-pitch-um (sensor width in mm x 1000 / pixels across)" in captured
    assert not (tmp_path / "shop").exists()


def test_a_frame_of_an_unknown_subject_is_left_out_and_named(rehearsed, tmp_path, capsys):
    import numpy as np
    import tifffile

    assert set_up(rehearsed, tmp_path) == 0
    raws = tmp_path / "raws"
    raws.mkdir()
    (raws / "notes.cr2").write_bytes(b"no raw file")
    noise = np.random.default_rng(1).integers(2000, 60000, (200, 300), dtype=np.uint16)
    tifffile.imwrite(raws / "street.tif", np.kron(noise[:25, :38], np.ones((8, 8), np.uint16)))
    capsys.readouterr()
    assert run_command(["ticket", str(raws), "--stand", str(tmp_path / "shop/stand.yaml"), "--yes"]) == 2
    captured = capsys.readouterr()
    assert "left out: 2" in captured.out
    assert "notes.cr2: " in captured.out
    assert "none of the files fits a role of the bench: nothing was written" in captured.err
    assert list((tmp_path / "shop/tickets").iterdir()) == []


def test_a_folder_that_holds_something_is_not_written_into(rehearsed, tmp_path, capsys):
    assert set_up(rehearsed, tmp_path) == 0
    assert set_up(rehearsed, tmp_path) == 2
    assert "is not empty: name a new folder" in capsys.readouterr().err


def test_names_of_folders_and_files_give_roles():
    assert find_named_roles(Path("focus series/0001.dng")) == ["focus_series"]
    assert find_named_roles(Path("x/panel_3.dng")) == ["panel"]
    assert find_named_roles(Path("x/0001.dng")) == []


def test_numbering_continues(tmp_path):
    assert next_number(tmp_path) == "T-0001"
    for name in ("T-0009", "T-0412", "notes"):
        (tmp_path / name).mkdir()
    assert next_number(tmp_path) == "T-0413"


def test_a_card_is_named_after_its_lens():
    assert slug("Corvane 24-70 mm f/4") == "corvane_24_70_mm_f_4"
