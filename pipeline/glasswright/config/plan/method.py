"""The method of a plan: its steps with every setting filled in, and the differences between two methods.

A limit is valid only for numbers made by a certain method. The method of a step is its closure: its stage, settings and
inputs, and those of every step upstream. Names of upstream steps, their order, comments and unrelated steps do not
count.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from glasswright.config.plan.file import NominalSettings, StageEntry, StepName
from glasswright.config.schema.names import SafeName
from glasswright.plugin.settings import ConfigModel

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from glasswright.config.plan.plan import Plan, Step


class Method(ConfigModel):
    """Steps in a plan's form, each with all its settings."""

    settings: NominalSettings = NominalSettings()
    """Nominal settings that shots are assigned to; a shot near none is not measured. Empty: settings are as shot."""
    stages: dict[StepName, StageEntry]


class MeasuredMethod(Method):
    """The method of a plan as run; the ledger keeps its text."""

    plan: SafeName
    defaults: dict[StepName, tuple[str, ...]]
    """Step -> its settings that have the stage's default value."""


def describe_method(plan: Plan) -> MeasuredMethod:
    """Return the method of a plan, with the defaults of the installed stages filled in."""
    return MeasuredMethod(
        plan=plan.name,
        settings=NominalSettings(
            focal_length_mm=plan.nominal_focal_length_mm,
            f_number=plan.nominal_f_number,
            focus_distance_m=plan.nominal_focus_distance_m,
        ),
        stages={step.name: _describe_step(step) for step in plan.steps},
        defaults={step.name: tuple(_find_defaults(step)) for step in plan.steps},
    )


def _describe_step(step: Step) -> StageEntry:
    gathers = any(each.gathers for each in step.stage.inputs if each.name in step.inputs)
    data = {
        "stage": step.stage.id,
        "inputs": {name: str(source) for name, source in step.inputs.items()},
        "settings": step.settings.model_dump(mode="json"),
        "per": str(step.scope) if gathers else None,
        "at_least": step.at_least,
    }
    return StageEntry.model_validate_json(json.dumps(data))


def _find_defaults(step: Step) -> Iterator[str]:
    for name, field in type(step.settings).model_fields.items():
        if not field.is_required() and getattr(step.settings, name) == field.default:
            yield name


def method_text(method: Method) -> str:
    """Return a method as JSON, independent of the order of its steps."""
    return json.dumps(method.model_dump(mode="json"), sort_keys=True)


def find_closure(method: Method, steps: Collection[str]) -> dict[str, StageEntry]:
    """Return the named steps and every step upstream of them, in the method's order."""
    needed, waiting = set[str](), [*steps]
    while waiting:
        name = waiting.pop()
        if name not in needed and name in method.stages:
            needed.add(name)
            waiting += method.stages[name].inputs.values()
    return {name: entry for name, entry in method.stages.items() if name in needed}


def find_differences(adopted: Method, measured: MeasuredMethod, step: str) -> tuple[str, ...]:
    """Return the differences between the measured and the adopted method of a step; empty if they are the same.

    A setting missing from the adopted method is not a difference while it has its default: a newer version of the stage
    added it.

    Parameters
    ----------
    step
        Name of the step in both methods.
    """
    found = dict.fromkeys(_find_lost_settings(adopted.settings, measured.settings))
    waiting, seen = [(step, step)], set[tuple[str, str]]()
    while waiting:
        pair = waiting.pop()
        if pair in seen:
            continue
        seen.add(pair)
        old, new = adopted.stages.get(pair[0]), measured.stages.get(pair[1])
        if old is None:
            found[f"the card's plan does not say how `{pair[0]}` is made"] = None
        elif new is None:
            found[f"the plan that measured does not say how `{pair[1]}` is made"] = None
        elif old.stage != new.stage:
            found[f"`{pair[1]}` is made by `{new.stage}`, in the card's plan by `{old.stage}`"] = None
        else:
            found |= dict.fromkeys(_compare_keys(pair[1], old, new, measured.defaults.get(pair[1], ())))
            for name in sorted(old.inputs.keys() | new.inputs.keys()):
                sources = old.inputs.get(name), new.inputs.get(name)
                if sources[0] is not None and sources[1] is not None and all(map(_is_step, sources)):
                    waiting.append((sources[0], sources[1]))
                elif sources[0] != sources[1]:
                    had, has = (f"`{source}`" if source else "nothing" for source in sources)
                    found[f"input `{name}` of `{pair[1]}` takes {has}, in the card's plan {had}"] = None
    return tuple(found)


def _is_step(source: str | None) -> bool:
    """Return whether an input comes from a step: the names of roles and stand sections have a dot."""
    return source is not None and "." not in source and source != "ticket"


def _find_lost_settings(adopted: NominalSettings, measured: NominalSettings) -> Iterator[str]:
    """Yield a difference where the measured plan excludes settings of the adopted one; additional settings do not
    count."""
    for name in ("focal_length_mm", "f_number", "focus_distance_m"):
        old, new = getattr(adopted, name), getattr(measured, name)
        if new and (not old or not set(old) <= set(new)):
            taken = f"{', '.join(f'{value:g}' for value in old)}" if old else "any"
            only = ", ".join(f"{value:g}" for value in new)
            yield f"shots at {name} {only} alone are taken, in the card's plan {taken}"


def _compare_keys(name: str, old: StageEntry, new: StageEntry, defaults: Collection[str]) -> Iterator[str]:
    for setting in sorted(old.settings.keys() | new.settings.keys()):
        place = f"`{name}.{setting}`"
        if setting not in new.settings:
            yield f"{place} is no longer set, the card's plan has {_write(old.settings[setting])}"
        elif setting not in old.settings:
            if setting not in defaults:
                yield f"{place} is {_write(new.settings[setting])}, the card's plan does not set it"
        elif old.settings[setting] != new.settings[setting]:
            yield f"{place} is {_write(new.settings[setting])}, the card's plan has {_write(old.settings[setting])}"
    if old.per != new.per:
        yield f"`{name}` gathers per {new.per}, in the card's plan per {old.per}"
    if old.at_least != new.at_least:
        yield f"`{name}` needs at least {_format_members(new)}, in the card's plan {_format_members(old)}"


def _format_members(entry: StageEntry) -> str:
    return "all members" if entry.at_least is None else str(entry.at_least)


def _write(value: Any) -> str:  # noqa: ANN401 - whatever a setting may be
    if isinstance(value, float):
        return f"{value:.15g}"
    return json.dumps(value)
