"""The edge kernel against external optics: closed forms, published formulas and an independent library."""

import numpy as np
import pytest
from scipy.special import ive, jv, ndtr

from glasswright_camera.edges.kernel.curved import CURVATURES, added_by_curvature
from glasswright_camera.edges.kernel.family import FREQUENCY, Wavefront, pupil_transfer
from support.edge_images import _round_pupil, draw_sheet, gaussian, mtf50_of, round_pupil, to_mosaic, trace_sheet

WAVELENGTH_UM = 0.55


def measure(transfer, radius=40.0, noise=0.001):
    sheet = draw_sheet(transfer, radius, phases=9)
    table = trace_sheet(to_mosaic(sheet.light, noise=noise, rng=np.random.default_rng(1)), sheet)
    return table.mtf50


# f-number, pixel in um, MTF50 in cycles/pixel of diffraction times a square pixel at 550 nm, from
# MTF = (2/pi) (arccos x - x sqrt(1 - x^2)) sinc(f p), x = f wavelength N (Goodman, Introduction to Fourier Optics)
CEILINGS = [(5.6, 4.3, 0.3888), (8, 3.0, 0.2448), (8, 6.0, 0.3844), (16, 4.3, 0.1852), (22, 3.0, 0.0984)]


@pytest.mark.parametrize(("f_number", "pixel_um", "mtf50"), CEILINGS)
def test_diffraction_times_pixel_has_the_textbooks_mtf50(f_number, pixel_um, mtf50):
    transfer = round_pupil(pixel_um / (WAVELENGTH_UM * f_number))
    found = measure(transfer, radius=60.0)
    assert np.abs(found.mean(axis=1) / mtf50 - 1).max() < 0.005


def test_the_pictures_follow_the_textbooks_formula():
    s, value = _round_pupil(0.0)
    x = np.clip(s / 2, 0, 1)
    assert np.abs(value - 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x**2))).max() < 1e-6


# MTF50 over cut-off for defocus W20 in wavelengths, from Hopkins's series below
DEFOCUSED = [(0.1, 0.3853), (0.25, 0.3011), (0.5, 0.1765)]


def hopkins(frequency, waves, terms=40):
    """H. H. Hopkins, Proc. R. Soc. A 231 (1955) 91: the series for a defocused round pupil; frequency over cut-off."""
    s = 2 * frequency
    a, b = 4 * np.pi * waves * s, np.arccos(s / 2)
    first = b * jv(1, a)
    for n in range(1, terms):
        first += (-1) ** (n + 1) * np.sin(2 * n * b) / (2 * n) * (jv(2 * n - 1, a) - jv(2 * n + 1, a))
    second = 0.0
    for n in range(terms):
        part = jv(2 * n, a) - jv(2 * n + 2, a)
        second += (-1) ** n * np.sin((2 * n + 1) * b) / (2 * n + 1) * part
    return 4 / (np.pi * a) * (np.cos(a * s / 2) * first - np.sin(a * s / 2) * second)


@pytest.mark.parametrize(("waves", "half"), DEFOCUSED)
def test_the_pictures_follow_hopkinss_series(waves, half):
    s, value = _round_pupil(waves)
    inside = (s > 0.05) & (s < 1.95)
    assert np.abs(value[inside] - hopkins(s[inside] / 2, waves)).max() < 1e-5
    assert hopkins(np.array(half), waves) == pytest.approx(0.5, abs=2e-4)


@pytest.mark.parametrize(("waves", "half"), DEFOCUSED)
def test_defocus_has_hopkinss_mtf50(waves, half):
    cutoff = 0.15 / half
    transfer = round_pupil(cutoff, waves)
    # the pixel takes a little more
    truth = mtf50_of(transfer, 0.0)
    assert truth < 0.15
    found = measure(transfer, radius=60.0)
    assert np.abs(found.mean(axis=1) / truth - 1).max() < 0.005


