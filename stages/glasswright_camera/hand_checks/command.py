"""The command `hand-checks`: a dialogue in which a technician answers the hand checks of a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.judging.hand_check_entry import HandCheckError, find_hand_checks, make_note, open_entry, write_answer
from glasswright_camera.hand_checks.instructions import HAND_LIST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.judging.hand_check_entry import HandCheckEntry, HandNote

ANSWERS = {"p": "pass", "f": "fail", "n": "not_applicable"}
LATER, STOP = "later", "stop"
KEYS = "p pass, f fail, n not applicable, l later, s stop"

EXAMPLE = """\b
Example:
  glasswright hand-checks night/tickets/T-0412 --cards configs/cards
"""


@dataclass(slots=True, kw_only=True)
class Desk:
    """One session with one ticket."""

    entry: HandCheckEntry
    checks: tuple[str, ...]
    who: str

    @property
    def open_checks(self) -> tuple[str, ...]:
        """Checks without a signed answer."""
        return tuple(name for name in self.checks if not is_signed(self.entry.answers.get(name)))


def is_signed(note: HandNote | None) -> bool:
    """Return whether an answer counts, as it has a name and a day."""
    return note is not None and bool(note.who) and bool(note.when)


@click.command(epilog=EXAMPLE, short_help="Ask the hand checks that the card of a lens lists.")
@click.argument("ticket_folder", type=click.Path(path_type=Path))
@click.option("--cards", type=click.Path(path_type=Path), required=True, help="Folder of cards.")
@click.option("--who", default=None, help="Who checks; asked once if not given.")
def hand_checks(ticket_folder: Path, cards: Path, who: str | None) -> None:
    """Ask the hand checks that the lens's card lists, one by one, and write the answers into ticket.yaml.

    Each answer is written at once, signed with name and time, so a session may be interrupted and continued. Signed
    answers are not asked again; they can be corrected at the end.
    """
    if who is not None and (problem := _problem_of_name(who)):
        raise click.BadParameter(problem, param_hint="--who")
    opened = open_entry(ticket_folder)
    checks = find_hand_checks(cards, opened.ticket.lens.model)
    _refuse_unknown(checks, opened.ticket.lens.model)
    desk = Desk(entry=opened, checks=checks, who=who or "")
    click.echo(f"{opened.ticket.ticket}: {opened.ticket.lens.model}, serial {opened.ticket.lens.serial}")
    if not checks:
        click.echo("the card lists no hand checks")
        return
    click.echo(f"{len(checks)} hand checks, {len(checks) - len(desk.open_checks)} of them answered")
    try:
        if _ask_open(desk):
            _correct(desk)
    except click.Abort:
        click.echo("\ninterrupted; every answer given before is written")
        raise
    finally:
        _print_rest(desk)


def _refuse_unknown(checks: Sequence[str], model: str) -> None:
    unknown = [name for name in checks if name not in HAND_LIST]
    if unknown:
        known = ", ".join(HAND_LIST)
        raise HandCheckError(
            f"the card of `{model}` lists `{unknown[0]}`, which is no hand check: correct it to one of {known}"
        )


def _ask_open(desk: Desk) -> bool:
    """Ask the checks without a signed answer; return False if the technician stops."""
    return all(_ask(desk, name) != STOP for name in desk.open_checks)


def _correct(desk: Desk) -> None:
    """Show every answer and let the technician correct any."""
    while True:
        click.echo()
        for number, name in enumerate(desk.checks, start=1):
            click.echo(f"{number:3d}  {HAND_LIST[name].title}: {_format_answer(desk.entry.answers.get(name))}")
        try:
            chosen = _prompt("number of an answer to correct, or Enter to end")
        except click.Abort:  # nothing is unfinished here, so a closed terminal ends the session like Enter
            click.echo()
            return
        if not chosen:
            return
        if chosen.isdecimal() and 1 <= int(chosen) <= len(desk.checks):
            if _ask(desk, desk.checks[int(chosen) - 1]) == STOP:
                return
        else:
            click.echo(f"`{chosen}` is not a number from 1 to {len(desk.checks)}")


def _ask(desk: Desk, name: str) -> str:
    """Show the caution, then the instruction; take, write and return the answer."""
    desk.who = desk.who or _take_name()
    instruction, place = HAND_LIST[name], desk.checks.index(name) + 1
    click.echo(f"\n{place} of {len(desk.checks)}: {instruction.title}")
    if instruction.caution:
        click.echo(f"CAUTION: {instruction.caution}")
    click.echo(instruction.how)
    if name in desk.entry.answers:
        click.echo(f"so far: {_format_answer(desk.entry.answers[name])}")
    answer = _take_answer()
    if answer in (LATER, STOP):
        return answer
    if answer == ANSWERS["n"]:
        click.echo("the card lists this check for the model: with this answer the ticket stays incomplete")
    note = _take_note(desk, name, answer)
    desk.entry = write_answer(desk.entry, name, note)
    click.echo("written")
    return answer


def _take_answer() -> str:
    known = {**ANSWERS, "l": LATER, "s": STOP}
    while True:
        given = _prompt(f"[{KEYS}]").lower().replace(" ", "_")
        found = known.get(given) or (given if given in known.values() else "")
        if found:
            return found
        click.echo(f"`{given}` is none of them" if given else "one of them is needed")


def _ask_for_note(before: HandNote | None, answer: str) -> str:
    """Return the prompt for a required note; empty where none is required."""
    if answer == ANSWERS["f"]:
        return "describe what was found"
    failed = before is not None and ANSWERS["f"] in (before.answer, *(each.answer for each in before.earlier))
    return "it failed before; describe why it passes now" if answer == ANSWERS["p"] and failed else ""


def _take_note(desk: Desk, name: str, answer: str) -> HandNote:
    """Take the note; ask again if it is missing but required, or cannot be written."""
    required = _ask_for_note(desk.entry.answers.get(name), answer)
    while True:
        text = _prompt(required or "note, or Enter for none")
        if required and not text:
            click.echo("this note is required")
            continue
        when = datetime.now().astimezone().isoformat(timespec="minutes")
        try:
            return make_note(answer, desk.who, when, text)
        except ValueError as error:
            click.echo(str(error))


def _take_name() -> str:
    """Ask who checks."""
    while True:
        name = _prompt("who checks")
        problem = _problem_of_name(name)
        if not problem:
            return name
        click.echo(problem)


def _problem_of_name(name: str) -> str:
    try:
        make_note("pass", name, "2026-01-01", "")
    except ValueError as error:
        return str(error)
    return ""


def _prompt(text: str) -> str:
    given: str = click.prompt(text, default="", show_default=False, prompt_suffix=": ")
    return given.strip()


def _format_answer(note: HandNote | None) -> str:
    if note is None:
        return "no answer"
    text = note.answer.replace("_", " ")
    signed = f"{note.who}, {note.when}" if is_signed(note) else "not signed, so it does not count"
    return f"{text} ({signed})" + (f": {note.note}" if note.note else "")


def _print_rest(desk: Desk) -> None:
    rest = desk.open_checks
    if rest:
        click.echo(f"still open: {', '.join(HAND_LIST[name].title for name in rest)}")
    else:
        click.echo("all hand checks are answered and signed")
