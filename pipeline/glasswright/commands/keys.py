"""`glasswright keys`: a reference of all keys of the configuration files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import click

from glasswright.commands.plugin_notes import load_plugins_aloud

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins

FILES: Final = ("stand", "card", "plan", "ticket")
EXAMPLE = """\b
Examples:
  glasswright keys card
  glasswright keys > keys.md
"""
HEADS: Final = {
    "stand": "The stand: its bodies, charts, light, repeatability and reproducibility.",
    "card": "What is acceptable for one lens model. `plan` and `history` are written by `adopt` and `tune`.",
    "plan": "How to measure: steps by name, each one stage (`glasswright stages` lists them and their settings).",
    "ticket": "One visit of one lens: `ticket.yaml` in the ticket's folder.",
}


@click.command(epilog=EXAMPLE)
@click.argument("file", required=False, type=click.Choice(FILES))
def keys(file: str | None) -> None:
    """Print every key of stand, card, plan and ticket files as Markdown: type, default and meaning.

    The reference is generated from the types by which the files are validated.
    """
    plugins = load_plugins_aloud()
    chosen = [file] if file else list(FILES)
    if file is None:
        click.echo("# Keys of the configuration files\n\nMade by `glasswright keys`.\n")
    for name in chosen:
        click.echo(describe_file(name, plugins))


def describe_file(name: str, plugins: Plugins) -> str:
    """Return the reference of one kind of file."""
    from glasswright.config.schema.reference import format_keys

    return f"## {name.capitalize()}\n\n{HEADS[name]}\n\n{format_keys(_type_of(name, plugins))}\n"


def _type_of(name: str, plugins: Plugins) -> Any:  # noqa: ANN401 - a type that a file is read as
    from glasswright.config.plan.file import PlanFile
    from glasswright.config.stand.file import model_for
    from glasswright.config.ticket.file import TicketFile
    from glasswright.judging.card import Card

    return {"stand": model_for(plugins), "card": Card, "plan": PlanFile, "ticket": TicketFile}[name]
