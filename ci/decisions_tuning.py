"""Simulations of tuning: how often tuned limits keep their promise, and what they let pass."""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from glasswright.judging.card import Card
from glasswright.statistics.shares import counted_share
from glasswright.tuning.aims import Aims
from glasswright.tuning.evidence import Evidence, Lens
from glasswright.tuning.proposing import propose
from glasswright.tuning.sides import Reading, sides_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from glasswright.tuning.proposing import Proposal

    Array = NDArray[np.float64]
    Draw = Callable[[np.random.Generator, int], Array]

FIRST_NIGHT = date(2026, 1, 1)
FAR = -1e9
"""A limit that holds no lens."""


@dataclass(frozen=True)
class Population:
    """Healthy lenses on one measure; lower is worse, and limits are lower limits."""

    name: str
    draw: Draw
    below: Callable[[float], float]
    """Fraction of future lenses below a limit."""


def make_populations() -> tuple[Population, ...]:
    normal, two = stats.norm, lambda x: 0.7 * stats.norm.cdf(x) + 0.3 * stats.norm.cdf(x - 3)
    return (
        Population("normal", lambda g, n: g.normal(size=n), normal.cdf),
        Population("lognormal 0.5", lambda g, n: -g.lognormal(0, 0.5, n), lambda x: stats.lognorm.sf(-x, 0.5)),
        Population("lognormal 0.25", lambda g, n: -g.lognormal(0, 0.25, n), lambda x: stats.lognorm.sf(-x, 0.25)),
        Population("t, 5 degrees", lambda g, n: g.standard_t(5, n), lambda x: stats.t.cdf(x, 5)),
        Population("two revisions", lambda g, n: g.normal(size=n) + 3.0 * (g.uniform(size=n) < 0.3), two),
        Population("in steps of 0.5", lambda g, n: np.round(2 * g.normal(size=n)) / 2, below_steps),
        Population("drift of 2 sigma", drift, lambda x: normal.cdf(x + 2)),
        Population("step of 2 sigma", lambda g, n: g.normal(size=n) - 2.0 * (np.arange(n) > n / 2),
                   lambda x: normal.cdf(x + 2)),
        Population("92 % zeros", zeros, lambda x: 0.08 * math.exp(x / 2) if x < 0 else 0.08),
    )  # fmt: skip


def below_steps(bound: float) -> float:
    return float(stats.norm.cdf(math.ceil(2 * bound - 1e-9) / 2 - 0.25))


def drift(generator: np.random.Generator, count: int) -> Array:
    return generator.normal(size=count) - np.linspace(0, 2, count)


def zeros(generator: np.random.Generator, count: int) -> Array:
    return -np.where(generator.uniform(size=count) < 0.08, generator.exponential(2, count), 0.0)


def make_card(sides: int, bound: float) -> Card:
    limits = [{"measure": f"measure_toy.field_{number}_px", "min": bound} for number in range(sides)]
    valid = {"stand": "north-bench", "body": "Ostrel D7"}
    return Card.model_validate_json(json.dumps({"card": "toy", "valid_for": valid, "limits": limits}))


def make_evidence(values: Array, bound: float = FAR, u: float = 0.0, sound: Sequence[int] = ()) -> Evidence:
    """Return (lenses, sides) values as evidence, in order of time."""
    band = float(stats.norm.ppf(0.95)) * u
    lenses = [
        Lens(
            ticket=f"T-{number:04d}",
            serial=str((7919 * number) % 10007),  # in no order
            night=FIRST_NIGHT + timedelta(days=number),
            rehearsed=False,
            readings=tuple(Reading(value=float(value), u=u, band=band) for value in row),
            sound="found sound" if number in sound else "",
            held="" if number in sound or min(row) - band >= bound else "a limit",
        )
        for number, row in enumerate(values)
    ]
    return Evidence(
        sides=sides_of(make_card(values.shape[1], bound)),
        healthy=tuple(lens for lens in lenses if not lens.held),
        bad=(),
        held=tuple(lens for lens in lenses if lens.held),
        left_out=(),
        rehearsed=False,
        digest="",
    )


def share(count: int, total: int) -> str:
    """Format a proportion with its 95 % interval."""
    return str(counted_share(count, total)) if total else "-"


