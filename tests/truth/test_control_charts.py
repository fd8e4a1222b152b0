"""Control charts against printed examples and published run lengths."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from glasswright.statistics.average import begin_average, step_average
from glasswright.statistics.baseline import find_allowance, find_baseline
from glasswright.statistics.rules import TESTS

# NIST/SEMATECH e-Handbook of Statistical Methods (public domain; the numbers from memory), 6.3.2.2, individuals: a flow
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# 6.3.2.4, the weighted average: twenty points about a target of 50 with sigma 2.0539, weight 0.3, width 3
READINGS = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
            49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
            50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_limits_of_individuals_are_nists():
    baseline = find_baseline(FLOW)
    assert baseline.centre == pytest.approx(50.81)
    # the handbook rounds 1.12838 to 1.128: it prints 55.8041 and 45.8159
    assert baseline.centre + 3 * baseline.sigma == pytest.approx(55.8041, abs=2e-3)
    assert baseline.centre - 3 * baseline.sigma == pytest.approx(45.8159, abs=2e-3)


def test_the_weighted_average_is_nists():
    average, found = begin_average(), []
    for reading in READINGS:
        average = step_average(average, (reading - 50) / 2.0539, 0.3, 3.0)
        found.append(50 + 2.0539 * average.value)
    assert found == pytest.approx(AVERAGES, abs=0.006)
    # the lasting limits: 52.5884 and 47.4115
    assert 50 + 2.0539 * average.limit == pytest.approx(52.5884, abs=3e-3)
    assert not average.is_out


def nights_to_alarm(rng, names, average=None, shift=0.0):
    """Simulate one chart from its beginning until the first alarm."""
    block, distances, state = 500, np.empty(0), begin_average()
    while True:
        distances = np.append(distances, rng.normal(shift, 1.0, block))
        for night in range(len(distances) - block + 1, len(distances) + 1):
            if average is not None:
                state = step_average(state, distances[night - 1], *average)
                if state.is_out:
                    return night
            for name in names:
                count, test, _ = TESTS[name]
                if night >= count and test(distances[night - count : night]):
                    return night


def mean_run_length(seed, names, draws, **others):
    rng = np.random.default_rng(seed)
    lengths = [nights_to_alarm(rng, names, **others) for _ in range(draws)]
    return np.mean(lengths), np.std(lengths) / math.sqrt(draws)


# Champ and Woodall, Technometrics 29 (1987) 393-399, table 1 (the numbers from memory): mean nights to a false alarm.
# The first is also 1 / 0.0026998, the share of a normal population beyond three sigma.
CHAMP_WOODALL = [
    (("beyond_limits",), 0.0, 370.40),
    (("beyond_limits", "two_of_three_far"), 0.0, 225.44),
    (("beyond_limits", "four_of_five_apart"), 0.0, 166.05),
    (("beyond_limits", "two_of_three_far", "four_of_five_apart"), 0.0, 132.89),
    (("beyond_limits",), 1.0, 43.89),
    (("beyond_limits", "two_of_three_far"), 1.0, 20.01),
]


@pytest.mark.parametrize(("names", "shift", "published"), CHAMP_WOODALL)
def test_the_tests_alarm_as_often_as_published(names, shift, published):
    mean, error = mean_run_length(11, names, 500, shift=shift)
    assert abs(mean - published) < 3.5 * error


def exact_mean_run_length(weight, width, shift, states=201):
    """Brook and Evans, Biometrika 59 (1972) 539-549: the average as a Markov chain, with its lasting limits."""
    limit = width * math.sqrt(weight / (2 - weight))
    edges = np.linspace(-limit, limit, states + 1)
    middles = (edges[1:] + edges[:-1]) / 2
    reach = (edges[None, :] - (1 - weight) * middles[:, None]) / weight - shift
    moves = np.diff(norm.cdf(reach), axis=1)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[states // 2])


def test_the_default_average_alarms_once_in_500_nights_as_published():
    # Lucas and Saccucci (1990), table 3: weight 0.2, width 2.962 give 500 nights without a shift, 10.5 with one sigma
    assert exact_mean_run_length(0.2, 2.962, 0.0) == pytest.approx(500, rel=0.005)
    assert exact_mean_run_length(0.2, 2.962, 1.0) == pytest.approx(10.5, rel=0.01)
    # ours starts with the narrower limits of few points, so it is a little quicker
    mean, error = mean_run_length(12, (), 400, average=(0.2, 2.962), shift=1.0)
    assert 8.5 < mean < 10.5 + 3 * error


def test_all_that_counts_by_default_alarms_seldom_and_sees_a_shift_within_days():
    names = ("beyond_limits", "run_on_one_side")
    quiet, error = mean_run_length(13, names, 400, average=(0.2, 2.962))
    assert quiet - 3 * error > 120
    seen, _ = mean_run_length(14, names, 400, average=(0.2, 2.962), shift=1.5)
    assert seen < 6


@pytest.mark.parametrize("count", [8, 12, 25, 60])
def test_limits_from_few_nights_raise_no_more_false_alarms_than_from_many(count):
    # one more night of the same stand lies beyond three sigma with a probability of 0.0027, however these are known
    rng = np.random.default_rng(15)
    nights = rng.normal(size=(60_000, count + 1))
    sigma = np.abs(np.diff(nights[:, :count], axis=1)).mean(axis=1) / (2 / math.sqrt(math.pi))
    distance = np.abs(nights[:, -1] - nights[:, :count].mean(axis=1)) / sigma
    plain, allowed = (np.mean(distance > width) for width in (3.0, 3.0 * find_allowance(count)))
    assert 0.0006 < allowed < 0.0030
    assert plain > 1.5 * allowed
    assert find_baseline(nights[0, :count].tolist()).sigma == pytest.approx(sigma[0])


def test_from_many_nights_there_is_nothing_to_allow_for():
    assert find_allowance(100_000) == pytest.approx(1.0, abs=1e-4)
    assert find_allowance(25) == pytest.approx(1.221, abs=1e-3)
