"""Control charts against published examples, and on simulated stands with known truth."""

import math

import numpy as np
import pytest
from scipy import stats

from glasswright.statistics.control import (
    BOUND,
    Baseline,
    find_autocorrelations,
    find_baseline,
    inflate,
    rate_of_chart,
)

# NIST/SEMATECH e-Handbook of Statistical Methods (public domain; numbers from memory) 6.3.2.4, the weighted average:
# limits 52.5884 and 47.4115 about a target of 50 with sigma 2.0539, weight 0.3, width 3


def test_the_lasting_limit_of_a_known_average_is_nists():
    known = Baseline(centre=50.0, sigma=2.0539, count=10**9, autocorrelation=0.0)
    rate = 2 * stats.norm.sf(3.0) / (0.8 * 1.1)  # what of a chart's alarms is the average's
    assert known.average_limit(rate, 0.3) == pytest.approx(2.5884, abs=3e-3)
    assert known.point_limit(2 * stats.norm.sf(3.0) / (0.2 * 1.1)) == pytest.approx(3 * 2.0539, rel=1e-6)


def test_charts_share_the_false_alarm_rate_of_the_stand():
    rate = rate_of_chart(200, 5)
    assert 1 - (1 - rate) ** 5 == pytest.approx(1 / 200)
    assert rate_of_chart(200, 1) == pytest.approx(1 / 200)


@pytest.mark.parametrize("count", [8, 25, 60])
def test_single_nights_beyond_the_limit_have_the_stated_rate_for_any_baseline(count):
    # a prediction interval: exact for any count; here 200 times as frequent as on a real chart, to be counted at all
    rng, rate = np.random.default_rng(15), 0.2
    beyond = []
    for _ in range(3000):
        nights = rng.normal(size=count + 1)
        found = find_baseline(nights[:count].tolist())
        beyond.append(abs(nights[-1] - found.centre) > found.point_limit(rate))
    expected = 0.2 * 1.1 * rate
    assert np.mean(beyond) == pytest.approx(expected, abs=4 * math.sqrt(expected / 3000))


def autocorrelated(rng, count, correlation):
    values = rng.normal(size=count)
    for place in range(1, count):
        values[place] = correlation * values[place - 1] + math.sqrt(1 - correlation**2) * values[place]
    return values


def test_the_mean_of_autocorrelated_nights_has_the_stated_scatter():
    rng = np.random.default_rng(16)
    means = [autocorrelated(rng, 200, 0.3).mean() for _ in range(1500)]
    assert np.var(means) * 200 == pytest.approx(inflate(0.3), rel=0.15)


def test_the_weighted_average_of_autocorrelated_nights_has_the_stated_scatter():
    rng = np.random.default_rng(17)
    values, average, found = autocorrelated(rng, 60_000, 0.3), 0.0, []
    for value in values:
        average += 0.2 * (value - average)
        found.append(average)
    known = Baseline(centre=0.0, sigma=1.0, count=10**9, autocorrelation=0.3)
    expected = known.average_limit(2 * stats.norm.sf(1.0) / (0.8 * 1.1), 0.2)
    assert np.std(found) == pytest.approx(expected, rel=0.03)


def test_autocorrelation_is_declared_bounded_or_estimated_by_how_many_nights_there_are():
    rng = np.random.default_rng(18)
    short = [autocorrelated(rng, 20, 0.3).tolist() for _ in range(5)]
    assert find_autocorrelations(short, None) == (BOUND,) * 5
    assert find_autocorrelations(short, 0.1) == (0.1,) * 5
    long = [autocorrelated(rng, 200, 0.3).tolist() for _ in range(5)]
    assert np.mean(find_autocorrelations(long, None)) == pytest.approx(0.3, abs=0.06)
    quiet = [rng.normal(size=200).tolist() for _ in range(5)]
    assert np.mean(find_autocorrelations(quiet, None)) < 0.06
    # one that differs is distinguished
    mixed = [*quiet[:4], autocorrelated(rng, 200, 0.6).tolist()]
    assert find_autocorrelations(mixed, None)[-1] == pytest.approx(0.6, abs=0.15)


def test_a_baseline_needs_nights_and_some_scatter():
    assert find_baseline([0.3] * 7) == "the baseline has 7 nights with a value; at least 8 are needed"
    assert find_baseline([0.3]) == "the baseline has 1 night with a value; at least 8 are needed"
    assert "the value is the same on every night of the baseline" in find_baseline([0.3] * 8)
    assert find_baseline([0.3] * 8, 0.0, 0.01).sigma == 0.01
    draws = np.random.default_rng(3).normal(10.0, 0.5, 4000)
    assert find_baseline(draws.tolist()).sigma == pytest.approx(0.5, rel=0.04)