def print_tuning(quick: bool) -> None:
    repeats = 3 if quick else 400
    print_claims(repeats)
    print_ticket_claims(max(3, repeats // 6))
    print_contamination(repeats)
    print_held(repeats)
    print_rounds(max(3, repeats // 6))


def print_claims(repeats: int) -> None:
    print(f"Tuning: at most 5 % of healthy lenses held, with confidence 0.95. One limit, {repeats} repeats: how often")
    print("this is claimed, in how many of the claims it is true (target: 93 %), and the other proposals.")
    for population in make_populations():
        for count in (30, 60, 95, 120, 250):
            methods: Counter[str] = Counter()
            true = 0
            for repeat in range(repeats):
                values = population.draw(np.random.default_rng([71, repeat, count]), count)
                found = propose(make_evidence(values[:, None]), Aims())[0]
                methods[found.method] += 1
                if found.proven and found.bound is not None:
                    true += population.below(found.bound) <= 0.05
            claims = methods.pop("distribution_free", 0)
            others = ", ".join(f"{method.replace('_', ' ')} {100 * n / repeats:.0f} %" for method, n in methods.items())
            print(f"  {population.name:<18}{count:>4} lenses: claimed {100 * claims / repeats:5.1f} %, true in "
                  f"{share(true, claims):<24}  {others}")  # fmt: skip


def print_ticket_claims(repeats: int) -> None:
    print(f"The same for whole tickets of 19 limits of normal lenses, {repeats} repeats:")
    for count in (60, 250, 700):
        claims = true = 0
        for repeat in range(repeats):
            generator = np.random.default_rng([73, repeat, count])
            found = propose(make_evidence(generator.normal(size=(count, 19))), Aims())
            claimed = [each for each in found if each.proven and each.bound is not None]
            if len(claimed) < 19:
                continue
            claims += 1
            inside = np.prod([1 - stats.norm.cdf(each.bound) for each in claimed])
            true += 1 - inside <= 0.05
        print(f"  {count:>4} lenses: claimed {100 * claims / repeats:5.1f} %, true in {share(true, claims)}")


def print_contamination(repeats: int) -> None:
    print(
        f"Unnoticed bad lenses in the history, so many sigma below, with a standard deviation of one sigma. {repeats}"
    )
    print("repeats: fraction of such lenses that pass the proposed limit, and how often none is proposed.")
    for count in (60, 120, 250):
        for bad in (0.0, 0.05, 0.1, 0.2):
            cells = []
            for sigmas in (3, 4, 5, 6):
                passed, none = [], 0
                for repeat in range(repeats):
                    generator = np.random.default_rng([79, repeat, count])
                    values = generator.normal(size=count) - sigmas * (generator.uniform(size=count) < bad)
                    bound = propose(make_evidence(values[:, None]), Aims())[0].bound
                    none += bound is None
                    passed.append(0.0 if bound is None else float(stats.norm.sf(bound + sigmas)))
                cells.append(f"{sigmas} sigma {100 * np.mean(passed):4.1f} % (none {100 * none / repeats:3.0f} %)")
            print(f"  {count:>4} lenses, {100 * bad:2.0f} % bad: " + "  ".join(cells))


def print_held(repeats: int) -> None:
    print(f"A tenth of 120 lenses is bad by 3.5 to 6 sigma and held by the card at -3 sigma, {repeats} repeats:")
    released, numbers = 0, Counter[str]()
    loosened = 0
    for repeat in range(repeats):
        generator = np.random.default_rng([83, repeat])
        values = generator.normal(size=120)
        bad = generator.uniform(size=120) < 0.1
        values[bad] = -generator.uniform(3.5, 6, int(bad.sum()))
        found = propose(make_evidence(values[:, None], -3.0), Aims())[0]
        numbers[found.method] += 1
        limit = -3.0 if found.bound is None else found.bound
        loosened += limit < -3.0
        released += int((values[values < -3.0] >= limit).sum())
    print(f"  limits made laxer: {loosened}; held lenses that would pass: {released}; {dict(numbers)}")
    print("  the same, the three held lenses nearest to the limit found sound by a person:")
    moved: Counter[str] = Counter()
    for repeat in range(repeats):
        generator = np.random.default_rng([83, repeat])
        values = generator.normal(size=120)
        values[:12] = -generator.uniform(3.5, 6, 12)
        nearest = set(np.argsort(-values[:12])[:3].tolist())
        found = propose(make_evidence(values[:, None], -3.0, sound=sorted(nearest)), Aims())[0]
        limit = -3.0 if found.bound is None else found.bound
        unmarked = [value for place, value in enumerate(values[:12]) if place not in nearest]
        moved["laxer"] += limit < -3.0
        moved["unmarked passing"] += sum(value >= limit for value in unmarked)
    print(f"  {dict(moved)}")


def tune_again(generator: np.random.Generator, rounds: int, keeps_held: bool) -> list[float]:
    """Tune in rounds of 120 fresh lenses each; only those that passed, or all, are in the next round's history."""
    bound, bounds = FAR, []
    history = np.empty(0)
    for _ in range(rounds):
        fresh = generator.normal(size=120)
        history = fresh if not keeps_held else np.concatenate([history, fresh])
        values = history if keeps_held else history[history >= bound]
        found: Proposal = propose(make_evidence(values[:, None], bound), Aims())[0]
        bound = bound if found.bound is None else found.bound
        bounds.append(bound)
    return bounds


def print_rounds(repeats: int) -> None:
    print(f"Tuning ten times, each time on 120 fresh lenses, {repeats} repeats; the limit after rounds 1, 5 and 10:")
    for keeps_held in (False, True):
        tuned = [tune_again(np.random.default_rng([89, repeat]), 10, keeps_held) for repeat in range(repeats)]
        medians = np.median([[each[0], each[4], each[9]] for each in tuned if each[0] > FAR], axis=0)
        what = "with those that were held" if keeps_held else "on passed lenses only"
        print(f"  {what}: " + ", ".join(f"{value:.2f}" for value in medians) + " sigma (median)")
