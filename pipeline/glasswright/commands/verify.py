"""`glasswright verify`: check every row and file of a ledger against its hash."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.ledger_key import check_signature
from glasswright.commands.remarks import read_name_and_reason
from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger, describe_run
from glasswright.ledger.restored import accept_restored

if TYPE_CHECKING:
    from glasswright.ledger.verifying import Verification

EXAMPLE = """\b
Example:
  glasswright verify --ledger bench.ledger
"""


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
@click.option(
    "--accept-restored",
    "accept",
    is_flag=True,
    help="Accept a ledger that was restored without its last commits or its head; the ledger records this.",
)
@click.option(
    "--stand",
    type=click.Path(path_type=Path),
    help="Stand file whose `ledger_key` must have signed the head. Default: the latest one used.",
)
@click.option("--by", default="", help="Who accepts it.")
@click.option("--why", default="", help="What happened.")
def verify(ledger: Path, as_json: bool, accept: bool, stand: Path | None, by: str, why: str) -> int:
    """Check every row and file of a ledger against its hash, the chain of its commits, and its head.

    The head, LEDGER.head, is the last commit's digest. It reveals that the last commits are missing, after a copy
    without the -wal file or a restored backup. Neither the head nor the hashes protect against somebody who can write
    all of these files. For that the head is signed if GLASSWRIGHT_LEDGER_KEY names the file of a private key (Ed25519,
    PEM), and checked with the public key `ledger_key` in the stand file.

    Exit codes: 0 intact, 2 wrong command, 20 another run holds the ledger, 21 the ledger is missing, newer or damaged
    (each damage is named).
    """
    if accept != bool(by.strip() and why.strip()):
        raise click.UsageError("--accept-restored, --by NAME and --why REASON must be given together")
    if accept:
        _accept(ledger, *read_name_and_reason(by, why))
    with Ledger.open_for_reading(ledger, check_head=False) as opened:
        found = opened.verify()
        head = str(opened.head())
        if not found.damage:
            try:
                head += ", signed" if check_signature(opened, stand) else ""
            except LedgerDamagedError as error:
                found = dataclasses.replace(found, counts={}, damage=(str(error),))
    if as_json:
        click.echo(json.dumps({**dataclasses.asdict(found), "head": head}, indent=2))
    else:
        _print(ledger, found, head)
    return LedgerDamagedError.exit_code if found.damage else 0


def _print(ledger: Path, found: Verification, head: str) -> None:
    for line in (*found.damage, *(f"note: {note}" for note in found.notes)):
        click.echo(line)
    counts = ", ".join(f"{count} {what}{'' if count == 1 else 's'}" for what, count in found.counts.items())
    click.echo(f"{ledger}: DAMAGED" if found.damage else f"{ledger}: intact; checked {counts}; head: {head}")


def _accept(path: Path, by: str, why: str) -> None:
    """Record that a person accepts the ledger, if nothing but its head is wrong."""
    with Ledger.open_for_reading(path, check_head=False):
        pass  # raises if it is missing; opening for writing would create it
    with Ledger.open_for_writing(path, check_head=False) as opened:
        if opened.head_damage is None:
            raise click.UsageError(f"{path}: the ledger and its head match: there is nothing to accept")
        finding = opened.head_damage.finding
        accept_restored(opened, describe_run(), by, why, finding)
