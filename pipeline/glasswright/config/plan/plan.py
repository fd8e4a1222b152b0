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
    """One stage at its place in a plan."""

    name: str
    stage: StageDescription
    inputs: Mapping[str, Source]
    """By parameter; a parameter that may be None and is not wired is left out."""
    settings: BaseModel
    scope: Scope
    """What it runs for."""
    at_least: int | None
    """How many members a gather needs; None means all."""
    role: str | None
    """The role of the shots that a step of shot scope runs for; None for a wider scope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan that has been checked wholly."""

    name: str
    nominal_focal_length_mm: tuple[float, ...]
    nominal_f_number: tuple[float, ...]
    steps: tuple[Step, ...]
    """In an order in which each comes after those it takes from."""
    chains: tuple[frozenset[str], ...]
    """The steps of shot scope, those joined by bulk artefacts together: each chain is one task a shot. A step that
    takes and gives no bulk is a chain of its own."""
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
        What stages there are.

    Raises
    ------
    ConfigError
        With every mistake of the plan: unknown keys, stages, inputs, steps, roles and settings; values out of their
        range; inputs that are not wired or do not fit; scopes that do not nest; cycles; bulk that would leave its
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
