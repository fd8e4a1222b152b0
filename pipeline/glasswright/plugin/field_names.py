"""Readable names of measures, which plugins declare by patterns of `step.field`."""

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
"""`step.field`: parts joined by dots; the last ends in a unit, unlike the name of a file."""
QUOTED: Final = re.compile(r"`([a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)+)`")
"""Any `step.field` in quotes, such as a text, which has no unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNames:
    """Names by pattern; a measure that fits no pattern keeps its own name."""

    by_pattern: Mapping[str, str] = field(default_factory=dict)
    """`step.field` with `*` for one part -> name, in which `{0}`, `{1}` ... are those parts."""

    by_caveat: Mapping[str, str] = field(default_factory=dict)
    """Caveat -> its meaning."""

    by_limit: Mapping[str, str] = field(default_factory=dict)
    """`step.field` -> sentence for the owner of a lens that meets the limit on it."""

    def explain(self, caveat: str) -> str:
        """Return the meaning of a caveat, or its own name where nothing explains it."""
        words = self.by_caveat.get(caveat, caveat.replace("_", " "))
        return words[:1].upper() + words[1:]

    def name(self, measure: str) -> str:
        """Return the name of a measure, or the measure itself."""
        for pattern, words in self.by_pattern.items():
            match = re.fullmatch(re.escape(pattern).replace(r"\*", r"([^.]+)"), measure)
            if match:
                return words.format(*(part.replace("_", " ") for part in match.groups()))
        return measure

    def make_readable(self, text: str) -> str:
        """Return a sentence with each `step.field` replaced by its name, and each known caveat without underscores."""
        named = QUOTED.sub(lambda match: self._replace(match[0], match[1]), text)
        named = MEASURE.sub(lambda match: self._replace(match[0], match[1]), named)
        return re.sub(r"\b[a-z]+(?:_[a-z]+)+\b", lambda match: self._space(match[0]), named)

    def _space(self, word: str) -> str:
        return word.replace("_", " ") if word in self.by_caveat else word

    def _replace(self, whole: str, measure: str) -> str:
        name = self.name(measure)
        return whole if name == measure else name

    def joined(self, more: FieldNames) -> FieldNames:
        """Return these names and another plugin's; these take precedence."""
        return FieldNames(
            by_pattern={**more.by_pattern, **self.by_pattern},
            by_caveat={**more.by_caveat, **self.by_caveat},
            by_limit={**more.by_limit, **self.by_limit},
        )


def read_field_names(module: ModuleType) -> FieldNames:
    """Return the names that a plugin's module declares; none if it declares none.

    Raises
    ------
    PluginError
        If they are not a mapping from texts to texts.
    """
    found = [getattr(module, attribute, {}) for attribute in ATTRIBUTES]
    for attribute, names in zip(ATTRIBUTES, found, strict=True):
        is_sound = isinstance(names, Mapping) and all(isinstance(each, str) for pair in names.items() for each in pair)
        if not is_sound:
            raise PluginError(f"{attribute} is {names!r}: make it a mapping from texts to texts")
    return FieldNames(by_pattern=found[0], by_caveat=found[1], by_limit=found[2])
