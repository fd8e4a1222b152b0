"""Autofocus, other sensors, file formats and focal lengths: measured as they were drawn, and decided by the cards."""

import numpy as np
import pytest

from conftest import gate, run_night
from glasswright.commands.main import run_command
from glasswright.ledger import Ledger
from support import ROOT
from support.truth_of_night import compare, read_truth

SMALL = ("--megapixels", "0.6", "--workers", "1")
MOST_PULL = 4.0
"""Error over the stated standard uncertainty, of a hundred numbers in a seed that never changes."""


def assert_truth(setting, step, zones, at_most):
    """Sharpness is within `at_most` (relative) of what was drawn, and within its stated uncertainty.

    In frames so small red and blue, with half of green's pixels, may tell no MTF50 in the corners.
    """
    for plane in zones:
        error, u = setting.sharpness_of(step, {plane: zones[plane]})
        known = np.isfinite(error)
        assert known.all() if plane in ("green", "white") else known.sum() >= 4
        assert np.abs(error[known]).max() < at_most
        assert np.abs(error[known] / np.hypot(u[known], 0.002)).max() < MOST_PULL


def limits_not_kept(ledger, number):
    """Return measure -> verdicts other than PASS."""
    with Ledger.open_for_reading(ledger) as kept:
        judgement = kept.latest_judgement(number)
    return {each.measure: str(each.verdict) for each in judgement.verdicts if each.verdict != "PASS"}


def test_sound_autofocus_keeps_its_limits_and_an_offset_holds_the_lens(whole_night, capsys):
    folder, ledger = whole_night
    assert read_truth(folder, "T-0003")["faults"][0]["name"] == "autofocus_offset"
    assert limits_not_kept(ledger, "T-0001") == {}
    assert gate(ledger, "T-0001", capsys)[0] == 0
    assert gate(ledger, "T-0003", capsys)[0] == 10
    assert limits_not_kept(ledger, "T-0003")["measure_focus_offset.green.shift_um"] == "FAIL"
    for number in ("T-0001", "T-0003"):
        (wide, *_) = compare(folder, ledger, number)
        found, (true,) = wide.results["measure_focus_offset"], wide.truth["ramp"]["shots"]
        for colour in ("red", "green", "blue"):
            measured = getattr(found, colour)
            assert measured.shift_um == pytest.approx(
                true[colour]["shift_um"], abs=MOST_PULL * measured.shift_um_u + 0.1
            )


COLOUR_LIMITS = {
    f"{stage}.{pair}_green{field}"
    for pair in ("red", "blue")
    for stage, field in (
        ("measure_fringing", ".worst_pct"),
        ("measure_fringing", ".uniform_x_px"),
        ("measure_fringing", ".uniform_y_px"),
        ("measure_fringing", ".corner_radial_pct"),
        ("measure_focus_offset", "_um"),
    )
}
"""What the card asks of red and blue."""


@pytest.fixture(scope="module")
def grey_night(tmp_path_factory):
    """A healthy lens on a body without colour filters, at all that its card asks for: folder, ledger.

    The frames are large enough for discs that would show a wide halo; smaller ones get the caveat `halo_unseen`.
    """
    folder = tmp_path_factory.mktemp("grey") / "night"
    rehearsal = ("--tickets", "1", "--seed", "43", "--fault", "none", "--sensor", "mono")
    return folder, run_night(folder, "--megapixels", "2", *rehearsal, serial=True)


def test_a_lens_on_a_monochrome_body_is_released_and_colours_are_not_applicable(grey_night, capsys):
    folder, ledger = grey_night
    code, reasons = gate(ledger, "T-0001", capsys)
    assert code == 0, reasons
    assert limits_not_kept(ledger, "T-0001") == dict.fromkeys(COLOUR_LIMITS, "NOT APPLICABLE")
    assert run_command(["gate", "T-0001", "--ledger", str(ledger)]) == 0
    printed = capsys.readouterr().out
    assert "not applicable, because the stand file says `monochrome: true`" in printed
    assert run_command(["pages", "--ledger", str(ledger), "--out", str(folder / "pages")]) == 0
    page = next(path for path in (folder / "pages").rglob("*T-0001*.html")).read_text()
    assert "NOT APPLICABLE" in page
    capsys.readouterr()
    files = ["--stand", str(folder / "stands/north_bench.yaml"), "--tickets", str(folder / "tickets")]
    plan = str(ROOT / "configs/plans/fixed_focal.yaml")
    assert run_command(["check", plan, *files, "--cards", str(ROOT / "configs/cards"), "-v"]) == 0
    printed = capsys.readouterr().out.splitlines()
    lines = [line for line in printed if ": not applicable, because: the stand file says" in line]
    assert {line.split(" at ")[0].strip() for line in lines} == COLOUR_LIMITS


def test_a_lens_on_a_monochrome_body_is_measured_as_drawn(grey_night):
    settings = compare(*grey_night, "T-0001")
    assert len(settings) == 3
    for setting in settings:
        assert_truth(setting, "measure_mtf50", setting.truth["zones"], 0.02)


@pytest.mark.parametrize(
    ("sensor", "files", "plan"),
    [("rgb", "tiff", "fixed"), ("rgb", "png", "fixed"), ("RGGB", "dng", "zoom")],
)
def test_other_sensors_formats_and_focal_lengths_are_measured_as_drawn(tmp_path, sensor, files, plan):
    rehearsal = ("--tickets", "1", "--seed", "47", "--f-number", "4", "--ramp-shots", "0", "--fault", "none")
    rehearsal += ("--plan", plan, "--shaken-shots", "0", "--sensor", sensor, "--files", files)
    name = "zoom" if plan == "zoom" else "fixed_focal"
    ledger = run_night(tmp_path, *SMALL, *rehearsal, plan=name, serial=True)
    settings = compare(tmp_path, ledger, "T-0001")
    assert len(settings) == (3 if plan == "zoom" else 1)
    for setting in settings:
        assert_truth(setting, "measure_mtf50", setting.truth["zones"], 0.03)
        assert np.abs(setting.vignetting_errors()).max() < 0.02
        assert np.abs(setting.fringing_errors()).max() < 0.05
