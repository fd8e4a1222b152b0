"""The worst of several values: chance fails a lens no more often than the guard band's probability."""

import numpy as np
import pytest

from glasswright_camera.extremes import extreme_u, range_u, widening
from glasswright_camera.fringing.stage import measure_fringing
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_traces import make_stand, make_trace

GUARD = 1.6449
"""Standard normal quantile at 95 %, one side."""
STAND = make_stand()


def test_one_value_is_not_widened_and_many_are_by_sidaks_formula():
    assert widening(1) == pytest.approx(1.0)
    # 1 - (1 - 0.05)^(1/12) in one tail: 2.6319 (tables of the normal distribution)
    assert widening(12) * GUARD == pytest.approx(2.632, abs=2e-3)


def test_distant_values_do_not_widen_the_uncertainty():
    value, u = np.array([0.2, 0.3, 0.31]), np.full(3, 0.001)
    assert extreme_u(value, u, 0) == pytest.approx(0.001)
    assert extreme_u(np.full(3, 0.2), u, 0) == pytest.approx(0.001 * widening(3))


@pytest.mark.parametrize("count", [2, 4, 12, 117])
def test_the_least_of_equal_numbers_fails_by_chance_once_in_twenty(count):
    rng = np.random.default_rng(count)
    draws = rng.standard_normal((4000, count))
    u = np.ones(count)
    failed = [row.min() < -GUARD * extreme_u(row, u, int(row.argmin())) for row in draws]
    # 4000 draws: 5 % within 1 % at three standard errors
    assert np.mean(failed) < 0.06


def test_the_range_of_four_equal_numbers_fails_by_chance_at_most_once_in_twenty():
    rng = np.random.default_rng(9)
    draws = rng.standard_normal((4000, 4))
    failed = [np.ptp(row) > GUARD * range_u(row, np.ones(4)) for row in draws]
    assert np.mean(failed) < 0.06


def noisy_trace(rng, u):
    def sharp(place, _plane):
        return 0.25 + u * rng.standard_normal((len(place), 2))

    def shift(place, _plane):
        return 0.02 * rng.standard_normal((len(place), 2))

    return make_trace(sharp, shift=shift, u=u, centre_u=0.02)


def test_false_alarms_of_the_stages_own_extremes():
    rng = np.random.default_rng(1)
    soft, uneven = 0, 0
    for _ in range(200):
        green = measure_mtf50((noisy_trace(rng, 0.005),), STAND).green
        soft += green.worst_cy_per_px < 0.25 - GUARD * green.worst_cy_per_px_u
        uneven += green.corner_imbalance_frac > GUARD * green.corner_imbalance_frac_u
    # 200 draws at 5 %: up to 20 with a chance of a hundredth
    assert soft <= 20
    assert uneven <= 20


def test_false_alarms_of_the_worst_displacement():
    # all discs truly 0.3 px off: chance alone should not pass a limit of 0.3 px by more than the guard
    rng = np.random.default_rng(2)

    def shift(place, plane):
        noise = 0.02 * rng.standard_normal((len(place), 2))
        return noise + (np.array([0.3, 0.0]) if plane == 0 else 0.0)

    alarms = 0
    for _ in range(100):
        found = measure_fringing((make_trace(shift=shift, centre_u=0.02),), STAND)
        alarms += found.worst_red_green_px > 0.3 + GUARD * found.worst_red_green_px_u
    assert alarms <= 13
