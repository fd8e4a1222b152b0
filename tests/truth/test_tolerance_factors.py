"""Factors and counts of tolerance limits, robust scores and capability against published values and a library."""

import math
import warnings

import numpy as np
import pytest
from scipy import integrate, stats

from glasswright.statistics.capability import capability, capability_interval
from glasswright.statistics.factors import one_sided_factor, share_interval, two_sided_factor
from glasswright.statistics.order_limits import confidence_of, count_needed, least_share, most_cut
from glasswright.statistics.robust import MAD_TO_SIGMA, describe, modified_scores
from glasswright.statistics.shares import counted_share, cut_share
from glasswright.tuning.spread import free_spread

# Tables of one- and two-sided factors at a confidence of 95 %, as printed in ISO 16269-6 and in textbooks:
# count, content -> one-sided, two-sided
TABLE = [
    (5, 0.90, 3.4066, 4.2906),
    (5, 0.95, 4.2027, 5.0769),
    (5, 0.99, 5.7411, 6.5980),
    (8, 0.95, 3.1873, 3.7455),
    (10, 0.95, 2.9110, 3.3934),
    (10, 0.99, 3.9811, 4.4369),
    (15, 0.90, 2.0684, 2.4922),
    (20, 0.95, 2.3960, 2.7603),
    (30, 0.99, 3.0639, 3.3546),
    (50, 0.95, 2.0650, 2.3816),
    (100, 0.95, 1.9265, 2.2339),
    (200, 0.90, 1.4496, 1.7984),
]


@pytest.mark.parametrize(("count", "content", "one", "two"), TABLE)
def test_factors_are_those_of_the_tables(count, content, one, two):
    assert one_sided_factor(count, content, 0.95) == pytest.approx(one, abs=6e-5)
    assert two_sided_factor(count, content, 0.95) == pytest.approx(two, abs=6e-5)


def test_the_worked_example_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 7.2.6.3: n 43, content 0.90, confidence 0.99
    one, howe = one_sided_factor(43, 0.90, 0.99), 2.217316
    assert one == pytest.approx(1.873954, abs=1e-6)
    # the handbook's approximation (Howe) is close to the exact factor, as it should be
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(howe, abs=0.01)
    # limits for mean 97.07 and s 0.0268
    assert 97.07 - one * 0.0268 == pytest.approx(97.0198, abs=1e-4)
    assert 97.07 + one * 0.0268 == pytest.approx(97.1202, abs=1e-4)


@pytest.fixture(scope="module")
def library():
    with warnings.catch_warnings():
        # it reads its version from a file that it never closes
        warnings.simplefilter("ignore", ResourceWarning)
        return pytest.importorskip("toleranceinterval")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(("count", "content", "confidence"), [(7, 0.9, 0.9), (23, 0.95, 0.95), (58, 0.99, 0.95)])
def test_factors_are_those_of_another_library(library, count, content, confidence):
    from toleranceinterval.twoside import normal_factor

    exact = normal_factor(count, content, confidence, method="exact")
    assert two_sided_factor(count, content, confidence) == pytest.approx(exact, rel=1e-6)
    values = np.random.default_rng(3).normal(size=count)
    lower = float(library.oneside.normal(values, 1 - content, confidence)[0])
    ours = values.mean() - one_sided_factor(count, content, confidence) * values.std(ddof=1)
    assert ours == pytest.approx(lower, abs=1e-8)


def test_the_two_sided_factor_by_plain_integration():
    # over the sample's mean, straight from the definition: half width by root finding, no noncentral chi-squared
    from scipy.optimize import brentq

    count, content, k = 12, 0.95, two_sided_factor(12, 0.95, 0.95)

    def confidence_at(mean):
        half = brentq(lambda r: stats.norm.cdf(mean + r) - stats.norm.cdf(mean - r) - content, 0.1, 20)
        chance = stats.chi2.sf((count - 1) * half**2 / k**2, count - 1)
        return chance * stats.norm.pdf(mean, scale=1 / math.sqrt(count))

    found, _ = integrate.quad(confidence_at, -3, 3, epsabs=1e-10)
    assert found == pytest.approx(0.95, abs=1e-8)


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


def test_the_least_share_is_where_the_count_is_just_enough():
    for cut in (1, 2, 7):
        share = least_share(150, cut, 0.95)
        assert confidence_of(150, cut, 1 - share) == pytest.approx(0.95, abs=1e-9)


def test_the_interval_of_a_share_undoes_the_factor():
    # a limit at the factor for 95/95 has 5 % as the upper end of its one-sided interval: 90 % two-sided
    for count in (10, 20, 59, 200):
        low, high = share_interval(one_sided_factor(count, 0.95, 0.95), count, 0.90)
        assert high == pytest.approx(0.05, abs=1e-9)
        assert low < 0.05


def test_counted_shares_against_published_intervals():
    # the rule of three, exactly: 0 of 59 gives 1 - 0.025^(1/59)
    assert counted_share(0, 59).high == pytest.approx(1 - 0.025 ** (1 / 59))
    # against SciPy's own exact interval
    exact = stats.binomtest(7, 120).proportion_ci(0.95, method="exact")
    found = counted_share(7, 120)
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high))
    assert counted_share(5, 5).high == 1.0
    assert cut_share(3, 99).value == pytest.approx(0.03)


def test_robust_scores_on_the_data_of_tietjen_and_moore():
    # the data that NIST uses for Grubbs's test
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    looks = describe(values)
    assert looks.mean == pytest.approx(206.434, abs=5e-4)
    assert looks.sigma == pytest.approx(15.853, abs=5e-4)
    assert looks.median == pytest.approx(201.37, abs=1e-9)
    assert looks.robust_sigma / MAD_TO_SIGMA == pytest.approx(0.995, abs=1e-9)
    assert modified_scores(values)[-1] == pytest.approx(29.96, abs=0.01)
    assert looks.odd == (7,)


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
    # without uncertainty it is the sample itself, and the limit the ordinary one
    plain = free_spread(values, np.zeros(7))
    ordinary = values.mean() - one_sided_factor(7, 0.95, 0.95) * values.std(ddof=1)
    assert plain.lower_limit(0.95, 0.95) == pytest.approx(ordinary)
    assert free_spread(values, np.full(7, 0.02)).lower_limit(0.95, 0.95) is None


def test_twenty_healthy_copies():
    # mean 0.320, s 0.020: the 95/95 limit is 0.320 - 2.3960 * 0.020
    assert 0.320 - one_sided_factor(20, 0.95, 0.95) * 0.020 == pytest.approx(0.2721, abs=5e-5)
