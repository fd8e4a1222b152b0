"""`glasswright verify`: is the ledger what it was when it was written?"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import click

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger

EXAMPLE = """\b
Example:
  glasswright verify --ledger bench.ledger
"""


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def verify(ledger: Path, as_json: bool) -> int:
    """Check every row and file of a ledger against its hash, and the chain of its runs.

    Exit codes: 0 all is as it was written, 21 the ledger is missing, newer or damaged (each damage is named).
    """
    with Ledger.open_for_reading(ledger) as opened:
        found = opened.verify()
    if as_json:
        click.echo(json.dumps(dataclasses.asdict(found), indent=2))
    else:
        for line in (*found.damage, *(f"note: {note}" for note in found.notes)):
            click.echo(line)
        counts = ", ".join(f"{count} {what}{'' if count == 1 else 's'}" for what, count in found.counts.items())
        click.echo(f"{ledger}: DAMAGED" if found.damage else f"{ledger}: sound; checked {counts}")
    return LedgerDamagedError.exit_code if found.damage else 0
