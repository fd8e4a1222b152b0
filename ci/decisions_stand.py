"""Simulations of control charts: rate of false alarms, and nights until a step is detected."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from glasswright.statistics.control import find_autocorrelations, find_baseline, rate_of_chart

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CHARTS = 5
PROMISE = 200
WEIGHT = 0.2
WATCHED_NIGHTS = 60
BASELINES = (8, 15, 25, 50, 100)


def draw_nights(generator: np.random.Generator, stands: int, nights: int, correlations: tuple[float, ...]) -> Array:
    """Return (nights, stands, charts) of stable stands, with first-order autocorrelation."""
    correlation = np.array(correlations)
    values = generator.normal(size=(nights, stands, len(correlations)))
    for night in range(1, nights):
        values[night] = correlation * values[night - 1] + np.sqrt(1 - correlation**2) * values[night]
    return values


def watch(values: Array, baseline: int, declared: float | None = None) -> Array:
    """Return (nights after the baseline, stands, charts): True where out of control."""
    _, stands, charts = values.shape
    rate = rate_of_chart(PROMISE, charts)
    centre, point, average = (np.zeros((stands, charts)) for _ in range(3))
    for stand in range(stands):
        known = [values[:baseline, stand, chart].tolist() for chart in range(charts)]
        for chart, correlation in enumerate(find_autocorrelations(known, declared)):
            found = find_baseline(known[chart], correlation)
            assert not isinstance(found, str), found
            centre[stand, chart] = found.centre
            point[stand, chart] = found.point_limit(rate)
            average[stand, chart] = found.average_limit(rate, WEIGHT)
    moving, out = centre.copy(), []
    for night, row in enumerate(values):
        moving = moving + WEIGHT * (row - moving)
        if night >= baseline:
            out.append((np.abs(row - centre) > point) | (np.abs(moving - centre) > average))
    return np.array(out)


CASES: dict[str, tuple[tuple[float, ...], float | None]] = {
    "independent": ((0.0,) * CHARTS, None),
    "independent, declared so": ((0.0,) * CHARTS, 0.0),
    "0.3 on all": ((0.3,) * CHARTS, None),
    "0.3 on all, declared": ((0.3,) * CHARTS, 0.3),
    "0.3 on one": ((0.3, *(0.0,) * (CHARTS - 1)), None),
}
"""Autocorrelation of the charts, and what the stand file declares."""


def print_stand(quick: bool) -> None:
    repeats = 4 if quick else 1500
    print(f"The stand: {CHARTS} charts, one false night in {PROMISE} promised, {repeats} stands, {WATCHED_NIGHTS}")
    print(
        "nights: false nights over the promise; stands that are called out at all within 30 nights; nights until a step"
    )
    print("of 2 sigma on one chart is seen (mean, median; 60 at most)")
    for baseline in BASELINES:
        for name, (correlations, declared) in CASES.items():
            generator = np.random.default_rng([103, baseline])
            values = draw_nights(generator, repeats, baseline + WATCHED_NIGHTS, correlations)
            out = watch(values, baseline, declared).any(axis=2)
            rates, within = out.mean(axis=0), out[:30].any(axis=0).mean()
            values[baseline:, :, 0] += 2.0
            hits = watch(values, baseline, declared)[:, :, 0]
            seen = np.where(hits.any(axis=0), hits.argmax(axis=0) + 1, WATCHED_NIGHTS)
            mean, error = float(rates.mean()), 1.96 * float(rates.std()) / math.sqrt(repeats)
            print(
                f"  {baseline:>3} nights, {name:<25} {PROMISE * mean:4.2f} +- {PROMISE * error:.2f} times; "
                f"{100 * within:3.0f} % of stands; step seen after {seen.mean():4.1f}, {np.median(seen):2.0f}"
            )
