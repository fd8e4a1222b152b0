"""Autofocus, other sensors, file formats and focal lengths: measured as they were drawn, and decided by the cards."""

import numpy as np
import pytest

from conftest import gate, run_night
from glasswright.commands.main import run_command
from glasswright.ledger import Ledger
from glasswright_camera.stabiliser.stage import SHAPE_U
from support import ROOT
from support.truth_of_night import compare, read_truth, ticket_results

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


KINDS = {
    "tiff": ("--sensor", "rgb", "--files", "tiff", "--ramp-shots", "5"),
    "png": ("--sensor", "rgb", "--files", "png", "--ramp-shots", "0"),
    "xtrans": ("--sensor", "xtrans", "--plan", "zoom", "--shaken-shots", "1", "--ramp-shots", "0"),
}
"""Night -> its sensor and files; autofocus is on the first, focal lengths and the stabiliser are on the last."""


@pytest.fixture(scope="module", params=KINDS)
def other_night(request, tmp_path_factory):
    """A healthy lens at f/4 in small frames of another kind: kind, folder, ledger."""
    folder = tmp_path_factory.mktemp(request.param) / "night"
    rehearsal = ("--tickets", "1", "--seed", "47", "--f-number", "4", "--fault", "none", *KINDS[request.param])
    plan = "zoom" if request.param == "xtrans" else "fixed_focal"
    return request.param, folder, run_night(folder, *SMALL, *rehearsal, plan=plan, serial=True)


def test_other_sensors_formats_and_focal_lengths_are_measured_as_drawn(other_night):
    kind, folder, ledger = other_night
    settings = compare(folder, ledger, "T-0001")
    assert len(settings) == (3 if kind == "xtrans" else 1)
    for setting in settings:
        assert_truth(setting, "measure_mtf50", setting.truth["zones"], 0.03)
        assert np.abs(setting.vignetting_errors()).max() < 0.02
        assert np.abs(setting.fringing_errors()).max() < 0.05
        assert np.abs(setting.distortion_errors()).max() < 0.05
    if kind == "tiff":
        check_autofocus(settings[0])
    if kind == "xtrans":
        check_stabiliser(settings[-1], ticket_results(ledger, "T-0001")["measure_stabiliser"])


def check_autofocus(setting):
    """Five shots, focused anew before each: bias and scatter are as drawn within a tenth of the scatter."""
    found, shots = setting.results["measure_autofocus"], setting.truth["ramp"]["shots"]
    true = np.array([shot["green"]["offset_mm"] for shot in shots])
    assert found.shot_count == len(true) == 5
    # the scatter is that of the population: the sample's, corrected for the bias of a small one (c4 of 5 shots, 0.940)
    scatter = true.std(ddof=1) / 0.940
    assert found.scatter_mm == pytest.approx(scatter, rel=0.1)
    assert found.bias_mm == pytest.approx(true.mean(), abs=0.1 * scatter)


def check_stabiliser(setting, found):
    """One shot at each of four exposure times, off and on: the movements and the benefit are as drawn."""
    true, ratio = setting.truth["shaking"], []
    for side, shaken in (("shake_off", found.off), ("shake_on", found.on)):
        drawn = sorted(
            (each for each in true["shots"] if each["role"] == side), key=lambda each: each["exposure_time_s"]
        )
        assert shaken.exposure_time_s == pytest.approx([each["exposure_time_s"] for each in drawn], rel=1e-3)
        ratio += [
            measured / each["motion_um"]
            for measured, each in zip(shaken.motion_um, drawn, strict=True)
            if each["motion_um"] > 6.0  # a pixel; less hardly shows beside the lens's own blur
        ]
    assert len(ratio) >= 6
    assert np.log(ratio) == pytest.approx(0, abs=0.05)
    assert np.mean(np.log(ratio)) == pytest.approx(0, abs=SHAPE_U)
    assert found.benefit_stops == pytest.approx(true["benefit_stops"], abs=3 * found.benefit_stops_u)
    assert found.benefit_low_stops < true["benefit_stops"] < found.benefit_high_stops
