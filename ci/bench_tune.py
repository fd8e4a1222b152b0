"""Whether tuned limits keep their promise, on simulated populations whose truth is known.

python ci/bench_tune.py [--quick]
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from glasswright.judging.card import Card
from glasswright.tuning.aims import Aims
from glasswright.tuning.evidence import Evidence, Lens, set_far_apart
from glasswright.tuning.proposing import propose
from glasswright.tuning.sides import Reading, sides_of
from glasswright.tuning.spread import free_spread

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Population:
    """Lenses on one measure; more is better, and limits are lower ones."""

    name: str
    draw: Callable[[np.random.Generator, int], Array]
    """Healthy lenses."""
    share_below: Callable[[float], float]
    """Of healthy lenses."""
    sigma: float
    bad_share: float = 0.0
    bad_at: float = 0.0
    """Where bad lenses lie, in sigmas below the middle."""
    middle: float = 0.0

    def measure(self, generator: np.random.Generator, count: int) -> tuple[Array, Array]:
        """Give so many lenses, and which of them are bad."""
        bad = generator.uniform(size=count) < self.bad_share
        harmed = self.middle - self.sigma * (self.bad_at + generator.normal(size=count))
        return np.where(bad, harmed, self.draw(generator, count)), bad


def make_populations() -> tuple[Population, ...]:
    normal, skewed = stats.norm(), stats.lognorm(0.5)
    two = lambda x: 0.7 * stats.norm.cdf(x) + 0.3 * stats.norm.cdf(x, 3)  # noqa: E731
    return (
        Population("normal", lambda g, n: g.normal(size=n), normal.cdf, 1.0),
        # the long tail on the bad side: the harder way round
        Population("skewed", lambda g, n: -g.lognormal(0, 0.5, n), lambda x: skewed.sf(-x), skewed.std(), middle=-1.0),
        Population("two batches", lambda g, n: g.normal(size=n) + 3 * (g.uniform(size=n) < 0.3), two, 1.7),
        Population("5 % bad", lambda g, n: g.normal(size=n), normal.cdf, 1.0, bad_share=0.05, bad_at=10.0),
        Population("5 % faintly bad", lambda g, n: g.normal(size=n), normal.cdf, 1.0, bad_share=0.05, bad_at=4.0),
    )


def make_card(sides: int, rule: str, confidence: float) -> Card:
    limits = [{"measure": f"measure_toy.field_{number}_px", "min": -1e9} for number in range(sides)]
    valid = {"stand": "north-bench", "body": "Ostrel D7"}
    return Card.model_validate_json(
        json.dumps({"card": "toy", "valid_for": valid, "limits": limits, "rule": rule, "confidence": confidence})
    )


def make_evidence(values: Array, u: float, card: Card) -> Evidence:
    """Arrange (lenses, sides) measured values as the ledger's evidence is."""
    lenses = [
        Lens(
            ticket=f"T-{number}",
            serial=str(number),
            measured_at="",
            rehearsed=True,
            readings=tuple(Reading(value=float(value), u=u) for value in row),
        )
        for number, row in enumerate(values)
    ]
    sides = sides_of(card)
    healthy, far = set_far_apart(lenses, sides)
    return Evidence(sides=sides, healthy=healthy, bad=far, left_out=(), rehearsed=True, digest="")


def cover(population: Population, count: int, repeats: int, method: str) -> tuple[float, float, float]:
    """Give the share of limits that have 95 % of healthy lenses inside, the median share beyond them, and the share of
    repeats in which a limit was refused."""
    card = make_card(1, "simple", 0.95)
    below = []
    for repeat in range(repeats):
        generator = np.random.default_rng([41, repeat, count])
        true, _ = population.measure(generator, count)
        proposal = propose(make_evidence(true[:, None], 0.0, card), Aims(method=method))[0]
        below.append(math.nan if proposal.bound is None else population.share_below(proposal.bound))
    found = np.array(below)[~np.isnan(below)]
    refused = 1 - len(found) / repeats
    return (float((found <= 0.05).mean()), float(np.median(found)), refused) if len(found) else (math.nan, math.nan, 1)


