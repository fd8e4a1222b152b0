"""The plan: which stages run, with which inputs and settings. How to measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.config.plan.bulk import find_chains
from glasswright.config.plan.draft import DraftStep, draft_steps
from glasswright.config.plan.file import PlanFile
from glasswright.config.plan.order import order_steps
from glasswright.config.plan.scopes import resolve_scopes
from glasswright.config.plan.sources import Source
from glasswright.config.schema.reading import check
from glasswright.config.yaml.reading import scan_yaml
from glasswright.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pydantic import BaseModel

    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.measurements import FieldDescription
    from glasswright.plugin.stage import Scope, StageDescription

__all__ = ["Plan", "Source", "Step", "load_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a plan: a stage with its inputs and settings."""

    name: str
    stage: StageDescription
    inputs: Mapping[str, Source]
    """By parameter; an optional parameter that is not wired is left out."""
    settings: BaseModel
    scope: Scope
    """What it runs for."""
    at_least: int | None
    """Number of members that a gather needs; None means all."""
    role: str | None
    """The role of the shots that a step of shot scope runs for; None for a wider scope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan that has passed all checks."""

    name: str
    nominal_focal_length_mm: tuple[float, ...]
    nominal_f_number: tuple[float, ...]
    nominal_focus_distance_m: tuple[float, ...]
    steps: tuple[Step, ...]
    """In topological order."""
    chains: tuple[frozenset[str], ...]
    """The steps of shot scope, grouped by the bulk artefacts that they share: each chain is one task per shot. A step
    without bulk is a chain by itself."""
    text: str
    sha256: str

    def fields(self) -> dict[str, FieldDescription]:
        """Return everything that the plan measures, by `step.field`."""
        return {f"{step.name}.{field.path}": field for step in self.steps for field in step.stage.fields}

    def step(self, name: str) -> Step:
        """Return a step by name."""
        return next(step for step in self.steps if step.name == name)


def load_plan(path: Path, plugins: Plugins) -> Plan:
    """Read and check a plan.

    Parameters
    ----------
    path
        The plan's file.
    plugins
        The installed plugins.

    Raises
    ------
    ConfigError
        With every mistake in the plan: unknown keys, stages, inputs, steps, roles and settings; values out of range;
        inputs that are not wired or of the wrong type; scopes that do not nest; cycles; bulk that would leave its
        shot's task.
    """
    document = scan_yaml(path)
    written, problems = check(document, PlanFile)
    drafts, wiring_problems = draft_steps(document, plugins)
    ordered, order_problems = order_steps(document, drafts)
    scoped, scope_problems = resolve_scopes(document, ordered)
    chains, bulk_problems = find_chains(document, scoped)
    every = (*problems, *wiring_problems, *order_problems, *scope_problems, *bulk_problems)
    if every or written is None:
        raise ConfigError(every)
    return Plan(
        name=written.plan,
        nominal_focal_length_mm=written.settings.focal_length_mm,
        nominal_f_number=written.settings.f_number,
        nominal_focus_distance_m=written.settings.focus_distance_m,
        steps=tuple(_finish(draft) for draft in scoped),
        chains=chains,
        text=document.text,
        sha256=document.sha256,
    )


def _finish(draft: DraftStep) -> Step:
    if draft.stage is None or draft.settings is None or draft.scope is None:
        raise AssertionError(f"step {draft.name} passed the checks but is not whole")
    return Step(
        name=draft.name,
        stage=draft.stage,
        inputs=draft.inputs,
        settings=draft.settings,
        scope=draft.scope,
        at_least=draft.at_least,
        role=draft.role,
    )
