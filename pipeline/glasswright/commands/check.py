"""`glasswright check`: find mistakes in plan, stand file, cards and tickets before a night."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from glasswright.commands.card_notes import note_hand_checks, note_plan, note_settings, note_stand
from glasswright.commands.outlooks import code_of, describe_outlooks, write_shooting_list
from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config import find_idle_spreads, load_plan, load_stand, load_ticket, match_stand
from glasswright.config.ticket.file import TICKET_FILE
from glasswright.errors import WHOLE_FILE, ConfigError, Problem
from glasswright.formatting import format_count
from glasswright.intake.index import survey_ticket
from glasswright.intake.shot_setting import Nominal
from glasswright.intake.tickets import request_ticket
from glasswright.judging.card_facts import facts_of
from glasswright.judging.cards import CardFile, check_card, check_sound_limits, scan_cards
from glasswright.run.graph.lineage import roles_by_setting
from glasswright.run.readiness import Bench, TicketOutlook, foresee

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from glasswright.config import Plan, StandFile, TicketFile
    from glasswright.config.schema.plugins import Plugins
    from glasswright.intake.index import Survey
    from glasswright.plugin.roles import Role
    from glasswright.plugin.setup_check import SetupFinding

T = TypeVar("T")

EXAMPLE = """\b
Example:
  glasswright check configs/plans/fixed_focal.yaml --stand configs/stands/north_bench.yaml \\
      --cards configs/cards --tickets night/
"""


@dataclass(slots=True, kw_only=True)
class Findings:
    """Problems and notes found so far."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    """Not wrong, but worth a look."""

    def attempt(self, load: Callable[[], T]) -> T | None:
        """Load a file; if it has mistakes, record them and return None."""
        try:
            return load()
        except ConfigError as error:
            self.problems += error.problems
            return None


@click.command(epilog=EXAMPLE)
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file that the plan will run with.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards that will judge the result.")
@click.option("--tickets", type=click.Path(path_type=Path), help="Folder of tickets to be measured.")
@click.option(
    "--shooting-list", type=click.Path(path_type=Path), help="Write the shots still lacking as text to print."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
@click.option("-v", "--verbose", is_flag=True, help="List every limit, including those that can be met.")
def check(
    plan: Path,
    stand: Path | None,
    cards: Path | None,
    tickets: Path | None,
    shooting_list: Path | None,
    as_json: bool,
    verbose: bool,
) -> int:
    """Check a plan, with the stand file, cards and tickets that belong to it, before anything is measured.

    Every mistake is printed with its file and line. With cards and tickets, each limit is checked: whether it can be
    met with the existing shots, plan and stand file, and what must still be shot. Only EXIF is read of raw files.

    Exit codes: 0 every limit can be met, 11 some limits are REVIEW at best, 12 some cannot be met, 2 mistakes.
    """
    plugins = load_plugins_aloud()
    findings = Findings()
    read_plan = findings.attempt(lambda: load_plan(plan, plugins))
    read_stand = findings.attempt(lambda: load_stand(stand, plugins)) if stand else None
    read_cards = _read_cards(cards, findings) if cards else None
    read_tickets = _read_tickets(tickets, plugins.roles, findings) if tickets else None
    _match(read_plan, read_stand, read_cards, read_tickets, findings)
    if read_plan and cards:
        findings.problems += check_sound_limits(cards, read_cards or {}, read_plan.fields())
    outlooks: list[TicketOutlook] = []
    if read_plan:
        found = _ask_plugins(read_stand, read_cards or {}, plugins, findings)
        bench = Bench(plan=read_plan, stand=read_stand, roles=plugins.roles, found=found)
        for path, ticket in (read_tickets or {}).items():
            survey = _survey(path, ticket, read_plan, plugins.roles, findings)
            if survey is not None and read_cards is not None:
                own = read_cards.get(ticket.lens.model)
                outlooks.append(foresee(ticket, survey, own.card if own else None, bench))
    if shooting_list is not None:
        write_shooting_list(shooting_list, outlooks)
    lines = _format(read_plan, read_stand, read_cards, read_tickets)
    if as_json:
        click.echo(json.dumps(_as_data(findings, lines) | {"foreseen": [asdict(each) for each in outlooks]}, indent=2))
    else:
        others = () if verbose or not read_tickets else _find_other_cards(read_cards or {}, read_tickets)
        _print(findings, lines, others)
        if not findings.problems:
            click.echo("\n".join(describe_outlooks(outlooks, detail=verbose)), nl=bool(outlooks))
    return ConfigError.exit_code if findings.problems else code_of(outlooks)


def _read_cards(folder: Path, findings: Findings) -> Mapping[str, CardFile]:
    cards, problems = scan_cards(folder)
    findings.problems += problems
    if not cards and not problems:
        message = "holds no card, so nothing can pass: correct --cards, or leave it out"
        findings.problems.append(Problem(str(folder), WHOLE_FILE, message))
    return cards


def _read_tickets(folder: Path, roles: Mapping[str, Role], findings: Findings) -> Mapping[Path, TicketFile]:
    if not folder.is_dir():
        findings.problems.append(
            Problem(str(folder), WHOLE_FILE, "there is no such folder of tickets: correct --tickets")
        )
        return {}
    alone = [folder] if (folder / TICKET_FILE).exists() else []
    folders = alone or [each for each in sorted(folder.iterdir()) if each.is_dir() and not each.name.startswith(".")]
    if not folders:
        findings.problems.append(
            Problem(str(folder), WHOLE_FILE, f"contains no ticket folder (one with a {TICKET_FILE})")
        )
    tickets: dict[Path, TicketFile] = {}
    first: dict[str, Path] = {}
    for each in folders:
        ticket = findings.attempt(lambda each=each: load_ticket(each, roles))  # type: ignore[misc]
        if ticket is None:
            continue
        path = each / TICKET_FILE
        if ticket.ticket in first:
            message = f"ticket number `{ticket.ticket}` is also that of {first[ticket.ticket]}: correct one of them"
            findings.problems.append(Problem(str(path), 1, message))
        first.setdefault(ticket.ticket, path)
        tickets[path] = ticket
    return tickets


def _match(
    plan: Plan | None,
    stand: StandFile | None,
    cards: Mapping[str, CardFile] | None,
    tickets: Mapping[Path, TicketFile] | None,
    findings: Findings,
) -> None:
    """Check the files against one another."""
    if plan and stand:
        findings.problems += match_stand(stand, plan)
        findings.notes += find_idle_spreads(stand, plan)
    if plan and cards is not None:
        fields = plan.fields()
        for card in cards.values():
            findings.problems += check_card(card, fields)
            findings.notes += note_plan(card, plan)
            findings.notes += note_settings(card, plan)
            findings.notes += note_stand(card, stand) if stand else ()
    for path, ticket in (tickets or {}).items():
        if cards is not None and ticket.lens.model not in cards:
            message = f"there is no card for `{ticket.lens.model}`: the lens will be measured, but cannot pass"
            findings.notes.append(Problem(str(path), 1, message))
        findings.notes += note_hand_checks(path, ticket, plan)
        if stand and ticket.body.model not in stand.bodies:
            message = f"body `{ticket.body.model}` is not one of the stand's: {', '.join(stand.bodies)}"
            findings.notes.append(Problem(str(path), 1, message))


def _ask_plugins(
    stand: StandFile | None, cards: Mapping[str, CardFile], plugins: Plugins, findings: Findings
) -> Sequence[SetupFinding]:
    """Add the plugins' notes on stand file and cards; return all of their findings."""
    every: list[SetupFinding] = []
    for name, ask in plugins.setup_checks.items():
        section = stand.sections.get(name) if stand else None
        if stand is None or section is None:
            continue
        for found in ask(section, facts_of(cards.values())):
            path = cards[found.model].document.path if found.model else stand.document.path
            message = found.message
            if found.not_applicable:
                message += f" (not applicable: {', '.join(found.not_applicable)})"
            findings.notes.append(Problem(str(path), 1, message))
            every.append(found)
    return every


