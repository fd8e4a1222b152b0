"""Tables for people: ruled on a terminal, plain columns elsewhere."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence


def print_table(title: str, headers: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table on stdout, unless it has no rows."""
    if not rows:
        return
    if sys.stdout.isatty():
        _print_ruled(title, headers, rows)
    else:
        click.echo(format_plain(title, headers, rows))


def format_plain(title: str, headers: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table as aligned columns, separated by two blanks."""
    table = [headers, *rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(headers))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
    return "\n".join([title, *(f"  {line}" for line in lines)])


def _print_ruled(title: str, headers: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title, title_justify="left")
    for header in headers:
        table.add_column(header)
    for row in rows:
        # Text: square brackets must not be read as markup
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)