def test_the_kernels_pupils_agree_with_an_independent_library():
    # prysm: point spread by Fourier transform of a sampled pupil, transfer function by Fourier transform of that
    from prysm.coordinates import cart_to_polar, make_xy_grid
    from prysm.otf import mtf_from_psf
    from prysm.propagation import Wavefront as Propagated

    samples, padding = 256, 4
    x, y = make_xy_grid(samples, diameter=2.0)
    r, _ = cart_to_polar(x, y)
    f_number, wavelength = 8.0, 0.55
    for wavefront in (
        Wavefront(),
        Wavefront(defocus=0.4),
        Wavefront(coma=0.4),
        Wavefront(defocus=0.15, astigmatism=0.25),
    ):
        phase = wavefront.at(x, y) * wavelength * 1e3  # nm
        pupil = Propagated.from_amp_and_phase((r <= 1.0).astype(float), phase, wavelength, x[0, 1] - x[0, 0])
        focus = pupil.focus(efl=f_number * 2.0, Q=padding).intensity
        transfer = mtf_from_psf(focus, dx=focus.dx)
        middle = transfer.data.shape[0] // 2
        frequency = (np.arange(transfer.data.shape[1]) - middle) * transfer.dx
        cutoff = 1e3 / (wavelength * f_number)
        inside = (frequency > 0.02 * cutoff) & (frequency < 0.9 * cutoff)
        shear = 2 * frequency[inside] / cutoff
        along = np.abs(pupil_transfer(shear, wavefront, 0.0))
        across = np.abs(pupil_transfer(shear, wavefront, np.pi / 2))
        assert np.abs(transfer.data[middle, inside] - along).max() < 0.01
        assert np.abs(transfer.data[inside, middle] - across).max() < 0.01


def test_a_blurred_discs_radial_slope_is_the_closed_form():
    # (R / s^2) exp(-(r^2 + R^2) / 2 s^2) I1(r R / s^2): convolution of a disc with a Gaussian, differentiated
    radius, sigma = 30.0, 1.5
    sheet = draw_sheet(gaussian(sigma), radius, phases=1, pitch=5.0)
    x0, y0 = sheet.centre[0]
    row = sheet.light[round(y0)]
    x = np.arange(len(row)) - x0
    r = np.hypot(x, round(y0) - y0)
    near = (x > radius - 12) & (x < radius + 12)
    fine = np.linspace(0.0, radius + 20.0, 50001)
    slope = radius / sigma**2 * np.exp(-((fine - radius) ** 2) / (2 * sigma**2)) * ive(1, fine * radius / sigma**2)
    light = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(fine))])
    expected = 0.05 + 0.75 * np.interp(r, fine, light)
    assert np.abs(row - expected)[near].max() < 1e-5


@pytest.mark.parametrize("bend", [b for b in CURVATURES if b > 0])
def test_a_curved_edge_agrees_with_the_closed_form_of_a_gaussian_disc(bend):
    sigma, radius = 0.187391, 1 / bend
    place = np.linspace(max(-1.0, -0.9 * radius), 3.0, 101)
    gauss = np.exp(-2 * (np.pi * sigma * FREQUENCY) ** 2)
    added = added_by_curvature(radius, place, FREQUENCY, gauss[None])[:, 0]
    fine = np.linspace(0.0, radius + 4.0, 100001)
    slope = radius / sigma**2 * np.exp(-((fine - radius) ** 2) / (2 * sigma**2)) * ive(1, fine * radius / sigma**2)
    light = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(fine))])
    exact = np.interp(radius + place, fine, light) - ndtr(place / sigma)
    assert np.abs(added - exact).max() < 5e-5
    # the apparent radius moves by sigma^2 / 2R: that much of the steepest slope
    assert exact.max() == pytest.approx(sigma * bend / 2 / np.sqrt(2 * np.pi), rel=0.1 + bend)
