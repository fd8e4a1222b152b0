"""The plan of a study: how often to mount which lens, and in which order."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.study.studying import ENOUGH_FREEDOM

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from glasswright.judging.card import Card, Limit

FEWEST_LENSES = 2
"""Fewest lenses of a model: the study compares lenses of one model."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyLens:
    """A lens of the study."""

    model: str
    serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTicket:
    """One ticket of the study."""

    number: str
    lens: StudyLens
    fitting: int
    """From 1; the same for all lenses of a round."""
    repeat: int
    """From 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """The tickets of a study in the order in which to shoot them."""

    tickets: tuple[PlannedTicket, ...]
    fittings: int
    repeats: int
    freedom: float
    """Expected degrees of freedom of the reproducibility, for the model with the fewest lenses, if the mountings of the
    lenses are independent."""


def count_fittings(lenses: int, freedom: float = ENOUGH_FREEDOM) -> int:
    """Return the number of mountings of each lens for so many degrees of freedom of the reproducibility.

    `lenses` is the number of lenses of one model, since each model is analysed by itself. If each mounting scatters
    independently of those of the other lenses, the mean squares of fittings and of the interaction have one
    expectation, and Satterthwaite's formula gives lenses x (fittings - 1). What all lenses of a round share (the chart
    hung again, another operator) has only fittings - 1.
    """
    return 1 + math.ceil(freedom / lenses)


def plan_study(lenses: Sequence[StudyLens], fittings: int, repeats: int, first: int = 1, seed: int = 1) -> StudyPlan:
    """Return the tickets of a study, in rounds of one mounting of every lens, each round in a random order.

    Parameters
    ----------
    lenses
        Two or more of each model.
    fittings
        Mountings of each lens.
    repeats
        Tickets of each mounting.
    first
        Number of the first ticket.
    seed
        Of the order.
    """
    order = random.Random(seed)
    tickets: list[PlannedTicket] = []
    for fitting in range(1, fittings + 1):
        for lens in order.sample(list(lenses), len(lenses)):
            for repeat in range(1, repeats + 1):
                number = f"S-{first + len(tickets):04d}"
                tickets.append(PlannedTicket(number=number, lens=lens, fitting=fitting, repeat=repeat))
    return StudyPlan(
        tickets=tuple(tickets),
        fittings=fittings,
        repeats=repeats,
        freedom=float(count_fewest(lenses) * (fittings - 1)),
    )


def count_fewest(lenses: Sequence[StudyLens]) -> int:
    """Return the smallest number of lenses of any model."""
    return min(Counter(lens.model for lens in lenses).values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Which guarded limits the study's lenses cover."""

    settings: Mapping[str, tuple[str, ...]]
    """Model -> the settings at which its card has limits."""
    covered: int
    missing: Mapping[str, tuple[str, ...]]
    """Measure -> models whose card limits it, where no lens of the study has a limit on it."""


def find_coverage(cards: Mapping[str, Card], models: Collection[str]) -> Coverage:
    """Return what a study of some models covers of the guarded limits of all cards.

    The stand file has one number for each measure, so a measure is covered by any model on whose card it is limited.
    """
    by_measure: dict[str, set[str]] = {}
    settings: dict[str, tuple[str, ...]] = {}
    for model, card in cards.items():
        guarded = [limit for limit in card.limits if card.rule_of(limit) == "guarded"]
        for limit in guarded:
            by_measure.setdefault(limit.measure, set()).add(model)
        if model in models:
            settings[model] = _list_settings(guarded)
    missing = {
        measure: tuple(sorted(limited)) for measure, limited in sorted(by_measure.items()) if not limited & set(models)
    }
    return Coverage(settings=settings, covered=len(by_measure) - len(missing), missing=missing)


def _list_settings(limits: Sequence[Limit]) -> tuple[str, ...]:
    return tuple(sorted({str(limit.at) for limit in limits if limit.at != type(limit.at)()}))
