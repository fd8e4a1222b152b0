"""Tolerance limits, robust scores and capability against published values and a library."""

import math

import numpy as np
import pytest
from scipy import stats

from glasswright.statistics.capability import capability, capability_interval
from glasswright.statistics.order_limits import confidence_of, count_needed, most_cut
from glasswright.statistics.robust import describe, modified_scores
from glasswright.statistics.shares import counted_share
from glasswright.tuning.spread import free_spread


@pytest.mark.parametrize(
    ("content", "confidence", "one", "two"),
    # Wilks's numbers, as tabulated for engineers (59 and 93 are the common ones)
    [
        (0.90, 0.90, 22, 38),
        (0.90, 0.95, 29, 46),
        (0.95, 0.90, 45, 77),
        (0.95, 0.95, 59, 93),
        (0.95, 0.99, 90, 130),
        (0.99, 0.95, 299, 473),
        (0.99, 0.99, 459, 662),
    ],
)
def test_lenses_needed_without_any_assumption(content, confidence, one, two):
    assert count_needed(1, content, confidence) == one
    assert count_needed(2, content, confidence) == two
    assert 1 - content**one >= confidence > 1 - content ** (one - 1)


def test_more_may_be_cut_off_a_larger_sample():
    assert [count_needed(cut, 0.95, 0.95) for cut in range(1, 6)] == [59, 93, 124, 153, 181]
    assert [most_cut(count, 0.95, 0.95) for count in (1, 58, 59, 92, 93, 153, 180, 181)] == [0, 0, 1, 1, 2, 4, 4, 5]
    # confidence that the largest of n is a 95 % limit
    found = [100 * confidence_of(count, 1, 0.95) for count in (10, 20, 30, 50)]
    assert found == pytest.approx([40.1, 64.2, 78.5, 92.3], abs=0.05)
    # what is left of a sample of ten without any cut, and with more cuts than it has values
    assert [confidence_of(10, cut, 0.95) for cut in (-1, 0, 11)] == [1.0, 1.0, 0.0]
    assert confidence_of(10, 10, 0.95) == pytest.approx(0.05**10)


def test_counted_shares_against_published_intervals():
    # the rule of three, exactly: 0 of 59 gives 1 - 0.025^(1/59)
    assert counted_share(0, 59).high == pytest.approx(1 - 0.025 ** (1 / 59))
    # against SciPy's own exact interval
    exact = stats.binomtest(7, 120).proportion_ci(0.95, method="exact")
    found = counted_share(7, 120)
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high))
    assert counted_share(5, 5).high == 1.0


def test_robust_scores_on_the_data_of_tietjen_and_moore():
    # the data that NIST uses for Grubbs's test
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    summary = describe(values)
    assert summary.mean == pytest.approx(206.434, abs=5e-4)
    assert summary.sigma == pytest.approx(15.853, abs=5e-4)
    assert summary.median == pytest.approx(201.37, abs=1e-9)
    # 1.482602 is 1 / quantile(0.75) of the standard normal distribution
    assert summary.robust_sigma / 1.482602218505602 == pytest.approx(0.995, abs=1e-9)
    assert modified_scores(values)[-1] == pytest.approx(29.96, abs=0.01)
    assert summary.outliers == (7,)


def test_capability_of_the_nist_handbook():
    # 6.1.6: limits 8 and 20, mean 16, standard deviation 2
    assert capability(16, 2, 8, 20) == pytest.approx(2 / 3)
    # a textbook exercise: limits 90 and 100, 30 values, mean 97, standard deviation 1.6
    found = capability(97, 1.6, 90, 100)
    assert found == pytest.approx(0.625)
    assert capability_interval(found, 30) == pytest.approx((0.425, 0.825), abs=5e-4)
    assert capability(16, 0, 8, 20) is None
    assert capability(16, 2, None, None) is None


def test_variances_subtract():
    values = np.array([0.310, 0.330, 0.320, 0.318, 0.322, 0.305, 0.335])
    spread = free_spread(values, np.full(7, 0.006))
    assert spread.sigma == pytest.approx(math.sqrt(values.var(ddof=1) - 0.006**2))
    assert free_spread(values, np.full(7, 0.02)).sigma == 0.0
