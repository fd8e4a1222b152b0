"""Focus shift by spherical aberration, against the wave optics of a round pupil."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from glasswright_camera.focus.locked import CRITERION, CRITERION_U, measure_focus_shift
from support.ramp_shots import make_ramp_trace

WAVELENGTH_UM = 0.54
SIZE, RIM = 192, 24.0


def find_half(spherical_waves, defocus_waves, blur=0.0):
    """Return the frequency, over the cut-off, at which the transfer function of a round pupil is one half.

    `blur` is the standard deviation of a Gaussian of pixel and other aberrations, over 1 / cut-off. The pupil's
    transfer function is the autocorrelation of the pupil function, by the fast Fourier transform (Goodman, Introduction
    to Fourier Optics); spherical aberration W040 and defocus W020 are in wavelengths at the rim.
    """
    at = np.arange(SIZE) - SIZE / 2
    square = (at[:, None] ** 2 + at[None, :] ** 2) / RIM**2
    wave = spherical_waves * square**2 + defocus_waves * square
    pupil = np.where(square <= 1, np.exp(2j * np.pi * wave), 0)
    spread = np.abs(np.fft.fft2(pupil)) ** 2
    transfer = np.abs(np.fft.ifft2(spread))
    along = transfer[0, : int(2 * RIM)] / transfer[0, 0]
    along *= np.exp(-2 * (np.pi * blur * np.arange(len(along)) / (2 * RIM)) ** 2)
    first = int(np.argmax(along < 0.5))
    share = (along[first - 1] - 0.5) / (along[first - 1] - along[first])
    return (first - 1 + share) / (2 * RIM)


def find_best(spherical_waves, blur=0.0):
    """Return the defocus W020 at which MTF50 is highest."""
    ends = sorted((-0.6 * spherical_waves, -1.8 * spherical_waves))
    found = minimize_scalar(lambda w: -find_half(spherical_waves, w, blur), bounds=ends, method="bounded")
    return float(found.x)


@pytest.mark.parametrize("waves", [0.2, 0.8, 1.5])
@pytest.mark.parametrize("blur", [0.0, 1.0, 3.0])
def test_best_focus_lies_where_the_stated_uncertainty_covers_it(waves, blur):
    # 0.89 of W040 where diffraction limits MTF50, up to 4/3 (the smallest geometric spot) where pixel and blur do
    ratio = -find_best(waves, blur) / waves
    assert 0.88 < ratio < 1.35
    assert abs(ratio - CRITERION) < 2 * CRITERION_U


@pytest.mark.parametrize("waves", [1.2, -0.8])
def test_the_spherical_aberration_follows_from_the_shift_of_focus(waves):
    # image distance from the paraxial focus: 8 N^2 W020; W040 falls with the fourth power of the aperture. Marginal
    # rays of an undercorrected lens (W040 positive) are focused nearer to the lens: W020 is negative
    numbers = (2.0, 2.8, 4.0)
    places = [8 * n**2 * WAVELENGTH_UM * find_best(waves * (2 / n) ** 4, 2.0 * 2 / n) for n in numbers]
    traces = tuple(
        make_ramp_trace(place, f_number=n, shot=f"ramp_locked/{n}") for place, n in zip(places, numbers, strict=True)
    )
    found = measure_focus_shift(traces)
    assert found.spherical_um == pytest.approx(waves * WAVELENGTH_UM, abs=2 * found.spherical_um_u)
    assert np.sign(found.focus_shift_um) == np.sign(waves)
    assert found.spherical_um_u < 0.15 * abs(found.spherical_um)
