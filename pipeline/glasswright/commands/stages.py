"""`glasswright stages`: list the stages, or the inputs, settings and fields of one."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.config import did_you_mean

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.stage import InputDescription, StageDescription

EXAMPLE = """\b
Example:
  glasswright stages
  glasswright stages measure_vignetting
"""


@click.command(epilog=EXAMPLE)
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def stages(name: str | None, as_json: bool) -> None:
    """List the stages, or explain one.

    NAME is a stage's id (`camera.measure_vignetting`) or, if only one plugin has it, its last part.
    """
    plugins = load_plugins_aloud()
    if name is not None:
        stage = _find(name, plugins)
        click.echo(json.dumps(as_data(stage), indent=2)) if as_json else _explain(stage)
    elif as_json:
        click.echo(json.dumps([as_data(stage) for stage in plugins.stages.values()], indent=2))
    else:
        rows = [(stage.id, stage.returns.__name__, stage.summary) for stage in plugins.stages.values()]
        print_table("Stages", ("stage", "returns", "summary"), rows)


def _find(name: str, plugins: Plugins) -> StageDescription:
    found = [stage for stage in plugins.stages.values() if name in (stage.id, stage.id.partition(".")[2])]
    if len(found) > 1:
        ids = ", ".join(f"`{stage.id}`" for stage in found)
        raise click.UsageError(f"several plugins have a stage `{name}`: choose one of {ids}")
    if not found:
        raise click.UsageError(f"unknown stage `{name}`; {did_you_mean(name, plugins.stages)}")
    return found[0]


def _explain(stage: StageDescription) -> None:
    click.echo(f"{stage.id}\n  {stage.summary}\n")
    print_table("Inputs", ("name", "takes"), [(each.name, describe_input(each)) for each in stage.inputs])
    settings = [
        (each.name, each.unit, each.kind, _show_default(each.required, each.default), each.limits, each.summary)
        for each in stage.setting_descriptions
    ]
    print_table("Settings", ("name", "unit", "kind", "default", "range", "meaning"), settings)
    fields = [(each.path, each.unit, "yes" if each.has_uncertainty else "no", each.summary) for each in stage.fields]
    print_table(f"Measured ({stage.returns.__name__})", ("field", "unit", "uncertainty", "meaning"), fields)
    if not fields:
        click.echo(f"Returns {stage.returns.__name__} for other stages; it has no measured fields.")


def describe_input(description: InputDescription) -> str:
    """Describe an input in words."""
    kind = description.artefact.__name__
    text = f"several {kind} (gathered `per` setting, ticket or night)" if description.gathers else f"one {kind}"
    return f"{text}, or none" if description.optional else text


def _show_default(required: bool, default: object) -> str:
    if required:
        return "(required)"
    if default is None:
        return "none"
    return str(default).lower() if isinstance(default, bool) else str(default)


def as_data(stage: StageDescription) -> dict[str, Any]:
    """Return a stage as plain data for JSON."""
    return {
        "stage": stage.id,
        "summary": stage.summary,
        "gives": stage.returns.__name__,
        "bulk": stage.returns.bulk,
        "inputs": [
            {
                "name": each.name,
                "takes": each.artefact.__name__,
                "gathers": each.gathers,
                "optional": each.optional,
            }
            for each in stage.inputs
        ],
        "settings": [
            {
                "name": each.name,
                "unit": each.unit,
                "kind": each.kind,
                "required": each.required,
                "default": each.default if _is_plain(each.default) else str(each.default),
                "range": each.limits,
                "meaning": each.summary,
            }
            for each in stage.setting_descriptions
        ],
        "fields": [
            {
                "name": each.path,
                "unit": each.unit,
                "kind": each.kind.__name__,
                "has_uncertainty": each.has_uncertainty,
                "meaning": each.summary,
            }
            for each in stage.fields
        ],
    }


def _is_plain(value: object) -> bool:
    if isinstance(value, list | tuple):
        return all(_is_plain(part) for part in value)
    return value is None or isinstance(value, bool | int | float | str)