def print_cover(repeats: int) -> None:
    print(f"95/95 limits, {repeats} repeats: the share of limits that have at least 95 % of healthy lenses inside (the")
    print("promise is 93 %), the median share of healthy lenses beyond them, and how often a limit was refused. Normal")
    print("limits promise this for normal populations only; for the others they show what the assumption costs.")
    print(f"  {'population':<18}{'lenses':>7}  {'distribution free':>24}  {'normal':>32}")
    for population in make_populations():
        for count in (20, 59, 100, 200):
            cells = []
            for method in ("distribution_free", "normal"):
                kept, median, refused = cover(population, count, repeats, method)
                cells.append(f"{100 * kept:.1f} % ({100 * median:.2f} %)" if refused < 1 else "refused")
                cells[-1] += f" {100 * refused:.0f} % refused" if 0 < refused < 1 else ""
            print(f"  {population.name:<18}{count:>7}  {cells[0]:>24}  {cells[1]:>32}")


def hold_together(sides: int, count: int, correlation: float, repeats: int) -> tuple[float, float]:
    """Give the share of repeats in which a guarded ticket of several limits holds 5 % or less of healthy lenses, and
    the median share that it holds."""
    card, u = make_card(sides, "guarded", 0.95), 0.3
    generator = np.random.default_rng(47)
    fresh = draw_correlated(generator, 20_000, sides, correlation)
    seen = fresh + u * generator.normal(size=fresh.shape)
    held = []
    for repeat in range(repeats):
        generator = np.random.default_rng([43, repeat, count])
        true = draw_correlated(generator, count, sides, correlation)
        evidence = make_evidence(true + u * generator.normal(size=true.shape), u, card)
        bounds = np.array([each.bound for each in propose(evidence, Aims())], dtype=np.float64)
        held.append(float((seen - evidence.sides[0].guard * u < bounds).any(axis=1).mean()))
    return float((np.array(held) <= 0.05).mean()), float(np.median(held))


def draw_correlated(generator: np.random.Generator, count: int, sides: int, correlation: float) -> Array:
    common = generator.normal(size=(count, 1))
    return math.sqrt(correlation) * common + math.sqrt(1 - correlation) * generator.normal(size=(count, sides))


CASES = ((1, 60, 0.0), (6, 40, 0.0), (6, 40, 0.8), (6, 250, 0.0), (6, 250, 0.8), (15, 450, 0.5))


def print_together(repeats: int) -> None:
    print()
    print(f"Whole ticket, at most 5 % of healthy lenses to be held (review counted), u = 0.3 sigma, {repeats} repeats:")
    print(f"  {'sides':>5}{'lenses':>8}{'correlation':>13}  {'promise kept':>13}  {'held (median)':>14}")
    for sides, count, correlation in (
        (1, 60, 0.0),
        (6, 40, 0.0),
        (6, 40, 0.8),
        (6, 250, 0.0),
        (6, 250, 0.8),
        (15, 450, 0.5),
    ):
        kept, held = hold_together(sides, count, correlation, repeats)
        print(f"  {sides:>5}{count:>8}{correlation:>13.1f}  {100 * kept:>11.1f} %  {100 * held:>12.2f} %")


