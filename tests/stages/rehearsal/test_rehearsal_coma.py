"""Coma: the rehearsal's complex transfer function against closed forms, and its effect on edges."""

import numpy as np
import pytest

from glasswright_rehearsal.optics.blur import diffract, find_mtf50, transfer
from glasswright_rehearsal.optics.coma import LEAST_WAVES, transfer_comatic
from support.fast_drawing import OFFSET, ROUND, draw_fast
from support.rehearsal_helpers import make_blur


def transfer_along(waves, coma, angles, frequency):
    return transfer_comatic(frequency, np.array([waves]), coma, np.cos(np.array([angles])))[0]


def test_strehl_ratio_follows_the_wavefront_variance():
    # V. N. Mahajan, J. Opt. Soc. Am. 73 (1983): exp(-(2 pi sigma)^2), sigma^2 = W31^2 / 72 once its tilt is balanced;
    # M. Born and E. Wolf, Principles of Optics, 9.3: 0.8 at about 0.6 wavelengths (clause from memory).
    # The light at a point is the transfer function's volume.
    frequency, angles = np.linspace(0, 1, 201), np.linspace(0, np.pi, 49)
    flat = np.trapezoid(diffract(frequency, np.zeros(1)) * frequency, frequency)
    for coma in (0.2, 0.4, 0.6):
        real = transfer_along(0.0, coma, angles, frequency).real
        light = np.trapezoid(np.trapezoid(real * frequency, frequency, axis=-1), angles) / np.pi / flat
        assert light == pytest.approx(np.exp(-((2 * np.pi * coma) ** 2) / 72), abs=2e-3)


def test_centroid_lies_two_thirds_of_the_coma_along_the_axis():
    # rays land at 2 N dW/dx; the mean of d/dx W31 (r^2 - 2/3) x over the pupil is W31 / 3. In units of 1/cut-off,
    # which is lambda N, that is 2 W31 / 3 for W31 in wavelengths
    frequency = np.array([1e-3])
    for coma, angle in ((0.6, 0.0), (1.2, 0.8), (0.6, np.pi)):
        phase = np.angle(transfer_along(0.2, coma, [angle], frequency)[0, 0])
        assert -phase / (2 * np.pi * frequency[0]) == pytest.approx(2 * coma / 3 * np.cos(angle), rel=0.02)


def test_without_coma_it_is_the_round_pupil():
    frequency = np.linspace(0, 1.2, 49)
    given = transfer_along(0.7, 1e-9, [0.3, 2.0], frequency)
    assert np.abs(given - diffract(frequency, np.array([0.7]))).max() < 3e-6


def test_sides_mirror():
    frequency = np.linspace(0, 1, 31)
    one, other = transfer_along(0.3, 0.9, [0.4, np.pi - 0.4], frequency)
    assert np.abs(one - other.conj()).max() < 1e-9


def test_ignored_coma_has_no_relevant_effect():
    right = np.array([[1.0]]), np.array([[0.0]])
    with_it = find_mtf50(make_blur(1.39, 0.1, (0.0, 0.0, 0.0), coma_waves=LEAST_WAVES), *right)
    assert with_it / find_mtf50(make_blur(1.39, 0.1, (0.0, 0.0, 0.0)), *right) == pytest.approx(1, abs=4e-4)


def test_mtf50_is_read_from_the_modulus():
    blur = make_blur(2.78, 0.2, (0.05, 0.0, 0.05), coma_waves=0.8, coma_deg=30)
    cos, sin = np.array([[1.0, 0.5]]), np.array([[0.0, np.sqrt(0.75)]])
    found = find_mtf50(blur, cos, sin)[0]
    for k in range(2):
        value = transfer(blur, found[k : k + 1], cos[:, k : k + 1], sin[:, k : k + 1])[0, 0, 0]
        assert abs(value.imag) > 0.05
        assert abs(value) == pytest.approx(0.5, abs=1e-6)


def test_the_tail_points_in_the_direction_of_the_coma():
    blur, size = make_blur(2.78, 0.0, (0.05, 0.0, 0.05), coma_waves=0.8, coma_deg=90), 160
    lean = draw_fast(ROUND, blur, size) - draw_fast(ROUND, make_blur(2.78, 0.0, (0.05, 0.0, 0.05)), size)
    y, x = np.mgrid[:size, :size] - size / 2
    r = np.hypot(x - OFFSET[0], y - OFFSET[1])
    beyond = (r > 45) & (r < 46)
    # 90 degrees is down. The dark disc's tail reaches further there; above, its edge is steeper
    below, above = lean[beyond & (y > 40)].mean(), lean[beyond & (y < -40)].mean()
    assert below > 0.02
    assert above < -0.005
    assert abs(lean[beyond & (np.abs(y) < 5)].mean()) < 0.1 * below
