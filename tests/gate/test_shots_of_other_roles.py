"""A shot in a wrong folder releases nothing: a chart for a flat, a flat for a chart, a street.

The frames are rehearsed and small; the plan has only the necessary steps.
"""

import json
import re
import shutil

import numpy as np
import pytest
import tifffile

from glasswright.commands.main import run_command

PLAN = """\
plan: short
stages:
  decode_flat: {stage: camera.decode_raw, inputs: {shot: role.flat, stand: stand.camera}}
  reduce_flat: {stage: camera.reduce_flat, inputs: {mosaic: decode_flat}}
  combine_flats: {stage: camera.combine_flats, inputs: {shots: reduce_flat, stand: stand.camera}, per: setting}
  measure_vignetting: {stage: camera.measure_vignetting, inputs: {flat: combine_flats, stand: stand.camera}}
  decode_chart: {stage: camera.decode_raw, inputs: {shot: role.chart, stand: stand.camera}}
  locate_chart: {stage: camera.locate_chart, inputs: {mosaic: decode_chart, stand: stand.camera}}
"""
CARD = """\
card: "Corvane 50 mm f/2"
valid_for: {stand: north-bench, body: Ostrel D7}
rule: simple
limits:
  - {measure: measure_vignetting.worst_corner_loss_ev, max: 2}
  - {measure: locate_chart.disc_count, min: 100}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Frames of a healthy lens, plan and card, without a list of checksums that would reveal a moved file."""
    folder = tmp_path_factory.mktemp("roles") / "night"
    words = ["--tickets", "1", "--megapixels", "1", "--f-number", "4", "--fault", "none", "--shots-per-setting", "2"]
    assert run_command(["rehearse", str(folder), *words, "--seed", "5", "--workers", "1"]) == 0
    (folder / "tickets/T-0001/SHA256SUMS").unlink()
    (folder / "plan.yaml").write_text(PLAN)
    (folder / "limits").mkdir()
    (folder / "limits/card.yaml").write_text(
        CARD.replace("max: 2}", "max: 2, accept: [unverified_copy]}").replace(
            "min: 100}", "min: 100, accept: [unverified_copy]}"
        )
    )
    adopt = ["adopt", str(folder / "plan.yaml"), "Corvane 50 mm f/2", "--cards", str(folder / "limits")]
    assert run_command([*adopt, "--by", "K. Moreau", "--why", "a short plan"]) == 0
    return folder


def gate(night, folder, capsys, change=None):
    """Change a copy of the ticket, measure it, and return the gate's exit code and the shots to repeat or move."""
    shutil.copytree(night, folder)
    ticket = folder / "tickets/T-0001"
    if change is not None:
        change(ticket)
    by = ["--stand", str(next((folder / "stands").iterdir())), "--cards", str(folder / "limits"), "--serial", "--json"]
    ledger = ["--ledger", str(folder / "bench.ledger")]
    capsys.readouterr()
    run_command(["run", str(folder / "plan.yaml"), "--tickets", str(folder / "tickets"), *ledger, *by])
    (report,) = json.loads(capsys.readouterr().out)["tickets"]
    code = run_command(["gate", "T-0001", *ledger])
    return code, {each["what"]: each["reason"] for each in report["reshoot"]}


def move(source, role):
    def change(ticket):
        shutil.rmtree(ticket / role)
        shutil.copytree(ticket / source, ticket / role)
        shutil.rmtree(ticket / source)

    return change


def add(source, role):
    return lambda ticket: shutil.copy(min((ticket / source).iterdir()), ticket / role / "0000_50mm_f4.dng")


def swap(ticket):
    (ticket / "flat").rename(ticket / "aside")
    (ticket / "chart").rename(ticket / "flat")
    (ticket / "aside").rename(ticket / "chart")


def shoot_street(role):
    """Put walls, windows and sky into the frames of a role."""

    def change(ticket):
        generator = np.random.default_rng(7)
        for path in (ticket / role).iterdir():
            with tifffile.TiffFile(path) as file:
                page = file.pages[0]
                place, shape = page.dataoffsets[0], page.shape
            picture = np.full(shape, 3000.0)
            for _ in range(300):
                y, x = (int(generator.integers(size)) for size in shape)
                height, width = (int(each) for each in generator.integers(8, 200, 2))
                picture[y : y + height, x : x + width] = generator.uniform(700, 9000)
            picture += generator.normal(0, 30, shape)
            data = bytearray(path.read_bytes())
            data[place : place + 2 * picture.size] = picture.astype("<u2").tobytes()
            path.write_bytes(data)

    return change


def test_the_sound_ticket_is_released(night, tmp_path, capsys):
    assert gate(night, tmp_path / "night", capsys) == (0, {})


@pytest.mark.parametrize(
    ("change", "reason_pattern"),
    [
        (move("chart", "flat"), r"not an even field, .* It looks like a lattice of discs: move it to `chart/`"),
        (add("chart", "flat"), r"not an even field, .* It looks like a lattice of discs: move it to `chart/`"),
        (swap, r"not an even field, .* It looks like a lattice of discs: move it to `chart/`"),
        (move("flat", "chart"), r"it looks like an even field: move it to `flat/` or `panel/`"),
        (add("flat", "chart"), r"it looks like an even field: move it to `flat/` or `panel/`"),
        (
            shoot_street("flat"),
            r"not an even field, .* It looks like a picture of something with detail: it fits no role",
        ),
        (shoot_street("chart"), r""),
    ],
    ids=[
        "charts for flats",
        "chart among flats",
        "swapped",
        "flats for charts",
        "flat among charts",
        "street",
        "street ",
    ],
)
def test_a_shot_of_another_role_is_not_measured(night, tmp_path, capsys, change, reason_pattern):
    code, again = gate(night, tmp_path / "night", capsys, change)
    assert code == 12
    assert any(re.search(reason_pattern, reason) for reason in again.values()), again