def print_risks(draws: int) -> None:
    """Compare the guard-banded decision with JCGM 106's global risks, by its own integrals and by drawing."""
    print()
    print(f"Guarded decisions, normal process and tolerance +-0.2, u0 = 0.12, u = 0.04 ({draws} draws),")
    print("global risks as JCGM 106:2012, 9.5 defines them; released | bad is to be at most 1 - confidence:")
    print(f"  {'confidence':>10}{'guard':>8}  {'bad released':>13}{'computed':>10}  {'good held':>11}{'computed':>10}"
          f"  {'released | bad':>15}")  # fmt: skip
    generator = np.random.default_rng(53)
    true = 0.12 * generator.normal(size=draws)
    seen = true + 0.04 * generator.normal(size=draws)
    bad = np.abs(true) > 0.2
    for confidence in (0.5, 0.95, 0.97725):
        guard = float(stats.norm.ppf(confidence)) * 0.04
        released = np.abs(seen) <= 0.2 - guard
        consumer, producer = jcgm_risks(0.12, 0.04, 0.2, guard)
        print(
            f"  {confidence:>10.3f}{guard:>8.4f}  {100 * (bad & released).mean():>11.3f} %{100 * consumer:>8.3f} %"
            f"  {100 * (~bad & ~released).mean():>9.2f} %{100 * producer:>8.2f} %"
            f"  {100 * released[bad].mean():>13.2f} %"
        )


def jcgm_risks(u0: float, u: float, tolerance: float, guard: float) -> tuple[float, float]:
    """Give the global consumer's and producer's risk of a normal process (JCGM 106:2012, 9.5), by integration."""
    edge = tolerance - guard
    accepted = lambda x: stats.norm.cdf((edge - x) / u) - stats.norm.cdf((-edge - x) / u)  # noqa: E731
    x = np.linspace(-12 * u0, 12 * u0, 200_001)
    weight = stats.norm.pdf(x, scale=u0) * (x[1] - x[0])
    outside = np.abs(x) > tolerance
    return float((weight * accepted(x))[outside].sum()), float((weight * (1 - accepted(x)))[~outside].sum())


def print_gate(repeats: int) -> None:
    """Say how often tuned, guarded limits release lenses that truly lie beyond them."""
    print()
    print(f"Tuned guarded limits, 100 lenses, u = 0.3 sigma, {repeats} repeats: of lenses truly beyond the limit, the")
    print("share released is to be at most 5 %:")
    for population in make_populations():
        card, u, released = make_card(1, "guarded", 0.95), 0.3 * population.sigma, []
        for repeat in range(repeats):
            generator = np.random.default_rng([59, repeat])
            true, _ = population.measure(generator, 100)
            evidence = make_evidence((true + u * generator.normal(size=100))[:, None], u, card)
            bound = propose(evidence, Aims())[0].bound
            if bound is None:
                continue
            fresh, _ = population.measure(generator, 20_000)
            beyond = fresh[fresh < bound]
            if len(beyond):
                guard = evidence.sides[0].guard * u
                released.append(float(stats.norm.sf((bound + guard - beyond) / u).mean()))
        worst = max(released, default=math.nan)
        print(f"  {population.name:<18} mean {100 * float(np.mean(released)):.2f} %, worst repeat {100 * worst:.2f} %")


def print_freed(repeats: int) -> None:
    """Say how often the limit of the lenses themselves, measuring taken out, has 95 % of them inside."""
    print()
    print(f"Limits of the lenses themselves, spread freed from measuring, {repeats} repeats (cover, promise 93 %):")
    for count in (20, 50, 100):
        cells = []
        for u in (0.0, 0.3, 0.6, 1.0):
            kept = []
            for repeat in range(repeats):
                generator = np.random.default_rng([61, repeat, count])
                seen = generator.normal(size=count) + u * generator.normal(size=count)
                limit = free_spread(seen, np.full(count, u)).lower_limit(0.95, 0.95)
                kept.append(math.nan if limit is None else stats.norm.cdf(limit) <= 0.05)
            cells.append(f"u {u}: {100 * float(np.nanmean(kept)):.1f} %")
        print(f"  {count:>4} lenses  " + "   ".join(cells))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="eight repeats instead of a thousand")
    quick = parser.parse_args(arguments).quick
    repeats = 8 if quick else 1000
    print_cover(repeats)
    print_together(repeats // 4)
    print_gate(repeats // 4)
    print_freed(repeats)
    print_risks(100_000 if quick else 4_000_000)


if __name__ == "__main__":
    main()
