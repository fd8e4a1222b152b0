"""Photon transfer: gain, read noise and response agree with the truth, and uncertainties with the errors."""

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.commissioning.photon_transfer import HEIGHTS, fit_response, fit_transfer, measure_departure
from glasswright_camera.light.linearity import Curve

GAIN, READ = 0.35, 4.0
TIMES = np.array([0.03, 0.06, 0.12, 0.2, 0.3, 0.42, 0.55, 0.68, 0.8, 0.9])


def draw_transfer(seed, count=20_000):
    """Draw variances of n pixels with their sampling scatter: s^2 is sigma^2 chi^2(n) / n."""
    generator = np.random.default_rng(seed)
    signal = np.concatenate([[0.0] * 3, np.geomspace(300, 15_000, 12)])
    true = GAIN * signal + (GAIN * READ) ** 2
    return signal, true * generator.chisquare(count, len(signal)) / count, np.full(len(signal), float(count))


def test_a_line_without_scatter_gives_gain_and_read_noise_exactly():
    # variance = gain x signal + read^2 (Janesick, "Photon Transfer", 2007; EMVA 1288 release 4, 6.6, from memory)
    signal = np.array([0.0, 100.0, 1000.0, 9000.0])
    found = fit_transfer(signal, GAIN * signal + (GAIN * READ) ** 2, np.full(4, 1e9))
    assert found.gain_dn == pytest.approx(GAIN, rel=1e-9)
    assert found.count_read_noise()[0] == pytest.approx(READ, rel=1e-9)
    assert found.count_electrons(3500.0)[0] == pytest.approx(10_000.0, rel=1e-9)
    # a hundred DN of 3500 known to 1 % adds a hundredth
    assert found.count_electrons(3500.0, 35.0)[1] == pytest.approx(100.0, rel=1e-3)


def test_two_u_intervals_have_their_coverage():
    inside = np.zeros(2)
    for seed in range(400):
        found = fit_transfer(*draw_transfer(seed))
        electrons, electrons_u = found.count_electrons(3500.0)
        noise, noise_u = found.count_read_noise()
        inside += [abs(electrons - 10_000) <= 2 * electrons_u, abs(noise - READ) <= 2 * noise_u]
        assert electrons_u < 60
        assert noise_u < 0.05
    assert np.all(inside / 400 > 0.93)
    assert np.all(inside / 400 < 0.99)


def test_points_without_a_line_are_refused():
    with pytest.raises(Unmeasurable, match="fewer than three exposure times"):
        fit_transfer(np.ones(2), np.ones(2), np.ones(2))
    with pytest.raises(Unmeasurable, match="does not grow with the light"):
        fit_transfer(np.array([0.0, 1000.0, 9000.0]), np.array([5.0, 5.0, 4.0]), np.full(3, 1e4))


def draw_response(seed, bend, scatter=0.001):
    """Draw a signal L (1 - b L) / (1 - b) in three planes, with common errors of lamp and shutter."""
    generator = np.random.default_rng(seed)
    light = TIMES[:, None] * np.array([0.72, 1.0, 0.8]) * (1 + scatter * generator.standard_normal((len(TIMES), 1)))
    signal = light * (1 - bend * light) / (1 - bend)
    u = np.full(signal.shape, 1e-4)
    return TIMES, signal * (1 + u * generator.standard_normal(signal.shape)), u, scatter


@pytest.mark.parametrize("bend", [0.0, 0.03, -0.02])
def test_the_fitted_curve_linearises_the_signal(bend):
    found = fit_response(*draw_response(1, bend))
    light = np.linspace(0.05, 1.0, 20)
    back = Curve(*found.terms).apply(light * (1 - bend * light) / (1 - bend))[0]
    assert np.abs(back / light - 1).max() < 0.0015
    assert abs(found.departure_pct - true_departure(bend)) < 3 * found.departure_pct_u


def true_departure(bend):
    light = np.linspace(0, 1, 4001)
    of_signal = np.interp(HEIGHTS, light * (1 - bend * light) / (1 - bend), light)
    departure = 100 * (HEIGHTS / of_signal / np.mean(HEIGHTS / of_signal) - 1)
    return departure[np.abs(departure).argmax()]


def test_two_u_intervals_of_the_departure_have_their_coverage():
    inside = 0
    for seed in range(300):
        found = fit_response(*draw_response(seed, 0.03))
        inside += abs(abs(found.departure_pct) - abs(true_departure(0.03))) <= 2 * found.departure_pct_u
        assert found.departure_pct_u < 0.1
    assert 0.92 < inside / 300 < 0.995


def test_departure_of_a_known_curve():
    # signal over light is 1 / (1 + a s): nearly straight, so the largest departure is about half of what it spans
    departure, _ = measure_departure(np.array([0.02, 0.0]))
    assert np.abs(departure).max() == pytest.approx(0.02 * 0.9 / 2, rel=0.03)


def test_linearity_needs_times_and_range():
    with pytest.raises(Unmeasurable, match="found 3 times, signals from 3 to 12 % of white"):
        fit_response(TIMES[:3], TIMES[:3, None], np.full((3, 1), 1e-4), 0.001)
