"""Results compared with the rehearsal's true values, on full-size frames at base noise."""

import numpy as np
import pytest

from support.truth_of_night import compare


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
