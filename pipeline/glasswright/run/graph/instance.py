"""An instance (one step for one item) and the sources of its inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Item


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A step's name and the item that it runs for: unique in a night."""

    step: str
    item: Item

    def __str__(self) -> str:
        """Return the key as text: `reduce_flat of T-0412 50 mm f/2 flat/0003.dng`."""
        return f"{self.step} of {self.item}"

    def within(self, ticket: str) -> str:
        """Return the key as text without its own ticket: `reduce_flat of flat/0003.dng`."""
        item = self.item
        if not ticket or item.ticket != ticket:
            return str(self)
        where = item.shot or str(item.setting or "")
        return f"{self.step} of {where}" if where else self.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """An artefact that exists before anything runs: a shot, the ticket, a section of the stand file."""

    artefact: Artefact
    digest: str
    name: str
    refusal: str = ""
    """Why it cannot be used (for example, a shot that differs from SHA256SUMS)."""
    stamp: tuple[int, int] | None = None
    """Size and modification time of a shot's file when its digest was computed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class One:
    """The value of another step."""

    key: Key
    may_lack: bool = False
    """Whether the step runs without it if that one failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Many:
    """The members of a gather, in order."""

    members: tuple[Given | One, ...]
    at_least: int | None
    """Number of members that must be DONE; None for all."""
    may_lack: bool = False
    """Whether the step runs even without any."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """An optional input for which the ticket has no shot."""


Input: TypeAlias = Given | One | Many | Nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One step for one item."""

    key: Key
    inputs: Mapping[str, Input]
    lacks: str = ""
    """What it needs and was never shot, so that it cannot run; empty for nothing."""


def members_of(source: Input) -> tuple[Given | One, ...]:
    """Return the members of an input: those of a gather, or the single one."""
    if isinstance(source, Nothing):
        return ()
    return source.members if isinstance(source, Many) else (source,)


def keys_of(instance: Instance) -> Iterator[Key]:
    """Yield the keys of all instances whose values an instance takes."""
    for source in instance.inputs.values():
        for member in members_of(source):
            if isinstance(member, One):
                yield member.key
