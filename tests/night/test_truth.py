"""Results compared with the rehearsal's true values: on full-size frames at base noise, and of faulty lenses."""

import numpy as np
import pytest

from support.truth_of_night import compare, read_truth


@pytest.fixture(scope="module")
def compared(full_size_night):
    folder, ledger = full_size_night
    (setting,) = compare(folder, ledger, "T-0001")
    return setting


def test_sharpness_is_within_two_percent(compared):
    assert np.abs(compared.sharpness_errors()).max() < 0.02


def test_disc_centres_are_within_a_fiftieth_of_a_pixel(compared):
    assert np.sqrt((compared.centre_errors() ** 2).mean()) < 0.02


def test_fringing_is_within_three_hundredths_of_a_pixel(compared):
    assert np.abs(compared.fringing_errors()).max() < 0.03


def test_bent_lines_are_within_a_fiftieth_of_a_percent(compared):
    assert np.abs(compared.distortion_errors()).max() < 0.02


def test_corner_losses_are_within_a_hundredth_ev(compared):
    assert np.abs(compared.vignetting_errors()).max() < 0.01


OF_THE_SHOOTING = {"shake", "lamp_drift", "tilted_chart"}
"""Faults that are no part of the lens's truth."""


@pytest.fixture(scope="module")
def scored_settings(faulty_night, whole_night):
    """Every setting of the scored lenses, in frames of 2 megapixels, beside its truth: fault -> settings."""
    found = {}
    for folder, ledger in (faulty_night, whole_night):
        for path in sorted((folder / "truth").glob("T-*.json")):
            fault = "+".join(each["name"] for each in read_truth(folder, path.stem)["faults"])
            if not OF_THE_SHOOTING & set(fault.split("+")):
                found.setdefault(fault, []).extend(compare(folder, ledger, path.stem))
    return found


def test_the_scored_lenses_have_all_faults_of_a_lens(scored_settings):
    assert {"", "tilted_group", "decentred_element", "curved_field", "haze", "wrong_spacing"} <= set(scored_settings)


def test_sharpness_of_faulty_lenses_is_as_drawn_within_its_uncertainty(scored_settings):
    """Without haze, whose error is stated among the known limits in `stages/DECISIONS.md`."""
    assert any("haze" in fault for fault in scored_settings)
    for fault, settings in scored_settings.items():
        if "haze" in fault:
            continue
        for setting in settings:
            error, u = setting.sharpness_of("measure_mtf50", setting.truth["zones"])
            seen = np.isfinite(error)
            assert seen.mean() > 0.9, (fault, setting.truth["f_number"])
            assert np.abs(error[seen] / np.hypot(u[seen], 0.002)).max() < 4, (fault, setting.truth["f_number"])
            assert np.abs(error[seen]).max() < 0.03, (fault, setting.truth["f_number"])


def test_light_colour_and_lines_of_faulty_lenses_are_as_drawn(scored_settings):
    for fault, settings in scored_settings.items():
        for setting in settings:
            at = fault, setting.truth["f_number"]
            assert np.abs(setting.vignetting_errors()).max() < 0.02, at
            assert np.abs(setting.fringing_errors()).max() < 0.05, at
            assert np.abs(setting.distortion_errors()).max() < 0.03, at
