"""`glasswright pages`: write a night as HTML pages."""

from __future__ import annotations

import os
from pathlib import Path

import click

from glasswright.formatting import format_count

EXAMPLE = """\b
Example, for the latest night:
  glasswright pages --ledger bench.ledger --out pages/ --tickets night/
"""


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write to.")
@click.option(
    "--night",
    "nights",
    type=int,
    multiple=True,
    help="Number of the run whose tickets are shown; may be repeated. Default: the latest that measured.",
)
@click.option("--tickets", type=click.Path(path_type=Path), help="Folder of tickets, to show thumbnails of the frames.")
@click.option("--workers", type=click.IntRange(min=1), help="Processes that draw. Default: one per core.")
def pages(ledger: Path, out: Path, nights: tuple[int, ...], tickets: Path | None, workers: int | None) -> None:
    """Write a night as static HTML pages: open OUT/index.html in any browser; nothing is fetched.

    There is a page for the night, for each of its tickets, and for each lens model and stand in the ledger. Files with
    the same names in the folder are replaced.

    Exit codes: 0 done, 2 wrong command, or no such night, 21 the ledger is missing, newer or damaged.
    """
    from glasswright.reports.pages.building import build_pages

    if tickets is not None and not tickets.is_dir():
        raise click.UsageError(f"{tickets}: there is no such folder of tickets: correct --tickets, or leave it out")
    count = workers or os.cpu_count() or 1
    built = build_pages(ledger, out, nights=nights, tickets=tickets, workers=count)
    if built.faults:
        click.echo(f"{format_count(built.faults, 'drawing')} failed; the pages of the tickets say why", err=True)
    click.echo(
        f"{format_count(built.pages, 'page')} of {format_count(built.tickets, 'ticket')} written: open {built.night}"
    )
