"""What measures are called in sentences for people: a plugin says it, by patterns of `step.field`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from glasswright.errors import PluginError

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["FieldNames"]

ATTRIBUTES: Final = ("FIELD_NAMES", "CAVEATS", "IN_ORDER")
MEASURE: Final = re.compile(r"`?\b([a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)+_[a-z_]+)\b`?")
"""`step.field`: parts joined by dots, the last with a unit; a file's name has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNames:
    """Names by pattern; what no pattern fits keeps its own name."""

    by_pattern: Mapping[str, str] = field(default_factory=dict)
    """`step.field`, where `*` stands for one part -> words, in which `{0}`, `{1}` ... are those parts in words."""

    by_caveat: Mapping[str, str] = field(default_factory=dict)
    """Caveat -> what it means."""

    by_limit: Mapping[str, str] = field(default_factory=dict)
    """`step.field` -> what is said of a lens that keeps the limit on it, to its owner."""

    def explain(self, caveat: str) -> str:
        """Say what a caveat means; one that nobody explains is given in its own words."""
        words = self.by_caveat.get(caveat, caveat.replace("_", " "))
        return words[:1].upper() + words[1:]

    def name(self, measure: str) -> str:
        """Return the words for a measure, or the measure itself."""
        for pattern, words in self.by_pattern.items():
            match = re.fullmatch(re.escape(pattern).replace(r"\*", r"([^.]+)"), measure)
            if match:
                return words.format(*(part.replace("_", " ") for part in match.groups()))
        return measure

    def in_words(self, text: str) -> str:
        """Return a sentence with the names of measures in it put into words."""
        return MEASURE.sub(lambda match: self._replace(match[0], match[1]), text)

    def _replace(self, whole: str, measure: str) -> str:
        name = self.name(measure)
        return whole if name == measure else name

    def joined(self, more: FieldNames) -> FieldNames:
        """Return these with another plugin's behind them."""
        return FieldNames(
            by_pattern={**more.by_pattern, **self.by_pattern},
            by_caveat={**more.by_caveat, **self.by_caveat},
            by_limit={**more.by_limit, **self.by_limit},
        )


def read_field_names(module: ModuleType) -> FieldNames:
    """Read a plugin's names from its module; none if it has none.

    Raises
    ------
    PluginError
        Where that is no mapping from texts to texts.
    """
    found = [getattr(module, attribute, {}) for attribute in ATTRIBUTES]
    for attribute, names in zip(ATTRIBUTES, found, strict=True):
        is_sound = isinstance(names, Mapping) and all(isinstance(each, str) for pair in names.items() for each in pair)
        if not is_sound:
            raise PluginError(f"{attribute} is {names!r}: make it a mapping from names to words")
    return FieldNames(by_pattern=found[0], by_caveat=found[1], by_limit=found[2])
