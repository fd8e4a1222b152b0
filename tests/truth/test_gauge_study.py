"""The study of a stand against published sets, and its intervals on simulated stands with known truth."""

import math

import numpy as np
import pytest
from scipy.stats import studentized_range

from glasswright.statistics.anova import analyse
from glasswright.statistics.average_range import by_average_and_range, mean_range_of, single_range_of
from glasswright.statistics.intervals import find_intervals
from glasswright.study.pooling import pool

# The set of the automotive handbook of measurement system analysis (ten parts, three operators, three trials), from
# memory; the handbook's own totals, below, come out of it
A1 = [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36]
A2 = [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25]
A3 = [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31]
B1 = [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68]
B2 = [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62]
B3 = [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50]
C1 = [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49]
C2 = [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77]
C3 = [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16]
HANDBOOK = np.array([[A1, A2, A3], [B1, B2, B3], [C1, C2, C3]]).transpose(2, 0, 1)


def test_the_handbooks_set_by_average_and_range():
    found = by_average_and_range(HANDBOOK)
    assert found.mean_range == pytest.approx(0.3417, abs=5e-5)
    # handbook: .20188, .22963, .30575, 1.10456, 1.14610; it rounds its factors to four places
    assert found.repeatability == pytest.approx(0.20188, abs=1e-4)
    assert found.reproducibility == pytest.approx(0.22963, abs=1e-4)
    assert found.gauge == pytest.approx(0.30575, abs=1e-4)
    assert found.lens == pytest.approx(1.10456, abs=2e-4)
    assert found.total == pytest.approx(1.14610, abs=2e-4)
    shares = [
        100 * part / found.total for part in (found.repeatability, found.reproducibility, found.gauge, found.lens)
    ]
    assert shares == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.015)
    assert int(found.categories) == 5


def test_the_handbooks_set_by_analysis_of_variance():
    found = analyse(HANDBOOK)
    squares = [source.sum_of_squares for source in found.sources]
    # handbook's table: 88.3619, 3.1673, .3590, 2.7589, total 94.6471
    assert squares == pytest.approx([88.3619, 3.1673, 0.3590, 2.7589], abs=6e-5)
    assert found.total_sum_of_squares == pytest.approx(94.6471, abs=6e-5)
    assert found.total_sum_of_squares == pytest.approx(((HANDBOOK - HANDBOOK.mean()) ** 2).sum())
    assert [source.freedom for source in found.sources] == [9, 2, 18, 60]
    assert found.interaction_probability == pytest.approx(0.974, abs=5e-4)
    assert found.pooled
    parts = found.components
    # sd: .19993, .22684, .30237, 1.04233, 1.08530
    assert parts.repeatability == pytest.approx(0.19993, abs=6e-6)
    assert parts.reproducibility == pytest.approx(0.22684, abs=6e-6)
    assert parts.gauge == pytest.approx(0.30237, abs=6e-6)
    assert parts.lens == pytest.approx(1.04233, abs=6e-6)
    assert parts.total == pytest.approx(1.08530, abs=6e-6)
    assert 100 * parts.gauge / parts.total == pytest.approx(27.86, abs=0.005)
    assert 1.41 * parts.lens / parts.gauge == pytest.approx(4.86, abs=0.005)


def test_nists_probe_2362_pooled():
    # NIST/SEMATECH e-Handbook (public domain) 2.4.4.3: level-3 standard deviations of five wafers' runs, 1 each
    pooled = pool([0.0223, 0.0027, 0.0289, 0.0133, 0.0205], [1, 1, 1, 1, 1])
    assert pooled.sigma == pytest.approx(0.0197, abs=5e-5)
    assert pooled.sigma == pytest.approx(0.019682, abs=5e-7)
    assert pooled.freedom == 5


def test_factors_are_the_handbooks():
    # K1 for 2 and 3 trials, K2 for 2 and 3 operators, K3 for 5 and 10 parts (handbook, appendix C)
    assert [1 / mean_range_of(count) for count in (2, 3)] == pytest.approx([0.8862, 0.5908], abs=5e-5)
    assert [1 / single_range_of(count) for count in (2, 3, 5, 10)] == pytest.approx(
        [0.7071, 0.5231, 0.4030, 0.3146], abs=5e-5
    )


