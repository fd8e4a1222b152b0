"""One step for one thing, and where each of its inputs comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Item


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A step's name and the thing it runs for: unique in a night."""

    step: str
    item: Item

    def __str__(self) -> str:
        """Return the form used in reasons: `reduce_flat of T-0412 50 mm f/2 flat/0003.dng`."""
        return f"{self.step} of {self.item}"

    def within(self, ticket: str) -> str:
        """The form used in reasons of the same ticket, which needs no telling: `reduce_flat of flat/0003.dng`."""
        item = self.item
        if not ticket or item.ticket != ticket:
            return str(self)
        where = item.shot or str(item.setting or "")
        return f"{self.step} of {where}" if where else self.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """An artefact that is there before anything runs: a shot, the ticket, a section of the stand file."""

    artefact: Artefact
    digest: str
    name: str
    refusal: str = ""
    """Why it cannot be used (a shot that is not what SHA256SUMS says)."""
    stamp: tuple[int, int] | None = None
    """Of a shot's file, when its digest was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class One:
    """The value of another step."""

    key: Key
    may_lack: bool = False
    """Whether the step runs without it if that one failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Many:
    """A gather: the members of the group, in order."""

    members: tuple[Given | One, ...]
    at_least: int | None
    """How many must be DONE; None for all of them."""
    may_lack: bool = False
    """Whether the step runs if none is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """An optional input of which the ticket has no shot."""


Input: TypeAlias = Given | One | Many | Nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One step for one thing."""

    key: Key
    inputs: Mapping[str, Input]
    lacks: str = ""
    """Why it cannot run whatever the others say: what it needs was never shot."""


def members_of(source: Input) -> tuple[Given | One, ...]:
    """Return what an input is made of: a gather's members, or the one thing."""
    if isinstance(source, Nothing):
        return ()
    return source.members if isinstance(source, Many) else (source,)


def keys_of(instance: Instance) -> Iterator[Key]:
    """Yield the keys of all steps whose values an instance takes."""
    for source in instance.inputs.values():
        for member in members_of(source):
            if isinstance(member, One):
                yield member.key
