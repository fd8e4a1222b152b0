"""Analysis of variance of a crossed set: lenses x fittings x repeats, all three taken at random.

Two-way analysis with interaction; the interaction is taken into the repeats where it is not seen. Formulas: Montgomery
and Runger, Quality Engineering 6 (1993) 289-305; the pooling at a probability above 0.25: Bancroft and Han, as is
common for preliminary tests (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import f as f_distribution

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

POOL_ABOVE: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One line of the table: where scatter comes from."""

    name: str
    """`lens`, `fitting`, `interaction` or `repeat`."""
    sum_of_squares: float
    freedom: int

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom; 0 where there are none."""
        return self.sum_of_squares / self.freedom if self.freedom else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Standard deviations of the parts of a number's scatter, in the field's unit."""

    lens: float
    """Between the lenses themselves."""
    fitting: float
    """Between fittings, common to all lenses."""
    interaction: float
    """Between fittings, of each lens its own; 0 where it was taken into the repeats."""
    repeat: float
    """Between repeats within a fitting; 0 where there was one only, and the interaction holds it."""

    @property
    def repeatability(self) -> float:
        """What the same lens gives again while it stays where it is."""
        return self.repeat

    @property
    def reproducibility(self) -> float:
        """What fitting the lens anew adds."""
        return math.hypot(self.fitting, self.interaction)

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """The gauge and the lenses together."""
        return math.hypot(self.gauge, self.lens)


@dataclass(frozen=True, slots=True, kw_only=True)
class Anova:
    """The table of an analysis, and what follows from it."""

    shape: tuple[int, int, int]
    """Lenses, fittings, repeats."""
    sources: tuple[Source, Source, Source, Source]
    """Lens, fitting, interaction, repeat."""
    interaction_probability: float | None
    """Of so large an interaction by chance; None with one repeat."""
    pooled: bool
    """The interaction was taken into the repeats."""
    components: Components

    @property
    def total_sum_of_squares(self) -> float:
        """Of all sources."""
        return sum(source.sum_of_squares for source in self.sources)

    @property
    def repeat_freedom(self) -> int:
        """Degrees of freedom behind the repeatability."""
        *_, interaction, repeat = self.sources
        return repeat.freedom + (interaction.freedom if self.pooled else 0)


def analyse(values: Array) -> Anova:
    """Analyse a balanced crossed set.

    Parameters
    ----------
    values
        (lenses, fittings, repeats), two lenses and two fittings at least. With one repeat, the interaction and the
        repeats cannot be told apart: all of that scatter then counts as interaction, so as reproducibility.
    """
    lenses, fittings, repeats = values.shape
    sources = _divide(values)
    *_, interaction, repeat = sources
    probability = None
    if repeats > 1:
        ratio = interaction.mean_square / repeat.mean_square if repeat.mean_square > 0 else math.inf
        probability = float(f_distribution.sf(ratio, interaction.freedom, repeat.freedom))
    pooled = probability is not None and probability > POOL_ABOVE
    squares = np.array([source.mean_square for source in sources])
    if pooled:
        squares[2:] = (interaction.sum_of_squares + repeat.sum_of_squares) / (interaction.freedom + repeat.freedom)
    parts = components_of(squares[:, None], (lenses, fittings, repeats))[:, 0]
    lens, fitting, crossed, again = (float(part) for part in np.sqrt(parts))
    return Anova(
        shape=(lenses, fittings, repeats),
        sources=sources,
        interaction_probability=probability,
        pooled=pooled,
        components=Components(lens=lens, fitting=fitting, interaction=crossed, repeat=again),
    )


def _divide(values: Array) -> tuple[Source, Source, Source, Source]:
    lenses, fittings, repeats = values.shape
    mean, cells = values.mean(), values.mean(axis=2)
    of_lens, of_fitting = cells.mean(axis=1), cells.mean(axis=0)
    crossed = cells - of_lens[:, None] - of_fitting[None, :] + mean
    squares = (
        ("lens", fittings * repeats * ((of_lens - mean) ** 2).sum(), lenses - 1),
        ("fitting", lenses * repeats * ((of_fitting - mean) ** 2).sum(), fittings - 1),
        ("interaction", repeats * (crossed**2).sum(), (lenses - 1) * (fittings - 1)),
        ("repeat", ((values - cells[:, :, None]) ** 2).sum(), lenses * fittings * (repeats - 1)),
    )
    made = [Source(name=name, sum_of_squares=float(square), freedom=freedom) for name, square, freedom in squares]
    return made[0], made[1], made[2], made[3]


def components_of(mean_squares: Array, shape: tuple[int, int, int]) -> Array:
    """Give the variances that mean squares stand for: lens, fitting, interaction, repeat; none below 0.

    Parameters
    ----------
    mean_squares
        (4, draws): of lens, fitting, interaction and repeat. Where the interaction was taken into the repeats, both are
        the common one, and the interaction comes out 0.
    """
    lenses, fittings, repeats = shape
    lens, fitting, interaction, repeat = mean_squares
    parts = (
        (lens - interaction) / (fittings * repeats),
        (fitting - interaction) / (lenses * repeats),
        (interaction - repeat) / repeats,
        repeat,
    )
    return np.asarray(np.maximum(np.stack(parts), 0.0))