@pytest.mark.parametrize("count", [2, 3, 5, 10])
def test_mean_ranges_are_those_of_the_range_distribution(count):
    # the range of normal numbers is the studentized range with no uncertainty of the spread
    distribution = studentized_range(count, 1e6)
    reach = np.linspace(0, 12, 601)
    survival = distribution.sf(reach[1:])
    assert np.trapezoid(np.concatenate([[1.0], survival]), reach) == pytest.approx(mean_range_of(count), rel=1e-4)
    second = np.trapezoid(2 * reach * np.concatenate([[1.0], survival]), reach)
    assert math.sqrt(second) == pytest.approx(single_range_of(count), rel=1e-4)


def simulate(rng, shape, lens, fitting, interaction, repeat):
    lenses, fittings, repeats = shape
    return (
        rng.normal(0, lens, (lenses, 1, 1))
        + rng.normal(0, fitting, (1, fittings, 1))
        + rng.normal(0, interaction, (lenses, fittings, 1))
        + rng.normal(0, repeat, (lenses, fittings, repeats))
    )


TRUTH = {"lens": 1.0, "fitting": 0.3, "interaction": 0.2, "repeat": 0.15}


def test_components_are_right_in_the_mean():
    rng = np.random.default_rng(21)
    found = [analyse(simulate(rng, (8, 6, 3), **TRUTH)).components for _ in range(600)]
    squares = np.array([[c.lens**2, c.fitting**2, c.interaction**2, c.repeat**2] for c in found])
    mean, error = squares.mean(axis=0), squares.std(axis=0) / math.sqrt(len(found))
    expected = np.array([1.0, 0.09, 0.04, 0.0225])
    assert (np.abs(mean - expected) < 4 * error).all(), (mean, error)


def test_both_methods_agree_in_the_mean_without_interaction():
    rng = np.random.default_rng(22)
    sets = [simulate(rng, (10, 3, 3), 1.0, 0.3, 0.0, 0.15) for _ in range(400)]
    by_range = np.mean([by_average_and_range(each).reproducibility ** 2 for each in sets])
    by_squares = np.mean([analyse(each).components.reproducibility ** 2 for each in sets])
    assert by_range == pytest.approx(0.09, rel=0.2)
    assert by_squares == pytest.approx(0.09, rel=0.2)


@pytest.mark.parametrize(("shape", "truth"), [
    ((8, 5, 3), TRUTH),
    ((10, 3, 2), TRUTH),
    ((6, 4, 2), {"lens": 0.5, "fitting": 0.1, "interaction": 0.4, "repeat": 0.1}),
])  # fmt: skip
def test_intervals_have_their_coverage(shape, truth):
    rng = np.random.default_rng(23)
    reproducibility = math.hypot(truth["fitting"], truth["interaction"])
    gauge = math.hypot(reproducibility, truth["repeat"])
    expected = {
        "repeatability": truth["repeat"],
        "reproducibility": reproducibility,
        "gauge": gauge,
        "lens": truth["lens"],
        "gauge_of_total": gauge / math.hypot(gauge, truth["lens"]),
        "categories": 1.41 * truth["lens"] / gauge,
    }
    draws, held = 400, dict.fromkeys(expected, 0)
    for _ in range(draws):
        found = find_intervals(analyse(simulate(rng, shape, **truth)), 0.95)
        for name, value in expected.items():
            interval = getattr(found, name)
            held[name] += interval.low <= value <= interval.high
    # 400 draws of a 95 % interval hold 0.95 +- 0.011; below 0.92 it would not keep its promise
    shares = {name: count / draws for name, count in held.items()}
    assert min(shares.values()) > 0.92, shares


def test_the_interval_of_repeatability_is_the_chi_squared_one():
    # 95 % interval of a standard deviation from 20 degrees of freedom: 0.765 to 1.444 of it (any table)
    rng = np.random.default_rng(24)
    found = analyse(simulate(rng, (5, 4, 2), 1.0, 1.0, 1.0, 0.1))
    assert not found.pooled
    interval = find_intervals(found, 0.95).repeatability
    assert interval.low / found.components.repeat == pytest.approx(0.765, abs=0.01)
    assert interval.high / found.components.repeat == pytest.approx(1.444, abs=0.02)


@pytest.mark.parametrize("lost", [0, 1])
def test_repeats_without_scatter_have_no_repeatability(lost):
    values = np.repeat(np.random.default_rng(26).normal(size=(5, 3, 1)), 2, axis=2)
    values[0, 0, 1 : 1 + lost] = np.nan
    interval = find_intervals(analyse(values), 0.95).repeatability
    assert interval.high == pytest.approx(0.0, abs=1e-6)


