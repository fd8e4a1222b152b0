"""`glasswright adopt`: record in cards which plan their limits apply to."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click
from pydantic import TypeAdapter, ValidationError

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config import Line, did_you_mean, load_plan
from glasswright.errors import GlasswrightError
from glasswright.judging.adopting import adopt_plan, write_adoption
from glasswright.judging.cards import load_cards

EXAMPLE = """\b
Example, after the plan was changed and the change looked at:
  glasswright adopt configs/plans/fixed_focal.yaml "Corvane 50 mm f/2" --cards configs/cards \\
      --by "K. Moreau" --why "spots: the new body has thicker sensor glass"
"""
PATH = click.Path(path_type=Path)


class NoSuchCardError(GlasswrightError):
    """There is no card for that lens model."""

    exit_code = 2


def _check_line(context: click.Context, parameter: click.Parameter, value: str) -> str:
    """Refuse text that a card cannot contain."""
    del context, parameter
    try:
        return TypeAdapter(Line).validate_python(value)
    except ValidationError as error:
        raise click.BadParameter(error.errors()[0]["msg"].removeprefix("Value error, ")) from error


@click.command(epilog=EXAMPLE)
@click.argument("plan", type=PATH)
@click.argument("lenses", nargs=-1, required=True)
@click.option("--cards", type=PATH, required=True, help="Folder of cards.")
@click.option("--by", required=True, callback=_check_line, help="Who adopts it.")
@click.option("--why", required=True, callback=_check_line, help="Why, in a few words.")
def adopt(plan: Path, lenses: tuple[str, ...], cards: Path, by: str, why: str) -> None:
    """Make PLAN the plan for which the limits of the cards for LENSES are valid.

    A limit is valid for numbers made by its card's plan: the same stages, settings and inputs, for all steps upstream.
    Any other number is UNKNOWN. The steps that a card reads are written into it, with name, day and reason. Differences
    from the plan adopted before are shown and added to its history.

    Exit codes: 0 done, 2 wrong command or configuration; then no card is written.
    """
    plugins = load_plugins_aloud()
    read_plan, files = load_plan(plan, plugins), load_cards(cards)
    for lens in lenses:
        if lens not in files:
            raise NoSuchCardError(f"{cards}: there is no card for `{lens}`; {did_you_mean(lens, files)}")
    day = datetime.now().astimezone().date().isoformat()
    adoptions = {lens: adopt_plan(files[lens], read_plan, by=by, at=day, why=why) for lens in dict.fromkeys(lenses)}
    for lens, adoption in adoptions.items():
        path = files[lens].document.path
        if adoption is None:
            click.echo(f"{path}: already has this plan: nothing was written")
            continue
        write_adoption(adoption)
        click.echo(f"{path}: plan `{read_plan.name}` adopted; `glasswright judge` applies it")
        for change in adoption.changes:
            click.echo(f"  {change}")
