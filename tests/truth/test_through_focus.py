"""The curve through focus against pupils summed in the plane, independently of the stages.

Transfer of a round pupil with wavefront error W: the overlap of two copies sheared by s, times exp(2 pi i (W1 - W2))
(Hopkins 1955; Goodman, Introduction to Fourier Optics), by Gauss-Legendre over the overlap; times a Gaussian and a
square pixel. One depth of focus is 2 lambda N^2, a quarter wave at the rim.
"""

from functools import cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from glasswright_camera.sharpness.best_focus import name_coarse
from glasswright_camera.sharpness.through_focus import (
    DIFFRACTION_HALF,
    EVEN_U,
    FRAME_U,
    ODD_U,
    SHAPE_U,
    defocused_transfer,
    fit_focus_curves,
)

WAVELENGTH_UM, PITCH_UM = 0.54, 6.0
SHEAR = np.linspace(0, 2, 121)
FREQUENCY = np.linspace(0.001, 1.2, 1200)
DEPTHS = np.linspace(-8, 8, 97)


def transfer(waves, spherical):
    """(defocus, shear): W = W20 r^2 + W40 (r^4 - r^2), in wavelengths."""
    node, weight = np.polynomial.legendre.leggauss(48)
    value = np.empty((len(waves), len(SHEAR)))
    for k, s in enumerate(SHEAR):
        y = node[:, None] * np.sqrt(1 - (s / 2) ** 2)
        reach = np.sqrt(np.maximum(1 - y**2, 0)) - s / 2
        x = reach * node[None, :]
        area = weight[:, None] * np.sqrt(1 - (s / 2) ** 2) * reach * weight[None, :] / np.pi
        one, other = (x + s / 2) ** 2 + y**2, (x - s / 2) ** 2 + y**2
        rest = spherical * ((one**2 - one) - (other**2 - other))
        value[:, k] = [np.sum(area * np.cos(2 * np.pi * (w * (one - other) + rest))) for w in waves]
    return value


@cache
def blur_run(f_number, spherical, blur_um):
    """1/MTF50^2 against defocus in depths of focus, and the highest MTF50 with its place."""
    cutoff = PITCH_UM / (WAVELENGTH_UM * f_number)
    rest = np.exp(-2 * np.pi**2 * (blur_um / PITCH_UM) ** 2 * FREQUENCY**2) * np.sinc(FREQUENCY)
    found = []
    for row in transfer(DEPTHS / 4, spherical):
        whole = CubicSpline(SHEAR, row)(np.minimum(2 * FREQUENCY / cutoff, 2)) * (2 * cutoff > 2 * FREQUENCY) * rest
        k = int(np.argmax(whole < 0.5))
        found.append(FREQUENCY[k - 1] + 0.001 * (whole[k - 1] - 0.5) / (whole[k - 1] - whole[k]))
    run = CubicSpline(DEPTHS, np.array(found) ** -2.0)
    fine = np.linspace(-1.5, 1.5, 3001)
    best = int(np.argmin(run(fine)))
    return run, float(run(fine[best]) ** -0.5), float(fine[best])


def list_series(step, ends):
    """Places of the steps, in depths: 5 to 15 of them, the peak in the middle or off it."""
    for count in (5, 7, 9, 15):
        for off in (0.0, 0.3, 0.5, -0.4, 1.1):
            place = (np.arange(count) - (count - 1) / 2 - off) * step
            if np.abs(place).max() <= ends:
                yield place


def fit_all(f_number, spherical, blur_um, step, noise=1e-4, repeats=1, seed=1):
    """Fit every series; return relative errors of the peak and its stated u, errors of the place in depths and its
    u."""
    run, peak, focus = blur_run(f_number, spherical, blur_um)
    rng = np.random.default_rng(seed)
    rows = []
    for place in list_series(step, DEPTHS[-1]):
        value = run(place)[:, None] ** -0.5 * (1 + noise * rng.standard_normal((len(place), repeats)))
        steps = np.arange(len(place), dtype=np.float64)
        curves = fit_focus_curves(steps, value, noise * value, PITCH_UM / (WAVELENGTH_UM * f_number))
        moved = (curves.place - (focus - place[0]) / step) * step
        rows.append([curves.mtf50 / peak - 1, curves.mtf50_u / peak, moved, curves.place_u * step])
    return np.concatenate(np.array(rows).transpose(0, 2, 1)).T


