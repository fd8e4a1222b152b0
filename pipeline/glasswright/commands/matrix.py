"""`glasswright matrix`: every measure at every setting in one view."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.tables import print_table
from glasswright.commands.tickets import gate_tickets
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.reports.matrix import make_matrix
from glasswright.reports.pages.formats import format_change_side, format_limits, format_value
from glasswright.reports.pages.triage import triage_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.reports.matrix import Matrix, MatrixCell, MatrixRow

EXAMPLE = """\b
Example, a zoom at all its settings, and beside it another copy:
  glasswright matrix T-0412 --ledger bench.ledger
  glasswright matrix T-0412 T-0398 --ledger bench.ledger --page pages/side_by_side.html
"""


@click.command(epilog=EXAMPLE)
@click.argument("tickets", nargs=-1, required=True)
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option(
    "--page",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write it as an HTML page, with the folder `assets` beside it.",
)
@click.option("-v", "--verbose", is_flag=True, help="Show every number, including checks by hand.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def matrix(tickets: tuple[str, ...], path: Path, page: Path | None, verbose: bool, as_json: bool) -> None:
    """Show every measure of TICKETS at every aperture and focal length, with its limits.

    One line for each measure and lens. A number with a limit is shown with two standard uncertainties, and with its
    verdict unless that is PASS. Several tickets are shown one below the other, on the page side by side. This is not a
    verdict: the exit code is 0 whatever the numbers are, 2 for a wrong command, 21 for a ledger that is missing or
    damaged.
    """
    with Ledger.open_for_reading(path) as opened:
        opened.check_chain()
        gated = gate_tickets(opened, tickets)
        head = str(opened.head())
    made = make_matrix(gated, every_number=verbose)
    if page is not None:
        from glasswright.reports.pages.building import write_side_by_side

        write_side_by_side(page, gated, made, head)
        click.echo(f"page written: open {page}", err=as_json)
    if as_json:
        click.echo(json.dumps(_as_data(made), indent=2))
        return
    for each in gated:
        ticket = each.state.record.ticket
        click.echo(f"{ticket.number}: {ticket.model}, serial {ticket.serial}, {triage_of(each).label}")
    if not made.rows:
        click.echo("there is no limit, so nothing is shown: -v shows every number")
    headers = ("measure", "unit", "ticket", *made.settings, "limit")
    print_table("At every setting", headers, [line for row in made.rows for line in _lay_lines(row, made)])


def _lay_lines(row: MatrixRow, made: Matrix) -> Iterator[tuple[str, ...]]:
    """Yield a line for each ticket, and one for the limits if they differ between settings."""
    limits = [_format_limit(each) for each in row.limits]
    given = set(filter(None, limits))
    for place, (ticket, cells) in enumerate(zip(made.tickets, row.cells, strict=True)):
        head = (row.name, row.unit) if place == 0 else ("", "")
        same = next(iter(given), "") if len(given) == 1 and place == 0 else ""
        yield (*head, ticket, *map(_format_cell, cells), same)
    if len(given) > 1:
        yield ("", "", "limit", *limits, "")


def _format_cell(cell: MatrixCell | None) -> str:
    if cell is None:
        return ""
    if cell.verdict is None:
        return format_change_side(cell.value, cell.u)
    number = "-" if cell.value is None else format_value(cell.value, cell.u)
    return number if cell.verdict is Verdict.PASS else f"{number} {cell.verdict}"


def _format_limit(limits: tuple[float | None, float | None] | None) -> str:
    return "" if limits is None else format_limits(*limits)


def _as_data(made: Matrix) -> dict[str, object]:
    return {
        "tickets": made.tickets,
        "settings": made.settings,
        "measures": [
            {
                "measure": row.measure,
                "unit": row.unit,
                "cells": [
                    {
                        "ticket": ticket,
                        "at": at,
                        "value": cell.value,
                        "u": cell.u,
                        "verdict": str(cell.verdict) if cell.verdict else None,
                        "min": cell.lower,
                        "max": cell.upper,
                    }
                    for ticket, cells in zip(made.tickets, row.cells, strict=True)
                    for at, cell in zip(made.settings, cells, strict=True)
                    if cell is not None
                ],
            }
            for row in made.rows
        ],
    }