def _survey(path: Path, ticket: TicketFile, plan: Plan, roles: Mapping[str, Role], findings: Findings) -> Survey | None:
    """Read the EXIF of a ticket's shots, and add problems (missing settings) and notes (contradictions)."""
    nominal = Nominal.of_plan(plan)
    request = request_ticket(path.parent, ticket, nominal, roles, roles_by_setting(plan))
    findings.problems += [Problem(str(path), 1, message) for message in request.findings]
    try:
        survey = survey_ticket(request)
    except OSError as error:
        findings.problems.append(Problem(str(path), 1, f"{error.filename}: {error.strerror}"))
        return None
    findings.problems += [Problem(str(path), 1, message) for message in survey.unsettled]
    findings.notes += [Problem(str(path), 1, message) for message in (*survey.contradictions, *survey.unused)]
    return survey


def _format(
    plan: Plan | None,
    stand: StandFile | None,
    cards: Mapping[str, CardFile] | None,
    tickets: Mapping[Path, TicketFile] | None,
) -> dict[str, str]:
    lines: dict[str, str] = {}
    if plan:
        lines["plan"] = (
            f"{plan.name}: {format_count(len(plan.steps), 'step')}, "
            f"{format_count(len(plan.fields()), 'measured field')}"
        )
    if stand:
        lines["stand"] = f"{stand.name}: {', '.join(stand.bodies)}"
    if cards is not None:
        lines["cards"] = f"{len(cards)}: {', '.join(sorted(cards)) or 'none'}"
    if tickets is not None:
        lines["tickets"] = f"{len(tickets)}: {', '.join(sorted(each.ticket for each in tickets.values())) or 'none'}"
    return lines


def _find_other_cards(cards: Mapping[str, CardFile], tickets: Mapping[Path, TicketFile]) -> Collection[str]:
    """Return the paths of the cards of lenses that none of the tickets is of."""
    models = {ticket.lens.model for ticket in tickets.values()}
    return {str(file.document.path) for model, file in cards.items() if model not in models}


def _print(findings: Findings, lines: Mapping[str, str], others: Collection[str]) -> None:
    """Print notes and lines; notes on the cards of other lenses are counted."""
    notes = sorted(set(findings.notes))
    shown = [note for note in notes if note.file not in others]
    for note in shown:
        click.echo(f"{note} (a note)", err=True)
    if len(shown) < len(notes):
        left_out = format_count(len(notes) - len(shown), "note")
        click.echo(f"{left_out} on cards of lenses that have no ticket here: -v lists them", err=True)
    if findings.problems:
        raise ConfigError(findings.problems)
    for name, line in lines.items():
        click.echo(f"{name:<8} {line}")
    click.echo("no mistakes")


def _as_data(findings: Findings, lines: Mapping[str, str]) -> dict[str, Any]:
    return {
        "ok": not findings.problems,
        **lines,
        "problems": [_problem_as_data(each) for each in sorted(set(findings.problems))],
        "notes": [_problem_as_data(each) for each in sorted(set(findings.notes))],
    }


def _problem_as_data(problem: Problem) -> dict[str, Any]:
    return {"file": problem.file, "line": problem.line, "message": problem.message}
