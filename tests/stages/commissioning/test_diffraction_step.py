"""Stopped down, a good lens reaches the diffraction limit; a higher MTF50 is a finding about the stand."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.optimize import brentq

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera.commissioning.diffraction_step import commission_diffraction
from glasswright_camera.stand import Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.diffraction_shots import write_diffraction_shots

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)
GREEN_UM, PITCH_UM = 0.54, 6.0


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("diffraction")
    bench = open_bench(STAND_FILE, folder, 1.5, seed=3)
    write_diffraction_shots(bench, (11.0,))
    stand, _ = check(scan_yaml(folder / "stands" / STAND_FILE.name), Stand, "camera")
    return folder / "diffraction", stand


def find_mtf50(f_number, blur_um):
    """Read MTF50 off the formulas: a perfect lens (Goodman, Introduction to Fourier Optics), Gaussian blur, pixel."""

    def above_half(frequency):
        part = frequency * GREEN_UM * f_number / PITCH_UM
        lens = 2 / np.pi * (np.arccos(part) - part * np.sqrt(1 - part**2))
        blur = np.exp(-2 * (np.pi * blur_um / PITCH_UM * frequency) ** 2)
        return lens * blur * np.sinc(frequency) - 0.5

    return brentq(above_half, 1e-6, 0.6)


def test_a_good_lens_at_f11_is_as_sharp_as_diffraction(shot):
    folder, stand = shot
    finding = commission_diffraction(folder, stand, TODAY).findings[0]
    assert finding.name == "middle_f11_ratio"
    truth = json.loads((folder.parent / "truth" / "diffraction.json").read_text())
    # the rehearsed lens's diffraction is of the f-number itself, the step divides by that of the working one
    true = find_mtf50(11.0, truth["blur_um"]) / find_mtf50(11.0 * (1 + truth["magnification_frac"]), 0.0)
    assert abs(finding.value - true) <= 2 * finding.u
    assert not finding.is_wide


def test_mtf50_above_the_diffraction_limit_is_noted(shot):
    folder, stand = shot
    # a pixel pitch that is wrong by a third makes the same picture impossible
    wrong = replace(stand, sensor=replace(stand.sensor, pixel_pitch_um=3.5))
    notes = commission_diffraction(folder, wrong, TODAY).notes
    assert any("the limit by diffraction and pixel" in note for note in notes)
    assert not any("the limit by" in note for note in commission_diffraction(folder, stand, TODAY).notes)


def test_missing_shots_are_reported(tmp_path, shot):
    (tmp_path / "chart").mkdir()
    with pytest.raises(Unmeasurable, match="there are no shots in"):
        commission_diffraction(tmp_path, shot[1], TODAY)
