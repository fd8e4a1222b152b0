"""Decision rules against published examples and closed forms.

JCGM 106:2012 (Evaluation of measurement data - The role of measurement uncertainty in conformity assessment), ISO
14253-1:2017 (decision rules), and the standard normal distribution.
"""

import math

import pytest
from scipy.stats import norm

from glasswright.judging.decision import Tolerance, Uncertainty, conformance_probability, decide, guard_band
from glasswright.ledger.verdict import Verdict, fold


def verdict_of(value, lower=None, upper=None, u=0.006, rule="guarded", confidence=0.95):
    tolerance = Tolerance(lower=lower, upper=upper, rule=rule, confidence=confidence)
    return decide(value, "cycles/pixel", Uncertainty(own=u, stand=0.0), tolerance)[0]


def test_two_sided_example_of_jcgm_106_clause_7_4():
    # y = 13.6, u = 1.8, limits 12.5 and 16.3; the inputs are the document's, the value follows from them
    assert conformance_probability(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66263, abs=5e-6)


def test_one_upper_limit_breakdown_voltage():
    # JCGM 106:2012, inputs from memory: y = -5.47 V, u = 0.05 V, upper limit -5.40 V
    assert conformance_probability(-5.47, 0.05, None, -5.40) == pytest.approx(0.9192, abs=5e-5)


def test_one_lower_limit_burst_pressure():
    # JCGM 106:2012, inputs from memory: y = 509.7, u = 8.6, lower limit 490
    assert conformance_probability(509.7, 8.6, 490.0, None) == pytest.approx(0.9890, abs=5e-5)


@pytest.mark.parametrize(
    ("confidence", "factor"),
    [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.975, 1.9600), (0.99, 2.3263), (0.999, 3.0902)],
)
def test_guard_band_is_the_normal_quantile_times_u(confidence, factor):
    # standard normal quantiles, as any table has them
    assert guard_band(confidence, 1.0) == pytest.approx(factor, abs=5e-5)
    assert guard_band(confidence, 0.25) == pytest.approx(norm.ppf(confidence) * 0.25, rel=1e-12)


def test_speed_limit_example():
    # 100 km/h, relative uncertainty 2 %, conformity of the fine 0.999: fined from 106.59 km/h (published as 107)
    u = 0.02 * 106.59
    assert 106.59 - guard_band(0.999, u) == pytest.approx(100.0, abs=0.01)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.25987, Verdict.PASS),
        (0.25986, Verdict.REVIEW),
        (0.25, Verdict.REVIEW),
        (0.24014, Verdict.REVIEW),
        (0.24013, Verdict.FAIL),
    ],
)
def test_lower_limit_with_guard_bands_on_both_sides(value, verdict):
    # ISO 14253-1's rule, worked out: limit 0.250, u = 0.006, 95 %: pass from 0.25987, fail up to 0.24013
    assert verdict_of(value, lower=0.250) is verdict


@pytest.mark.parametrize(
    ("value", "probability"), [(0.24, 0.0478), (0.25, 0.5), (0.255, 0.7977), (0.262, 0.9772), (0.27, 0.9996)]
)
def test_conformance_probabilities_of_that_limit(value, probability):
    assert conformance_probability(value, 0.006, 0.250, None) == pytest.approx(probability, abs=5e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("value", [-3.0, -1.7, -1.6, -0.5, 0.0, 0.5, 1.2, 1.3, 1.6, 1.7, 2.4, 4.0])
def test_one_sided_verdicts_are_those_of_the_conformance_probability(value, confidence):
    # JCGM 106:2012, 8.3: a guard band of z(p) u accepts exactly where the conformance probability is at least p
    probability = norm.cdf(value)
    expected = (
        Verdict.PASS if probability >= confidence else Verdict.FAIL if probability <= 1 - confidence else Verdict.REVIEW
    )
    assert verdict_of(value, lower=0.0, u=1.0, confidence=confidence) is expected
    assert verdict_of(-value, upper=0.0, u=1.0, confidence=confidence) is expected


@pytest.mark.parametrize("half_width", [0.5, 1.0, 1.9, 2.1, 3.0, 10.0])
@pytest.mark.parametrize("value", [-2.5, -1.0, -0.2, 0.0, 0.3, 1.0, 2.5])
def test_two_sided_pass_asks_for_both_limits_at_once(half_width, value):
    probability = norm.cdf(half_width - value) - norm.cdf(-half_width - value)
    passes = verdict_of(value, lower=-half_width, upper=half_width, u=1.0) is Verdict.PASS
    assert passes == (probability >= 0.95)


def test_a_tolerance_as_narrow_as_the_uncertainty_can_never_pass():
    # z(0.975) = 1.95996: the narrowest symmetric tolerance whose middle conforms with 95 %
    assert verdict_of(0.0, lower=-1.9599, upper=1.9599, u=1.0) is Verdict.REVIEW
    assert verdict_of(0.0, lower=-1.9601, upper=1.9601, u=1.0) is Verdict.PASS


def test_false_acceptance_at_the_edge_of_the_guard_band():
    # a true value on the limit, measured with normal errors: accepted with 5 % (ISO 14253-1), 50 % without a band
    edge = guard_band(0.95, 1.0)
    assert 1 - norm.cdf(edge) == pytest.approx(0.05, abs=1e-12)
    assert verdict_of(edge + 1e-9, lower=0.0, u=1.0) is Verdict.PASS
    assert verdict_of(edge - 1e-9, lower=0.0, u=1.0) is Verdict.REVIEW


def test_simple_acceptance_counts_the_limit_itself_as_inside():
    # JCGM 106:2012, 3.3.5 (tolerance limit: bound of permissible values) and 8.2.1 (simple acceptance)
    assert verdict_of(0.25, lower=0.25, rule="simple") is Verdict.PASS
    # the last digit of the arithmetic is no difference, the eleventh is one
    assert verdict_of(math.nextafter(0.25, 0), lower=0.25, rule="simple") is Verdict.PASS
    assert verdict_of(0.25 * (1 - 1e-11), lower=0.25, rule="simple") is Verdict.FAIL
    assert verdict_of(2.2, upper=2.2, rule="simple") is Verdict.PASS


def test_fold():
    order = [Verdict.FAIL, Verdict.UNKNOWN, Verdict.REVIEW, Verdict.PASS]
    for place, verdict in enumerate(order):
        assert fold(order[place:]) is verdict
        assert fold(reversed(order[place:])) is verdict
    assert fold([]) is Verdict.UNKNOWN
