"""Reading and checking a folder of cards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.config import check, did_you_mean, scan_yaml
from glasswright.errors import WHOLE_FILE, ConfigError, Problem
from glasswright.judging.card import Card, Fact, Limit
from glasswright.judging.hand_checks import problem_of_hand_check
from glasswright.plugin.units import scale_of, unit_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.config import Document
    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.measurements import FieldDescription


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFile:
    """A card and its file."""

    card: Card
    document: Document

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's text."""
        return self.document.sha256


def load_cards(folder: Path, plugins: Plugins | None = None) -> Mapping[str, CardFile]:
    """Return the cards (`*.yaml`) in a folder, by lens model.

    Parameters
    ----------
    plugins
        If given, limits are also checked against the ranges of what the stages of each card's plan measure; required
        before judging.

    Raises
    ------
    ConfigError
        With every problem of every card, and for two cards of one model.
    """
    cards, problems = scan_cards(folder)
    if plugins is not None:
        problems += tuple(found for file in cards.values() for found in check_own_limits(file, plugins))
    if problems:
        raise ConfigError(problems)
    return cards


def scan_cards(folder: Path) -> tuple[Mapping[str, CardFile], tuple[Problem, ...]]:
    """Return the readable cards in a folder, and every problem of the others."""
    if not folder.is_dir():
        return {}, (Problem(str(folder), WHOLE_FILE, "there is no such folder of cards: correct --cards"),)
    cards: dict[str, CardFile] = {}
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.yaml")):
        try:
            document = scan_yaml(path)
        except ConfigError as error:
            problems += error.problems
            continue
        card, found = check(document, Card)
        problems += found
        if card is None:
            continue
        if card.card in cards:
            other = cards[card.card].document.path
            problems.append(
                document.problem(("card",), f"{other} is also a card for `{card.card}`: remove one of them")
            )
        cards.setdefault(card.card, CardFile(card=card, document=document))
    return cards, tuple(problems)


def check_card(file: CardFile, fields: Mapping[str, FieldDescription]) -> tuple[Problem, ...]:
    """Check a card against the fields that a plan measures.

    Parameters
    ----------
    fields
        `step.field` -> description, for every step of the plan.

    Returns
    -------
    Problems with their lines: a field that no step measures, a limit on a text, a guarded limit on a
    field without uncertainty, a limit that every value meets or every value misses.
    """
    card = file.card
    found = [
        file.document.problem(("limits", index, "measure"), message)
        for index, limit in enumerate(card.limits)
        if (message := _problem_of_limit(card, limit, fields))
    ]
    found += check_ranges(file, fields)
    found += [
        file.document.problem(("valid_for", "where", index, "measure"), message)
        for index, fact in enumerate(card.valid_for.where)
        if (message := _problem_of_fact(fact, fields))
    ]
    found += [
        file.document.problem(("hand_checks", index), message)
        for index, name in enumerate(card.hand_checks)
        if (message := problem_of_hand_check(name, fields))
    ]
    return tuple(found)


def check_sound_limits(
    folder: Path, cards: Mapping[str, CardFile], fields: Mapping[str, FieldDescription]
) -> tuple[Problem, ...]:
    """Check the readable limits of cards that are otherwise unreadable, so that all mistakes are reported at once.

    Parameters
    ----------
    cards
        The readable cards.
    """
    readable = {file.document.path for file in cards.values()}
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.yaml")) if folder.is_dir() else ():
        if path in readable:
            continue
        try:
            document = scan_yaml(path)
        except ConfigError:
            continue
        entries = document.data.get("limits") if isinstance(document.data, dict) else None
        for index in range(len(entries) if isinstance(entries, list) else 0):
            limit = check(document, Limit, "limits", index)[0]
            message = _problem_of_sound_limit(limit, fields) if limit is not None else ""
            if message:
                problems.append(document.problem(("limits", index, "measure"), message))
    return tuple(problems)


def _problem_of_sound_limit(limit: Limit, fields: Mapping[str, FieldDescription]) -> str:
    if limit.measure not in fields:
        return f"the plan measures no `{limit.measure}`: {did_you_mean(limit.measure, fields)}"
    return _problem_of_range(limit, fields[limit.measure])


def check_own_limits(file: CardFile, plugins: Plugins) -> tuple[Problem, ...]:
    """Check a card's limits against the ranges of the fields that the stages of its own plan measure."""
    steps = file.card.plan.stages if file.card.plan is not None else {}
    fields = {
        f"{name}.{field.path}": field
        for name, entry in steps.items()
        if entry.stage in plugins.stages
        for field in plugins.stages[entry.stage].fields
    }
    return check_ranges(file, fields)


def check_ranges(file: CardFile, fields: Mapping[str, FieldDescription]) -> tuple[Problem, ...]:
    """Return a problem for each limit that every value of its measure meets, or every value misses.

    Parameters
    ----------
    fields
        `step.field` -> description; for a measure not among them the range of its unit is used.
    """
    return tuple(
        file.document.problem(("limits", index, "measure"), message)
        for index, limit in enumerate(file.card.limits)
        if (message := _problem_of_range(limit, fields.get(limit.measure)))
    )


def _problem_of_range(limit: Limit, field: FieldDescription | None) -> str:
    name = limit.field.rpartition(".")[2]
    scale, unit = scale_of(name), unit_of(name)
    for side, number in (("min", limit.min), ("max", limit.max)):
        if number is not None and not scale.low <= number <= scale.high:
            return (
                f"`{side}` {number:g} of `{limit.measure}` limits nothing: all numbers in {unit} are within {scale}; "
                "correct it or remove it"
            )
    possible = field.range if field is not None else scale
    lower = -math.inf if limit.min is None else limit.min
    upper = math.inf if limit.max is None else limit.max
    misses, keeps = lower > possible.low or upper < possible.high, lower <= possible.high and upper >= possible.low
    if misses and keeps:
        return ""
    allowed = f"{possible} {unit}" if unit not in (None, "1") else str(possible)
    what = f"no value of `{limit.measure}` can {'meet' if misses else 'miss'} this limit"
    return f"{what}: its range is {allowed}; correct it or remove it"


def _problem_of_limit(card: Card, limit: Limit, fields: Mapping[str, FieldDescription]) -> str:
    field = fields.get(limit.measure)
    if field is None:
        return f"the plan measures no `{limit.measure}`: {did_you_mean(limit.measure, fields)}"
    if field.kind is str:
        return f"`{limit.measure}` is a text: a limit needs a number"
    if card.rule_of(limit) == "guarded" and not field.has_uncertainty:
        return (
            f"`{limit.measure}` has no uncertainty, so a guarded limit on it could never pass: "
            "write `rule: simple` for this limit, or choose a field that has one"
        )
    return ""


def _problem_of_fact(fact: Fact, fields: Mapping[str, FieldDescription]) -> str:
    field = fields.get(fact.measure)
    if field is None:
        return f"the plan measures no `{fact.measure}`: {did_you_mean(fact.measure, fields)}"
    if (field.kind is str) != (fact.text is not None):
        kind, right = ("a text", "`is`") if field.kind is str else ("a number", "`min` and `max`")
        return f"`{fact.measure}` is {kind}: compare it with {right}"
    return ""