def test_the_curve_follows_the_textbooks_diffraction():
    shear = np.linspace(0.0, 2.0, 41)
    closed = 2 / np.pi * (np.arccos(shear / 2) - shear / 2 * np.sqrt(1 - (shear / 2) ** 2))
    assert np.abs(defocused_transfer(shear, np.array(0.0)) - closed).max() < 1e-9
    assert defocused_transfer(np.array(2 * DIFFRACTION_HALF), np.array(0.0)) == pytest.approx(0.5, abs=1e-6)
    # a quarter wave of defocus: half at 0.3011 of the cut-off (Hopkins's series, as in test_edge_optics)
    assert defocused_transfer(np.array(0.6022), np.array(0.25)) == pytest.approx(0.5, abs=5e-4)


@pytest.mark.parametrize("f_number", [1.4, 2.8, 5.6, 11, 16])
@pytest.mark.parametrize(("spherical", "blur_um"), [(0.0, 1.0), (0.25, 1.5)])
def test_the_peak_is_measured_within_half_a_per_cent(f_number, spherical, blur_um):
    for step in (0.3, 0.6, 1.0):
        error, u, moved, _ = fit_all(f_number, spherical, blur_um, step)
        assert abs(error.mean()) < 0.001
        assert np.abs(error).max() < 0.005
        assert (np.abs(error) < 2 * u).all()
        assert np.abs(moved).max() < 0.05


@pytest.mark.parametrize("f_number", [2, 4, 8])
def test_steps_of_one_and_a_half_depths_are_covered(f_number):
    error, u, _, _ = fit_all(f_number, 0.25, 1.0, 1.5)
    assert abs(error.mean()) < 0.002
    assert np.mean(np.abs(error) < 2 * u) >= 0.95


@pytest.mark.parametrize("f_number", [4, 8, 11, 16])
@pytest.mark.parametrize("step", [0.6, 1.0, 1.25, 1.5])
def test_a_peak_outside_its_uncertainty_has_the_caveat_of_coarse_steps(f_number, step):
    # half a wave of spherical aberration: the worst that is taken for granted
    run, peak, _ = blur_run(f_number, 0.5, 1.0)
    named = []
    for place in list_series(step, DEPTHS[-1]):
        steps, value = np.arange(len(place), dtype=np.float64), run(place)[:, None] ** -0.5
        curves = fit_focus_curves(steps, value, 1e-4 * value, PITCH_UM / (WAVELENGTH_UM * f_number))
        named.append(bool(name_coarse(curves, 0, steps)))
        assert named[-1] or abs(curves.mtf50[0] - peak) < 2 * curves.mtf50_u[0]
    # steps of one depth of focus are never too coarse
    assert step > 1 or not any(named)


@pytest.mark.parametrize("f_number", [2, 8])
def test_stated_uncertainties_equal_the_scatter(f_number):
    # 400 lenses, each with pixel noise, frames that differ, and what aberrations may do to the curve
    run, _, _ = blur_run(f_number, 0.0, 1.0)
    cutoff = PITCH_UM / (WAVELENGTH_UM * f_number)
    place = (np.arange(9) - 4.3) * 0.7
    plain = fit_focus_curves(np.arange(9.0), run(place)[:, None] ** -0.5, np.full((9, 1), 1e-5), cutoff)
    x = (np.exp(plain.rate[0]) / 0.7 * place)[:, None]
    rng = np.random.default_rng(5)
    share = float(plain.share[0])
    odd = (ODD_U[0] + ODD_U[1] * share) * rng.standard_normal(400)
    even = (EVEN_U[0] + EVEN_U[1] * share) * rng.standard_normal(400)
    level = np.log(run(place))[:, None] + (odd * x**3 + even * x**4) / (1 + x**2)
    far = np.log(run(place) / run(place).min())[:, None]
    level = level + (SHAPE_U[0] + SHAPE_U[1] * share) * far * rng.standard_normal((9, 400))
    noise = np.hypot(0.003, FRAME_U)
    value = np.exp(-level / 2) * (1 + noise * rng.standard_normal((9, 400)))
    curves = fit_focus_curves(np.arange(9.0), value, 0.003 * value, cutoff)
    for found, stated in ((curves.mtf50, curves.mtf50_u), (curves.place, curves.place_u)):
        assert 0.8 < found.std(ddof=1) / np.sqrt(np.mean(stated**2)) < 1.25
    read, read_u = curves.read_at(4.0)
    assert 0.8 < read.std(ddof=1) / np.sqrt(np.mean(read_u**2)) < 1.25
