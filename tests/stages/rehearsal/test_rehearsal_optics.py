"""Transfer functions of the rehearsal against closed forms and published tables."""

import numpy as np
import pytest

from glasswright_rehearsal import Frame, Lens
from glasswright_rehearsal.optics.blur import diffract, find_blur, find_mtf50, transfer
from glasswright_rehearsal.scene.lens import Aberrations
from support.rehearsal_helpers import make_blur

RIGHT = np.array([[1.0]]), np.array([[0.0]])


def test_diffraction_is_the_overlap_of_two_circles():
    # Goodman, Introduction to Fourier Optics: (2/pi)(arccos x - x sqrt(1 - x^2))
    x = np.linspace(0, 1, 101)
    expected = 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x**2))
    assert np.abs(diffract(x, np.zeros(1)) - expected).max() < 1e-7
    assert diffract(np.array([1.3]), np.zeros(1))[0] == 0


@pytest.mark.parametrize(
    ("waves", "expected"),
    [
        (0.1, [0.9347, 0.7996, 0.6667, 0.5418, 0.4267, 0.3217, 0.2262, 0.1406, 0.0673]),
        (0.25, [0.9260, 0.7476, 0.5759, 0.4362, 0.3303, 0.2496, 0.1833, 0.1223, 0.0632]),
        (0.5, [0.8955, 0.5801, 0.3173, 0.1671, 0.0997, 0.0770, 0.0735, 0.0699, 0.0499]),
        (1.0, [0.7801, 0.1411, -0.0683, -0.0533, -0.0257, -0.0185, -0.0195, -0.0101, 0.0147]),
    ],
)
def test_defocus_against_hopkins_series(waves, expected):
    # H. H. Hopkins, Proc. R. Soc. A 231 (1955): series of Bessel functions, evaluated to four decimals elsewhere
    x = np.arange(0.05, 0.9, 0.1)
    assert diffract(x, np.array([waves])) == pytest.approx(expected, abs=6e-5)


def test_strong_defocus_tends_to_the_geometric_disc():
    # 2 J1(pi B f)/(pi B f), first zero at 1.2197 / B, B = 8 W20/lambda over the cut-off
    # (the wave form reaches it as 1 / W20: the zero lies at 0.4 % of the cut-off here)
    x = np.linspace(0.0034, 0.0043, 500)
    first_zero = x[np.argmax(diffract(x, np.array([40.0])) < 0)]
    assert first_zero * 8 * 40.0 == pytest.approx(1.2197, rel=0.006)


@pytest.mark.parametrize(
    ("f_number", "expected"),
    [
        (1.4, (0.5258, 0.5500, 0.5656)),
        (2, (0.4912, 0.5261, 0.5487)),
        (4, (0.3844, 0.4467, 0.4912)),
        (8, (0.2448, 0.3175, 0.3844)),
        (16, (0.1334, 0.1852, 0.2448)),
        (22, (0.0984, 0.1386, 0.1876)),
    ],
)
def test_mtf50_of_diffraction_and_pixel(f_number, expected):
    # closed form at 550 nm for pixels of 3.0, 4.3 and 6.0 um: (2/pi)(arccos x - x sqrt(1 - x^2)) sinc(f) = 1/2
    for pitch, value in zip((3.0, 4.3, 6.0), expected, strict=True):
        blur = make_blur(cutoff=pitch / (0.55 * f_number), variance=(0, 0, 0))
        assert find_mtf50(blur, *RIGHT)[0, 0] == pytest.approx(value, abs=1e-4)


def test_pixel_and_motion_and_gauss_in_cascade():
    # sinc(0.5) = 2/pi; sinc of motion; exp(-2 pi^2 sigma^2 f^2)
    half = np.array([0.5])
    assert transfer(make_blur(variance=(0, 0, 0)), half, *RIGHT)[0, 0, 0] == pytest.approx(2 / np.pi, abs=2e-5)
    moved = make_blur(variance=(0.25, 0, 0.0), motion_px=(1.2, 0.7))
    expected = np.exp(-2 * np.pi**2 * 0.25 * 0.25) * np.sinc(0.6) * np.sinc(0.5)
    assert transfer(moved, half, *RIGHT)[0, 0, 0] == pytest.approx(expected, rel=2e-5)


def test_sagittal_and_tangential_blur_lie_across_and_along_the_radius():
    frame = Frame(width_px=6000, height_px=4000, pitch_um=6.0)
    lens = Lens(aberrations=Aberrations(blur_um=1.0, sagittal_growth_um=1.0, tangential_growth_um=4.0))
    place = frame.centre_px + np.array([[1500.0, 2000.0]])
    blur = find_blur(lens, frame, place, "green")
    square = (1500**2 + 2000**2) / frame.half_diagonal_px**2
    along = np.array([0.6, 0.8])
    covariance = np.array([[blur.variance_xx[0], blur.variance_xy[0]], [blur.variance_xy[0], blur.variance_yy[0]]])
    assert along @ covariance @ along == pytest.approx(((1 + 4 * square) / 6) ** 2)
    across = np.array([-0.8, 0.6])
    assert across @ covariance @ across == pytest.approx(((1 + square) / 6) ** 2)


def test_a_tilted_group_defocuses_one_side_before_and_one_behind():
    frame = Frame(width_px=6000, height_px=4000, pitch_um=6.0)
    lens = Lens(f_number=2.0, aberrations=Aberrations(tilt_um=(40.0, 0.0)))
    side = np.array([[frame.half_diagonal_px / 2, 0.0]])
    waves = [find_blur(lens, frame, frame.centre_px + sign * side, "green").waves[0] for sign in (1, -1)]
    # W20 = dz / (8 N^2): 20 um at f/2
    assert waves[0] == pytest.approx(20 / (8 * 4 * 0.54)) == -waves[1]
