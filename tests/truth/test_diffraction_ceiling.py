"""The ceiling by diffraction and pixel against independently computed values."""

import numpy as np
import pytest

from glasswright_camera.sharpness.ceiling import PIXEL_HALF_CY_PER_PX, diffraction_transfer, find_ceiling

# The closed form of a perfect lens with a circular pupil (Goodman, Introduction to Fourier Optics, incoherent transfer
# function; the same in SPIE Tutorial Text TT52) at light of 0.55 um, times sinc for the pixel, solved for one half with
# another program; rounded to four decimals.
NUMBERS = (1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22)
MTF50_CY_PER_PX = {
    3.0: (0.5258, 0.4912, 0.4462, 0.3844, 0.3169, 0.2448, 0.1876, 0.1334, 0.0984),
    4.3: (0.5500, 0.5261, 0.4939, 0.4467, 0.3888, 0.3175, 0.2529, 0.1852, 0.1386),
    6.0: (0.5656, 0.5487, 0.5258, 0.4912, 0.4462, 0.3844, 0.3206, 0.2448, 0.1876),
}
MTF50_WITHOUT_PIXEL_LP_PER_MM = (524.6, 367.2, 262.3, 183.6, 131.2, 91.8, 66.8, 45.9, 33.4)
TRANSFER = (0.8729, 0.7471, 0.6238, 0.5046, 0.3910, 0.2848, 0.1881, 0.1041, 0.0374)


@pytest.mark.parametrize("pitch_um", MTF50_CY_PER_PX)
def test_the_ceiling_at_green_light(pitch_um):
    found = [find_ceiling(number, 0.55, pitch_um) for number in NUMBERS]
    assert found == pytest.approx(MTF50_CY_PER_PX[pitch_um], abs=5.1e-5)


def test_with_a_small_pixel_the_ceiling_is_that_of_diffraction():
    pitch_um = 0.01
    found = [1000 * find_ceiling(number, 0.55, pitch_um) / pitch_um for number in NUMBERS]
    assert found == pytest.approx(MTF50_WITHOUT_PIXEL_LP_PER_MM, abs=0.051)


def test_the_transfer_of_a_perfect_lens():
    shares = [k / 10 for k in range(1, 10)]
    assert [diffraction_transfer(share) for share in shares] == pytest.approx(TRANSFER, abs=5.1e-5)
    assert diffraction_transfer(0.40397) == pytest.approx(0.5, abs=1e-5)
    assert [diffraction_transfer(share) for share in (1.0, 1.5)] == [0, 0]


def test_at_zero_wavelength_the_ceiling_is_that_of_the_pixel():
    assert find_ceiling(1.0, 1e-9, 6.0) == pytest.approx(0.60335, abs=1e-5)  # where sinc is one half
    assert np.sinc(PIXEL_HALF_CY_PER_PX) == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize(("number", "wavelength_um", "pitch_um"), [(2, 0.46, 6.0), (8, 0.61, 4.3), (22, 0.55, 3.0)])
def test_the_ceiling_against_a_library_of_optics(number, wavelength_um, pitch_um):
    from prysm.otf import diffraction_limited_mtf

    frequency = np.linspace(0, 0.65, 65_001)
    lens = diffraction_limited_mtf(number, wavelength_um, frequency * 1000 / pitch_um)
    below = np.flatnonzero(lens * np.sinc(frequency) < 0.5)[0]
    assert find_ceiling(number, wavelength_um, pitch_um) == pytest.approx(frequency[below], abs=2e-5)
