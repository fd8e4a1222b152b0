"""Proportions with confidence intervals."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A proportion (0 to 1) with its 95 % confidence interval."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        """Return the proportion in per cent: `4.8 % (1.2 to 11.0)`."""
        return f"{100 * self.value:.1f} % ({100 * self.low:.1f} to {100 * self.high:.1f})"


def counted_share(count: int, total: int, confidence: float = 0.95) -> Share:
    """Return a counted proportion with its exact binomial interval (Clopper and Pearson, Biometrika 1934)."""
    if total == 0:
        return Share(value=0.0, low=0.0, high=1.0)
    from scipy.stats import binomtest

    interval = binomtest(count, total).proportion_ci(confidence, method="exact")
    return Share(value=count / total, low=float(interval.low), high=float(interval.high))
