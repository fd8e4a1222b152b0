"""First pass over a plan: looks up each step's stage, settings and inputs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from glasswright.config.plan.file import StageEntry
from glasswright.config.plan.sources import Source, read_source, type_of
from glasswright.config.schema.reading import check
from glasswright.config.schema.suggestions import did_you_mean
from glasswright.config.yaml.tree import as_mapping

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pydantic import BaseModel

    from glasswright.config.schema.plugins import Plugins
    from glasswright.config.yaml.document import Document
    from glasswright.errors import Problem
    from glasswright.plugin.stage import InputDescription, Scope, StageDescription


@dataclass(slots=True, kw_only=True)
class DraftStep:
    """A step while its plan is being checked; None where something is wrong or not yet known."""

    name: str
    sound: bool
    """Its keys and values match the schema."""
    whole: bool = False
    """All its inputs are wired and of the right type, so its scope can be derived."""
    stage: StageDescription | None = None
    inputs: dict[str, Source] = field(default_factory=dict)
    settings: BaseModel | None = None
    per: str | None = None
    at_least: int | None = None
    scope: Scope | None = None
    role: str | None = None

    def described_inputs(self) -> Iterator[tuple[InputDescription, Source]]:
        """Yield each wired input with its description."""
        for description in self.stage.inputs if self.stage else ():
            if description.name in self.inputs:
                yield description, self.inputs[description.name]


def draft_steps(document: Document, plugins: Plugins) -> tuple[tuple[DraftStep, ...], list[Problem]]:
    """Return a draft of every step of a plan, and the problems with names and types."""
    entries = as_mapping(as_mapping(document.data).get("stages"))
    problems: list[Problem] = []
    stages = {name: _find_stage(document, name, entry, plugins, problems) for name, entry in entries.items()}
    return tuple(
        _draft(document, name, as_mapping(entry), stages, plugins, problems) for name, entry in entries.items()
    ), problems


def _find_stage(
    document: Document, name: str, entry: object, plugins: Plugins, problems: list[Problem]
) -> StageDescription | None:
    wanted = as_mapping(entry).get("stage")
    if not isinstance(wanted, str):
        return None  # the schema says so
    if wanted in plugins.stages:
        return plugins.stages[wanted]
    plugin = wanted.partition(".")[0]
    failed = [failure for failure in plugins.failures if failure.plugin == plugin]
    why = str(failed[0]) if failed else did_you_mean(wanted, plugins.stages)
    problems.append(document.problem(("stages", name, "stage"), f"unknown stage `{wanted}`; {why}"))
    return None


def _draft(
    document: Document,
    name: str,
    entry: Mapping[str, Any],
    stages: Mapping[str, StageDescription | None],
    plugins: Plugins,
    problems: list[Problem],
) -> DraftStep:
    stage = stages[name]
    draft = DraftStep(name=name, stage=stage, sound=not check(document, StageEntry, "stages", name)[1])
    if entry.get("per") in ("setting", "ticket", "night"):
        draft.per = entry["per"]
    if isinstance(entry.get("at_least"), int):
        draft.at_least = entry["at_least"]
    inputs = as_mapping(entry.get("inputs"))
    for parameter, written in inputs.items():
        if isinstance(written, str):
            _wire(document, draft, parameter, written, stages, plugins, problems)
    if stage is None:
        return draft
    draft.settings = _read_settings(document, stage, draft, entry, problems)
    unwired = list(_find_unwired(document, stage, name, inputs))
    if draft.sound:
        problems += unwired
    draft.whole = not unwired and draft.inputs.keys() == inputs.keys()
    return draft


def _wire(
    document: Document,
    draft: DraftStep,
    parameter: str,
    written: str,
    stages: Mapping[str, StageDescription | None],
    plugins: Plugins,
    problems: list[Problem],
) -> None:
    place = ("stages", draft.name, "inputs", parameter)
    known = {each.name: each for each in draft.stage.inputs} if draft.stage else {}
    if draft.stage and parameter not in known:
        hint = did_you_mean(parameter, known)
        setting = parameter in draft.stage.settings.model_fields
        hint = "it is a setting: write it under `settings`" if setting else hint
        problems.append(document.problem(place, f"`{draft.stage.id}` has no input `{parameter}`; {hint}"))
    try:
        source = read_source(written, stages, plugins)
    except ValueError as error:
        problems.append(document.problem(place, f"input `{parameter}`: {error}"))
        return
    given = type_of(source, stages, plugins)
    if parameter in known and given is not None and not issubclass(given, known[parameter].artefact):
        wanted = known[parameter].artefact.__name__
        problems.append(
            document.problem(
                place, f"input `{parameter}` takes {wanted}, but `{source}` gives {given.__name__}; wire it elsewhere"
            )
        )
        return
    draft.inputs[parameter] = source


def _find_unwired(
    document: Document, stage: StageDescription, name: str, inputs: Mapping[str, object]
) -> Iterator[Problem]:
    for description in stage.inputs:
        if not description.optional and description.name not in inputs:
            yield document.problem(
                ("stages", name, "inputs"),
                f"step `{name}`: input `{description.name}` of `{stage.id}` is not wired; it takes "
                f"{description.artefact.__name__}",
            )


def _read_settings(
    document: Document,
    stage: StageDescription,
    draft: DraftStep,
    entry: Mapping[str, Any],
    problems: list[Problem],
) -> BaseModel | None:
    if "settings" in entry:
        if not isinstance(entry["settings"], dict):
            return None  # the schema says so
        settings, found = check(document, stage.settings, "stages", draft.name, "settings")
        problems += found
        return settings
    missing = [setting for setting, field in stage.settings.model_fields.items() if field.is_required()]
    if missing and draft.sound:
        listed = ", ".join(f"`{setting}`" for setting in missing)
        problems.append(
            document.problem(("stages", draft.name), f"step `{draft.name}`: `{stage.id}` needs settings: {listed}")
        )
    return None if missing else stage.settings()
