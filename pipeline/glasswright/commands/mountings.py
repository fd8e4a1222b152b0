"""`glasswright mountings`: plan a study, as a sheet to tick off and a folder for each ticket."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import yaml

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config import did_you_mean
from glasswright.config.stand.file import load_stand
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.judging.cards import load_cards
from glasswright.outputs import make_folder, write_text
from glasswright.study.planning import FEWEST_LENSES, StudyLens, count_fewest, count_fittings, find_coverage, plan_study
from glasswright.study.studying import ENOUGH_FREEDOM

if TYPE_CHECKING:
    from glasswright.study.planning import Coverage, StudyPlan

EXAMPLE = """\b
Example: two lenses of each of two models
  glasswright mountings study --stand configs/stands/north_bench.yaml --cards configs/cards \\
      --lens "Corvane 50 mm f/2" C50-0001 --lens "Corvane 50 mm f/2" C50-0002 \\
      --lens "Corvane 24-70 mm f/4" Z47-0001 --lens "Corvane 24-70 mm f/4" Z47-0002
"""


class PlanError(GlasswrightError):
    """A study of these lenses cannot be planned."""

    exit_code = 2


@click.command(epilog=EXAMPLE)
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--stand", type=click.Path(path_type=Path), required=True, help="Stand file.")
@click.option("--cards", type=click.Path(path_type=Path), required=True, help="Folder of cards.")
@click.option("--lens", "lenses", nargs=2, multiple=True, required=True, metavar="MODEL SERIAL",
              help="A lens of the study; repeat the option.")  # fmt: skip
@click.option("--fittings", type=click.IntRange(2), help="Mountings of each lens. Default: as many as the limits need.")
@click.option("--repeats", default=2, show_default=True, type=click.IntRange(1), help="Tickets of each mounting; with "
              "one, repeatability is not found separately.")  # fmt: skip
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="Of the order of the lenses.")
def mountings(
    out: Path, stand: Path, cards: Path, lenses: tuple[tuple[str, str], ...], fittings: int | None, repeats: int,
    seed: int,
) -> None:  # fmt: skip
    """Plan a study: how often to mount each lens, for the limits of the cards.

    OUT receives plan.md, a list to print and tick off, and in tickets/ a folder with ticket.yaml for each mounting and
    repeat. A study is shot in rounds; in each round every lens is mounted once, in a random order. When the tickets are
    measured (`glasswright run`), `glasswright study --write` writes the scatter into the stand file.

    Exit codes: 0 done, 2 wrong command or configuration.
    """
    stand_file = load_stand(stand, load_plugins_aloud())
    every = {model: file.card for model, file in load_cards(cards).items()}
    chosen = [StudyLens(model=model, serial=serial) for model, serial in lenses]
    _refuse_lenses(chosen, sorted(every), cards)
    if out.exists() and any(out.iterdir()):
        raise PlanError(f"{out} is not empty: choose a new folder, or remove it first")
    wanted = count_fittings(count_fewest(chosen))
    plan = plan_study(chosen, fittings or wanted, repeats, seed=seed)
    coverage = find_coverage(every, {lens.model for lens in chosen})
    text = _write_sheet(plan, coverage, stand_file.name, wanted)
    make_folder(out)
    make_folder(out / "tickets")
    write_text(out / "plan.md", text)
    for ticket in plan.tickets:
        folder = out / "tickets" / ticket.number
        make_folder(folder)
        data = {
            "ticket": ticket.number,
            "lens": {"model": ticket.lens.model, "serial": ticket.lens.serial},
            "phase": "study",
            "study": {"fitting": str(ticket.fitting)},
            "body": {"model": stand_file.bodies[0]},
        }
        write_text(folder / "ticket.yaml", yaml.safe_dump(data, sort_keys=False, allow_unicode=True))
    for line in _summarise(plan, coverage, wanted):
        click.echo(line)
    click.echo(f"{out / 'plan.md'}; the raw files go into {out / 'tickets'}, one folder for each ticket")


def _refuse_lenses(lenses: list[StudyLens], known: list[str], cards: Path) -> None:
    for lens in lenses:
        if lens.model not in known:
            raise PlanError(f"{cards}: there is no card for `{lens.model}`; {did_you_mean(lens.model, known)}")
        if lenses.count(lens) > 1:
            raise PlanError(f"the lens `{lens.model}`, serial {lens.serial}, is named twice: name it once")
    for model in {lens.model for lens in lenses}:
        if sum(lens.model == model for lens in lenses) < FEWEST_LENSES:
            raise PlanError(
                f"`{model}` has one lens: a model needs {FEWEST_LENSES}, because the study compares lenses of a model"
            )


def _summarise(plan: StudyPlan, coverage: Coverage, wanted: int) -> list[str]:
    lines = [
        f"{plan.fittings} mountings of each lens, {plan.repeats} tickets each: "
        f"{format_count(len(plan.tickets), 'ticket')}, about {plan.freedom:g} degrees of freedom"
    ]
    if plan.fittings < wanted:
        lines.append(
            f"caution: guarded limits need {wanted} mountings ({ENOUGH_FREEDOM:g} degrees of freedom); with fewer, "
            "guard bands are wider and more lenses are in review"
        )
    lines.append(f"{format_count(coverage.covered, 'limited measure')} will be studied")
    lines += [
        f"not studied: {measure}, limited for {', '.join(models)}" for measure, models in coverage.missing.items()
    ]
    return lines


def _write_sheet(plan: StudyPlan, coverage: Coverage, stand: str, wanted: int) -> str:
    lines = [f"# Study of {stand}", "", *(f"{line}." for line in _summarise(plan, coverage, wanted)), ""]
    lines += [
        "Take the lens off after each mounting and put it on again, align and focus as for a customer's lens. Repeats",
        "are shot without touching the lens. Spread the rounds over several days and over everyone who will work here:",
        f"what all lenses of a round share has only {plan.fittings - 1} degrees of freedom.",
        "",
        "Settings at which the cards have limits (each needs the shots that its plan asks for):",
        "",
    ]
    lines += [f"* {model}: {'; '.join(settings) or 'any'}" for model, settings in sorted(coverage.settings.items())]
    for fitting in range(1, plan.fittings + 1):
        lines += ["", f"## Round {fitting}", "", "Date: ____________  By: ____________", ""]
        lines += [
            f"- [ ] {each.number}: {each.lens.model}, {each.lens.serial}"
            + (f", repeat {each.repeat} of {plan.repeats}" if plan.repeats > 1 else "")
            for each in plan.tickets
            if each.fitting == fitting
        ]
    return "\n".join(lines) + "\n"
