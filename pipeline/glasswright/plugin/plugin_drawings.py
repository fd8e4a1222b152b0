"""The third extension point of a plugin: drawings of its stages' results, which the pages embed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from glasswright.errors import PluginError
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.drawing import Picture

if TYPE_CHECKING:
    from types import ModuleType

DrawOne = Callable[[Any], Sequence[Picture]]
DrawSeries = Callable[[tuple[Any, ...]], Sequence[Picture]]
DrawFrame = Callable[[Any, Path], Sequence[Picture]]

DescribeHint = Callable[[Any], Sequence[str]]
DescribeSequel = Callable[[Any, Any], Sequence[str]]

ATTRIBUTES: Final = {
    "one": "DRAWINGS",
    "series": "SERIES_DRAWINGS",
    "frames": "FRAME_DRAWINGS",
    "hints": "HINTS",
    "sequels": "SEQUELS",
}
LEADING: Final = "LEADING_DRAWINGS"
MAPS: Final = "FIELD_MAPS"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMap:
    """Places on the frame of a step's numbers, for a picture on the owner's record."""

    title: str
    """Title, such as `Sharpness over the picture`."""
    note: str
    """Meaning of the numbers, in a few words: `larger is sharper`."""
    places: Mapping[str, tuple[float, float]]
    """Path of the field -> place on the frame, across and down, each from -1 to 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawings:
    """The drawing functions of plugins, by the type that they draw."""

    one: Mapping[type[Artefact], DrawOne] = field(default_factory=dict)
    """Of one result (the module's `DRAWINGS`)."""
    series: Mapping[type[Artefact], DrawSeries] = field(default_factory=dict)
    """Of all results of one step at one setting (`SERIES_DRAWINGS`)."""
    frames: Mapping[type[Artefact], DrawFrame] = field(default_factory=dict)
    """Of a raw file with what was found on it (`FRAME_DRAWINGS`); each drawing gets its own file."""
    hints: Mapping[type[Artefact], DescribeHint] = field(default_factory=dict)
    """Sentences on where to look first, from one result (`HINTS`); pages begin with them."""
    sequels: Mapping[type[Artefact], DescribeSequel] = field(default_factory=dict)
    """Sentences on the change of one result at a later visit, from both results (`SEQUELS`)."""
    leading: Mapping[str, str] = field(default_factory=dict)
    """Step -> beginning of the title of the drawing that best shows what its limits concern (`LEADING_DRAWINGS`)."""
    maps: Mapping[str, FieldMap] = field(default_factory=dict)
    """Step -> picture of its numbers on a record (`FIELD_MAPS`); the first that a ticket has is shown."""

    def joined(self, other: Drawings) -> Drawings:
        """Return these drawings and another plugin's."""
        return Drawings(
            **{each.name: {**getattr(self, each.name), **getattr(other, each.name)} for each in fields(self)}
        )


def read_drawings(module: ModuleType) -> Drawings:
    """Return the drawings that a plugin's module declares; none if it declares none.

    Raises
    ------
    PluginError
        If they are not a mapping from artefact types to functions.
    """
    leading = getattr(module, LEADING, {})
    if not (isinstance(leading, Mapping) and all(isinstance(each, str) for pair in leading.items() for each in pair)):
        raise PluginError(f"{LEADING} is {leading!r}: make it a mapping from steps to beginnings of titles")
    maps = getattr(module, MAPS, {})
    if not (isinstance(maps, Mapping) and all(isinstance(each, FieldMap) for each in maps.values())):
        raise PluginError(f"{MAPS} is {maps!r}: make it a mapping from steps to FieldMap")
    read = {door: _read(module, attribute) for door, attribute in ATTRIBUTES.items()}
    return Drawings(**read, leading=leading, maps=maps)


def _read(module: ModuleType, attribute: str) -> Mapping[type[Artefact], Any]:
    found = getattr(module, attribute, {})
    if not isinstance(found, Mapping):
        raise PluginError(
            f"{attribute} is {found!r}: make it a mapping from artefact types to functions that draw them"
        )
    for kind, draw in found.items():
        if not (isinstance(kind, type) and issubclass(kind, Artefact)):
            raise PluginError(f"{attribute} has the key {kind!r}: make it a dataclass that derives from Artefact")
        if not callable(draw):
            raise PluginError(f"{attribute} has {draw!r} for {kind.__name__}: make it a function that draws one")
    return found
