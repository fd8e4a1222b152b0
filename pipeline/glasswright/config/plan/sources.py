"""Where a step's input comes from: shots of a role, the stand, the ticket, or another step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from glasswright.config.schema.suggestions import did_you_mean
from glasswright.plugin.artefact import Artefact, Shot, Ticket

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.stage import StageDescription


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where an input comes from."""

    kind: Literal["role", "step", "stand", "ticket"]
    name: str
    """The role, step or plugin; empty for the ticket."""

    def __str__(self) -> str:
        """Return the source as a plan writes it."""
        return {"step": self.name, "ticket": "ticket"}.get(self.kind, f"{self.kind}.{self.name}")


def read_source(text: str, steps: Collection[str], plugins: Plugins) -> Source:
    """Return a source from a plan's text.

    Raises
    ------
    ValueError
        If the role, stand section or step does not exist; the message suggests one.
    """
    kind, dot, name = text.partition(".")
    if text == "ticket":
        return Source(kind="ticket", name="")
    if kind == "role" and dot:
        if name not in plugins.roles:
            # a plugin that failed to load may be the one that declares it
            why = "; ".join([did_you_mean(name, plugins.roles), *map(str, plugins.failures)])
            raise ValueError(f"unknown role `{name}`; {why}")
        return Source(kind="role", name=name)
    if kind == "stand" and dot:
        if name not in plugins.sections:
            raise ValueError(f"no plugin has a stand section `{name}`; {did_you_mean(name, plugins.sections)}")
        return Source(kind="stand", name=name)
    if text in steps:
        return Source(kind="step", name=text)
    others = (
        *steps,
        "ticket",
        *(f"role.{role}" for role in plugins.roles),
        *(f"stand.{name}" for name in plugins.sections),
    )
    raise ValueError(f"unknown step `{text}`; {did_you_mean(text, others)}")


def type_of(source: Source, stages: Mapping[str, StageDescription | None], plugins: Plugins) -> type[Artefact] | None:
    """Return the type of artefact that a source provides; None for a step whose stage is unknown."""
    if source.kind == "role":
        return Shot
    if source.kind == "ticket":
        return Ticket
    if source.kind == "stand":
        return plugins.sections[source.name]
    stage = stages[source.name]
    return stage.returns if stage else None
