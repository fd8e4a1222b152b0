"""Tuned limits have the stated confidence, on simulated lenses with known truth; the full study: `ci/bench decisions`.

Each fraction is over repeats with different seeds. It must not be significantly below the stated confidence:
a binomial test at 1 in 1,000, which detects a confidence of 90 % instead of 95 %.
"""

import numpy as np
import pytest
from decisions_tuning import make_evidence
from scipy import stats

from glasswright.statistics.order_limits import cut_blocks
from glasswright.statistics.stability import find_change
from glasswright.tuning.aims import Aims
from glasswright.tuning.proposing import propose

REPEATS = 150


def assert_kept(kept, promise=0.95):
    count, repeats = int(np.sum(kept)), len(kept)
    assert stats.binom.cdf(count, repeats, promise) > 1e-3, f"kept in {count} of {repeats} repeats"


POPULATIONS = {
    "normal": (lambda g, n: g.normal(size=n), stats.norm.cdf, 0.8),
    "t": (lambda g, n: g.standard_t(5, n), lambda x: stats.t.cdf(x, 5), 0.4),
    "two batches": (
        lambda g, n: g.normal(size=n) + 3 * (g.uniform(size=n) < 0.3),
        lambda x: 0.7 * stats.norm.cdf(x) + 0.3 * stats.norm.cdf(x - 3),
        0.8,
    ),
}


@pytest.mark.parametrize("name", POPULATIONS)
@pytest.mark.parametrize("count", [90, 130])
def test_a_distribution_free_limit_keeps_its_confidence_for_any_population(name, count):
    draw, below, claimed = POPULATIONS[name]
    kept = []
    for repeat in range(REPEATS):
        found = propose(make_evidence(draw(np.random.default_rng([2, repeat]), count)[:, None]), Aims())[0]
        if found.proven:
            kept.append(below(found.bound) <= 0.05)
    assert len(kept) > claimed * REPEATS
    assert_kept(kept)


def test_too_few_lenses_or_a_tail_on_the_bad_side_give_no_guarantee():
    for repeat in range(30):
        generator = np.random.default_rng([3, repeat])
        found = propose(make_evidence(generator.normal(size=(60, 1))), Aims())[0]
        assert not found.proven
        assert "confidence" not in found.reason
        found = propose(make_evidence(-generator.lognormal(0, 0.5, (200, 1))), Aims())[0]
        assert found.method == "refused"


def test_unnoticed_bad_lenses_are_to_be_inspected():
    passed = []
    for repeat in range(60):
        generator = np.random.default_rng([4, repeat])
        values = generator.normal(size=(120, 1)) - 4.0 * (generator.uniform(size=(120, 1)) < 0.1)
        bound = propose(make_evidence(values), Aims())[0].bound
        passed.append(0.0 if bound is None else stats.norm.sf(bound + 4))
    assert np.mean(passed) <= 0.1


def test_lenses_that_the_card_holds_are_never_released_or_counted_as_healthy():
    for repeat in range(60):
        generator = np.random.default_rng([5, repeat])
        values = generator.normal(size=120)
        values[:12] = -generator.uniform(3.5, 6, 12)
        found = propose(make_evidence(values[:, None], bound=-3.0), Aims())[0]
        assert found.bound is None or found.bound >= -3.0


def test_tuning_again_on_what_passed_does_not_move_the_limit():
    bound, bounds = -1e9, []
    for turn in range(10):
        values = np.random.default_rng([6, turn]).normal(size=130)
        found = propose(make_evidence(values[values >= bound][:, None], bound=bound), Aims())[0]
        bound = bound if found.bound is None else found.bound
        bounds.append(bound)
    assert len(set(bounds)) == 1


@pytest.mark.parametrize("correlation", [0.0, 0.8])
def test_several_limits_together_hold_no_more_than_the_ticket_may(correlation):
    sides, count = 5, 260
    truth = correlated(np.random.default_rng(4), 20_000, sides, correlation)
    kept = []
    for repeat in range(40):
        values = correlated(np.random.default_rng([7, repeat]), count, sides, correlation)
        found = propose(make_evidence(values), Aims())
        if all(each.proven for each in found):
            bounds = np.array([each.bound for each in found])
            kept.append((truth < bounds).any(axis=1).mean() <= 0.05)
    assert len(kept) > 30
    assert_kept(kept)


def correlated(generator, count, sides, correlation):
    common = generator.normal(size=(count, 1))
    return np.sqrt(correlation) * common + np.sqrt(1 - correlation) * generator.normal(size=(count, sides))


def test_a_steady_series_is_seldom_taken_for_a_changing_one():
    found = [find_change(np.random.default_rng([8, n]).normal(size=60), 0.05) for n in range(400)]
    assert 2 < sum(each is not None for each in found) <= stats.binom.ppf(0.999, 400, 0.05)


def test_a_step_is_located():
    values = np.random.default_rng(9).normal(size=80) - 2.0 * (np.arange(80) >= 50)
    found = find_change(values, 0.01)
    assert found.kind == "step"
    assert abs(found.place - 50) <= 3
    assert found.after < found.before - 1
    ramp = np.random.default_rng(9).normal(size=80) - np.linspace(0, 3, 80)
    assert find_change(ramp, 0.01) is not None
    assert find_change(np.ones(30), 0.5) is None
    assert find_change(np.arange(7.0), 0.5) is None


def test_cutting_blocks_by_hand():
    values = np.array([[1.0, 9.0], [2.0, 1.0], [3.0, 2.0], [4.0, 3.0], [5.0, 0.5]])
    # the lowest of the first measure (1), then of those left the lowest of the second (0.5), then 2, then 2
    assert cut_blocks(values, 2).tolist() == [1.0, 0.5]
    assert cut_blocks(values, 4).tolist() == [2.0, 2.0]