def test_with_one_repeat_all_scatter_counts_as_reproducibility():
    rng = np.random.default_rng(25)
    found = analyse(simulate(rng, (30, 20, 1), **TRUTH))
    assert found.interaction_probability is None
    assert found.components.repeatability == 0.0
    assert found.components.interaction == pytest.approx(math.hypot(0.2, 0.15), rel=0.1)
    assert by_average_and_range(np.zeros((3, 3, 1))) is None


def test_a_set_with_missing_readings_agrees_with_restricted_likelihood():
    # restricted likelihood, maximised here from its definition: another method, which agrees closely where little lacks
    from scipy.optimize import minimize

    rng = np.random.default_rng(26)
    values = simulate(rng, (8, 6, 2), **TRUTH)
    values[[1, 3, 6], [2, 0, 5], [1, 0, 1]] = np.nan
    lens, fitting, _ = np.nonzero(~np.isnan(values))
    y, one = values[~np.isnan(values)], np.ones((len(lens), 1))
    same = [np.equal.outer(each, each).astype(float) for each in (lens, fitting, lens * 6 + fitting)]

    def lack(logs):
        parts = np.exp(logs)
        v = sum(part * each for part, each in zip(parts, [*same, np.eye(len(y))], strict=True))
        inverse = np.linalg.inv(v)
        information = float((one.T @ inverse @ one)[0, 0])
        rest = y - float((one.T @ inverse @ y)[0]) / information
        return np.linalg.slogdet(v)[1] + math.log(information) + rest @ inverse @ rest

    best = minimize(
        lack, np.log([1.0, 0.1, 0.05, 0.02]), method="Nelder-Mead", options={"maxiter": 4000, "fatol": 1e-9}
    )
    found = analyse(values)
    assert found.missing == 3
    ours = [found.components.lens, found.components.fitting, found.components.interaction, found.components.repeat]
    assert ours == pytest.approx(np.sqrt(np.exp(best.x)), rel=0.05)


def test_nothing_missing_is_the_ordinary_analysis_and_one_reading_changes_little():
    lost = HANDBOOK.copy()
    lost[4, 1, 2] = np.nan
    whole, found = analyse(HANDBOOK), analyse(lost)
    assert [source.freedom for source in found.sources] == [9, 2, 18, 59]
    assert found.components.repeatability == pytest.approx(whole.components.repeatability, rel=0.02)
    assert found.components.reproducibility == pytest.approx(whole.components.reproducibility, rel=0.05)
    assert found.components.lens == pytest.approx(whole.components.lens, rel=0.02)


def test_components_are_right_in_the_mean_where_a_fifth_is_missing():
    rng = np.random.default_rng(27)
    found = []
    for _ in range(300):
        values = simulate(rng, (8, 6, 3), **TRUTH)
        values[rng.uniform(size=values.shape) < 0.2] = np.nan
        found.append(analyse(values).components)
    squares = np.array([[c.lens**2, c.fitting**2, c.interaction**2, c.repeat**2] for c in found])
    mean, error = squares.mean(axis=0), squares.std(axis=0) / math.sqrt(len(found))
    assert (np.abs(mean - [1.0, 0.09, 0.04, 0.0225]) < 4 * error).all(), (mean, error)


@pytest.mark.parametrize("truth", [
    {"lens": 3.0, "fitting": 0.0, "interaction": 0.0, "repeat": 1.0},
    {"lens": 3.0, "fitting": 0.5, "interaction": 0.0, "repeat": 1.0},
])  # fmt: skip
def test_the_interval_of_reproducibility_holds_where_there_is_little_or_none(truth):
    rng = np.random.default_rng(28)
    draws, held = 400, 0
    for _ in range(draws):
        interval = find_intervals(analyse(simulate(rng, (5, 3, 2), **truth)), 0.95).reproducibility
        held += interval.low <= math.hypot(truth["fitting"], truth["interaction"]) <= interval.high
    assert 0.93 <= held / draws <= 0.985


@pytest.mark.parametrize("there", [[[1, 0], [0, 1]], [[1, 1], [0, 1]], [[1, 1, 0, 0], [0, 0, 1, 1]]])
def test_lenses_that_share_too_few_fittings_are_refused(there):
    """No scatter of lenses, fittings or both is found where each reading is explained by its lens and fitting alone."""
    values = np.where(np.array(there)[..., None] == 1, np.random.default_rng(4).normal(size=(len(there), 1, 3)), np.nan)
    with pytest.raises(ValueError, match="lenses and fittings are confounded"):
        analyse(values)
