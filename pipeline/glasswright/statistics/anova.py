"""Analysis of variance of a crossed design: lenses x fittings x repeats, all random effects.

Two-way analysis with interaction; an insignificant interaction is pooled with the repeats. With missing readings the
method of fitting constants is used: the sum of squares of a source is what it explains beyond all sources that do not
contain it, and its expectation follows from the projections. For complete sets this is the ordinary analysis
(Henderson's method III, Biometrics 9 (1953) 226-252; Searle, Casella and McCulloch, Variance Components, 1992, 5.5).
Complete sets: Montgomery and Runger, Quality Engineering 6 (1993) 289-305; pooling at a probability above 0.25:
Bancroft and Han, as is common for preliminary tests (all from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.statistics.freedom import effective_freedom

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

POOL_ABOVE: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One line of the table: a source of variation."""

    name: str
    """`lens`, `fitting`, `interaction` or `repeat`."""
    sum_of_squares: float
    freedom: int

    @property
    def mean_square(self) -> float:
        """Sum of squares divided by degrees of freedom; 0 without degrees of freedom."""
        return self.sum_of_squares / self.freedom if self.freedom else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Variance components as standard deviations, in the field's unit."""

    lens: float
    """Between lenses."""
    fitting: float
    """Between fittings, common to all lenses."""
    interaction: float
    """Between fittings, different for each lens; 0 if it was pooled with the repeats."""
    repeat: float
    """Between repeats within a fitting; 0 if there was only one repeat, as the interaction then includes it."""

    @property
    def repeatability(self) -> float:
        """Scatter of one lens that stays mounted."""
        return self.repeat

    @property
    def reproducibility(self) -> float:
        """Additional scatter from mounting the lens again."""
        return math.hypot(self.fitting, self.interaction)

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility combined."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """Gauge and lenses combined."""
        return math.hypot(self.gauge, self.lens)


@dataclass(frozen=True, slots=True, kw_only=True)
class Anova:
    """The table of an analysis, and the variance components."""

    shape: tuple[int, int, int]
    """Number of lenses, fittings, and largest number of repeats."""
    missing: int
    """Number of missing readings, compared with a complete set of that shape."""
    sources: tuple[Source, Source, Source, Source]
    """Lens, fitting, interaction, repeat."""
    interaction_probability: float | None
    """Probability of so large an interaction by chance; None with one repeat."""
    pooled: bool
    """Whether the interaction was pooled with the repeats."""
    weights: tuple[tuple[float, ...], ...]
    """(4, 4): weights of the mean squares in the variances of lens, fitting, interaction and repeat."""
    components: Components

    @property
    def total_sum_of_squares(self) -> float:
        """Sum over all sources."""
        return sum(source.sum_of_squares for source in self.sources)

    @property
    def repeat_freedom(self) -> int:
        """Degrees of freedom of the repeatability."""
        *_, interaction, repeat = self.sources
        return repeat.freedom + (interaction.freedom if self.pooled else 0)

    @property
    def reproducibility_freedom(self) -> float:
        """Effective degrees of freedom of the reproducibility, a sum of mean squares (Satterthwaite)."""
        weights = np.array(self.weights)[1] + np.array(self.weights)[2]
        parts = [
            (weight * source.mean_square, float(source.freedom))
            for weight, source in zip(weights, self.sources, strict=True)
            if source.freedom
        ]
        return effective_freedom(parts)


def analyse(values: Array) -> Anova:
    """Analyse a crossed design.

    Parameters
    ----------
    values
        (lenses, fittings, repeats), at least two lenses and two fittings; NaN for a missing reading. With one repeat,
        interaction and repeats are confounded: all of that scatter then counts as interaction, so as reproducibility.

    Raises
    ------
    ValueError
        If lenses and fittings are confounded because too much is missing.
    """
    there = ~np.isnan(values)
    lenses, fittings, repeats = values.shape
    design = _find_design(there.tobytes(), values.shape)
    if min(design.freedom[:3]) < 1:
        raise ValueError("lenses and fittings are confounded: too few fittings are common to several lenses")
    readings = values[there] - values[there].mean()
    squares = [float(readings @ projection @ readings) for projection in design.projections]
    sources = [
        Source(name=name, sum_of_squares=max(square, 0.0), freedom=freedom)
        for name, square, freedom in zip(NAMES, squares, design.freedom, strict=True)
    ]
    interaction, repeat = sources[2:]
    probability = None
    if repeat.freedom:
        ratio = interaction.mean_square / repeat.mean_square if repeat.mean_square > 0 else math.inf
        from scipy.stats import f as f_distribution

        probability = float(f_distribution.sf(ratio, interaction.freedom, repeat.freedom))
    pooled = probability is not None and probability > POOL_ABOVE
    means = np.array([source.mean_square for source in sources])
    if pooled:
        means[2:] = (interaction.sum_of_squares + repeat.sum_of_squares) / (interaction.freedom + repeat.freedom)
    parts = np.maximum(design.weights @ means, 0.0)
    lens, fitting, crossed, again = (float(part) for part in np.sqrt(parts))
    return Anova(
        shape=(lenses, fittings, repeats),
        missing=int(there.size - there.sum()),
        sources=(sources[0], sources[1], interaction, repeat),
        interaction_probability=probability,
        pooled=pooled,
        weights=tuple(tuple(float(each) for each in row) for row in design.weights),
        # if pooled, both mean squares are equal and their difference is rounding
        components=Components(lens=lens, fitting=fitting, interaction=0.0 if pooled else crossed, repeat=again),
    )


NAMES: Final = ("lens", "fitting", "interaction", "repeat")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Design:
    """Quantities that depend only on which readings exist."""

    projections: tuple[Array, ...]
    """(readings, readings) for each source: its sum of squares is a quadratic form in the readings."""
    freedom: tuple[int, ...]
    weights: Array
    """(4, 4): weights of the mean squares in the variances."""


@lru_cache(maxsize=16)
def _find_design(there: bytes, shape: tuple[int, int, int]) -> _Design:
    lens, fitting, _ = np.nonzero(np.frombuffer(there, dtype=bool).reshape(shape))
    one = np.ones((len(lens), 1))
    of_lens, of_fitting, of_cell = (_indicate(each) for each in (lens, fitting, lens * shape[1] + fitting))
    both = _project(np.hstack([one, of_lens, of_fitting]))
    cells = _project(of_cell)
    projections = (both - _project(of_fitting), both - _project(of_lens), cells - both, np.eye(len(lens)) - cells)
    freedom = tuple(round(float(np.trace(each))) for each in projections)
    # contribution of a unit of each variance to each sum of squares
    adds = np.array([
        [*(float((each * (part @ part.T)).sum()) for part in (of_lens, of_fitting, of_cell)), float(np.trace(each))]
        for each in projections
    ])  # fmt: skip
    expected = np.array(
        [row / count if count else (0.0, 0.0, 0.0, 1.0) for row, count in zip(adds, freedom, strict=True)]
    )
    weights = np.linalg.inv(expected) if min(freedom[:3]) > 0 else np.zeros((4, 4))
    return _Design(projections=projections, freedom=freedom, weights=weights)


def _indicate(places: NDArray[np.int64]) -> Array:
    """Return (readings, groups): 1 where a reading belongs to a group."""
    return np.asarray(places[:, None] == np.unique(places)[None, :], dtype=np.float64)


def _project(columns: Array) -> Array:
    """Return the projection on the space spanned by columns."""
    basis, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    basis = basis[:, sizes > 1e-9 * sizes[0]]
    return np.asarray(basis @ basis.T)
