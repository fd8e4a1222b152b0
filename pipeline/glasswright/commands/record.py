"""`glasswright record`: write the PDF record of a lens, or verify one."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from glasswright.commands.ledger_key import check_signature
from glasswright.judging.gate import RELEASING, DecisionKind
from glasswright.ledger import Ledger

KINDS = {DecisionKind.RELEASE: "release", DecisionKind.RELEASED_ON_REVIEW: "release-on-review"}
EXAMPLE = """\b
Example:
  glasswright record T-0412 --ledger bench.ledger --signed-by "K. Moreau"
  glasswright record --verify T-0412-release.pdf --ledger bench.ledger
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket", required=False)
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write instead of TICKET-....pdf.")
@click.option("--signed-by", default="", help="Who signs it; today's date is added.")
@click.option(
    "--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="Size of the sheet."
)
@click.option(
    "--verify", type=click.Path(path_type=Path, dir_okay=False), help="Check a record against the ledger instead."
)
@click.option(
    "--stand",
    type=click.Path(path_type=Path),
    help="With --verify: stand file whose `ledger_key` must have signed the ledger. Default: the latest one used.",
)
def record(
    ticket: str | None,
    path: Path,
    out: Path | None,
    signed_by: str,
    paper: str,
    verify: Path | None,
    stand: Path | None,
) -> None:
    """Make the record of TICKET as PDF: measurements, limits, verdicts, and who signed.

    Only a ticket that the gate releases gets a release record. A ticket that a person released on review gets a record
    with a watermark, any other a findings sheet with a watermark. With --verify the record is made again from the
    ledger and compared with the file byte by byte.

    Exit codes: 0 written (or the file matches), 2 wrong command or no such ticket, 21 the file does not match the
    ledger, or the ledger is missing, newer or damaged.
    """
    if (ticket is None) == (verify is None):
        raise click.UsageError("give either TICKET, to make its record, or --verify FILE, to check one")
    with Ledger.open_for_reading(path) as ledger:
        ledger.check_chain()
        if verify is not None:
            check_signature(ledger, stand)
            _verify(ledger, verify)
        elif ticket is not None:
            _make(ledger, ticket, out, signed_by.strip(), paper)


def _make(ledger: Ledger, ticket: str, out: Path | None, signed_by: str, paper: str) -> None:
    from glasswright.plugin.paper import write_file
    from glasswright.reports.record.content import Signature
    from glasswright.reports.record.fingerprint import find_note
    from glasswright.reports.record.record import make_record

    day = datetime.now().astimezone().date().isoformat() if signed_by else ""
    made = make_record(ledger, ticket, Signature(name=signed_by, day=day), paper)
    kind = KINDS.get(made.decision, "findings")
    file = out or Path(f"{ticket}-{kind}.pdf")
    there = find_note(file.read_bytes()) if file.is_file() else None
    if there is not None and there.ticket != ticket:
        raise click.BadParameter(
            f"{file} is the record of ticket {there.ticket}: name another file", param_hint="--out"
        )
    write_file(file, made.data)
    click.echo(f"{file}: {made.content.title.lower()} of {ticket}, {made.content.decision}")
    if made.decision not in RELEASING:
        click.echo("not released, so this is not a release record, as its watermark says")
    click.echo(f"fingerprint {made.fingerprint}")


def _verify(ledger: Ledger, file: Path) -> None:
    from glasswright.reports.record.record import RecordMismatchError, verify_record

    if not file.is_file():
        raise click.BadParameter(f"there is no file {file}", param_hint="--verify")
    try:
        verified = verify_record(ledger, file.read_bytes())
    except RecordMismatchError as error:
        raise RecordMismatchError(f"{file}: does not match the ledger: {error}") from error
    content = verified.record.content
    click.echo(f"{file}: matches the ledger: {content.title.lower()} of {verified.note.ticket}, {content.decision}")
    if verified.since:
        click.echo(f"  but {verified.since}")
