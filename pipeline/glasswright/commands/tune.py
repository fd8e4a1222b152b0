"""`glasswright tune`: propose limits for a lens model from the ledger's history."""

from __future__ import annotations

import getpass
import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.config import did_you_mean, load_stand
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.judging.cards import load_cards
from glasswright.ledger import Ledger
from glasswright.ledger.documents import find_document
from glasswright.ledger.inspected import latest_inspected
from glasswright.ledger.returned import latest_returned
from glasswright.outputs import make_folder
from glasswright.tuning.aims import SIGMAS, Aims
from glasswright.tuning.evidence import Marks
from glasswright.tuning.kept_stand import read_stand_of
from glasswright.tuning.typed import read_typed
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.config.stand.file import StandFile
    from glasswright.judging.cards import CardFile
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState
    from glasswright.tuning.risks import Risk
    from glasswright.tuning.tuning import SideReport, Tuning

EXAMPLE = """\b
Examples: propose limits; evaluate one entered by hand; write the card
  glasswright tune "Corvane 50 mm f/2" --ledger bench.ledger --cards configs/cards
  glasswright tune "Corvane 50 mm f/2" --ledger bench.ledger --cards configs/cards \\
      --limit measure_mtf50.green.centre.mean_cy_per_px@f_number=2=min:0.27
  glasswright tune "Corvane 50 mm f/2" --ledger bench.ledger --cards configs/cards --adopt --by "K. Moreau"
"""


class TuneError(GlasswrightError):
    """There is no card or no ticket of the lens model, or nothing can be proposed."""

    exit_code = 2


@click.command(epilog=EXAMPLE)
@click.argument("lens")
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), required=True, help="Folder of cards.")
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file. Default: that of the latest ticket.")
@click.option(
    "--limit", "typed", multiple=True, help="Evaluate this limit: `stage.field[@f_number=2]=min:0.27`; may be repeated."
)
@click.option("--held", default=5.0, show_default=True, type=click.FloatRange(0.01, 50), help="Largest share of "
              "healthy tickets that all limits together may hold, in per cent.")  # fmt: skip
@click.option("--confidence", default=0.95, show_default=True, type=click.FloatRange(0.5, 0.999), help="Of that share.")
@click.option("--method", default="auto", show_default=True, type=click.Choice(["auto", "distribution_free"]),
              help="auto: with too few lenses for a proof, propose an estimate and say so.")  # fmt: skip
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Use only tickets from this night on.")
@click.option("--review-is-held/--review-is-not-held", default=True, show_default=True, help="Whether a lens in review "
              "counts as held.")  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for proposal.yaml and pictures. "
              "Default: proposals/ and the name of the card's file.")  # fmt: skip
@click.option("--adopt", is_flag=True, help="Write the new numbers into the card.")
@click.option("--by", default="", help="Who adopts them. Default: the user's name.")
@click.option("-v", "--verbose", is_flag=True, help="Show the statistics of all limits, and all left-out lenses.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def tune(
    lens: str, ledger: Path, cards: Path, stand: Path | None, typed: tuple[str, ...], since: datetime | None,
    out: Path | None, adopt: bool, by: str, verbose: bool, as_json: bool, **aims: object,
) -> None:  # fmt: skip
    """Propose limits for the card of LENS, from the lenses of that model that were measured for release.

    A lens is healthy if it passes the current card or a person found it sound (`glasswright inspected`). A limit
    becomes laxer only as far as lenses that it holds were found sound; otherwise the proposal names the lenses to
    inspect. For each limit it gives the lenses it is based on, their statistics, the healthy lenses held and bad lenses
    passed, and the past tickets whose verdict would change. A proposal file and a picture of each limit are written; no
    card is changed without --adopt.

    Exit codes: 0 done, 2 wrong command or configuration or too few lenses for any limit, 21 the ledger is missing,
    newer or damaged.
    """
    from glasswright.tuning.tuning import tune_card

    file = _find_card(cards, lens)
    limits = [read_typed(text, file.card) for text in typed]
    given = load_stand(stand, load_plugins_aloud()) if stand is not None else None
    states, marks, found = _read_ledger(ledger, file, given)
    day = since.date() if since is not None else None
    tuning = tune_card(states, marks, file, found, _aims(aims), limits, day)
    folder = out or Path("proposals") / file.document.path.stem
    if out is None:
        make_folder(folder.parent)
    make_folder(folder)
    written = write_proposal(tuning, folder)
    if as_json:
        click.echo(json.dumps(_as_data(tuning, written), indent=2, ensure_ascii=False))
    else:
        if not tuning.refused or verbose:
            print_tuning(tuning, verbose=verbose)
        pictures = f", and {format_count(len(written) - 1, 'picture')} beside it" if written[1:] else ""
        click.echo(f"proposal: {written[0]}{pictures}")
    if tuning.refused:
        raise TuneError(
            "nothing is proposed: " + "; ".join(dict.fromkeys(each.proposal.reason for each in tuning.sides))
        )
    if adopt:
        _adopt(file, tuning, by, quiet=as_json)


def _aims(aims: dict[str, object]) -> Aims:
    held = aims.pop("held")
    return Aims(held=float(str(held)) / 100, **aims)  # type: ignore[arg-type] # click has checked them


def _find_card(folder: Path, lens: str) -> CardFile:
    cards = load_cards(folder)
    if lens not in cards:
        raise TuneError(f"{folder}: there is no card for `{lens}`; {did_you_mean(lens, cards)}")
    if not cards[lens].card.limits:
        path = cards[lens].document.path
        raise TuneError(f"{path}: the card has no limits: add limits on the measures to tune, with any numbers")
    return cards[lens]


def _read_ledger(
    path: Path, file: CardFile, given: StandFile | None
) -> tuple[tuple[TicketState, ...], Marks, JudgingStand]:
    """Return the model's tickets, other facts about them, and the stand file (if none is given, the latest
    ticket's)."""
    with Ledger.open_for_reading(path) as opened:
        opened.check_chain()
        every = opened.latest_tickets(measures=file.card.measures())
        states = tuple(state for state in every if state.record.ticket.model == file.card.card)
        if not states:
            models = {state.record.ticket.model for state in every}
            raise TuneError(
                f"{path}: the ledger has no ticket of `{file.card.card}`; it has {sorted(models) or 'none'}"
            )
        last = max(states, key=lambda state: (state.measured_at, state.record.ticket.number)).record
        stand = given or read_stand_of(find_document(opened, last.stand_sha256), last.ticket.number)
        report = read_watch(opened, stand.watch, stand.name) if stand.watch is not None else None
        reasons = (
            {state.record.ticket.number: report.out_of_control_of_ticket(state) for state in states} if report else {}
        )
        marks = Marks(
            returned=latest_returned(opened),
            inspected=latest_inspected(opened),
            out_of_control={ticket: why for ticket, why in reasons.items() if why},
        )
        return states, marks, stand


def write_proposal(tuning: Tuning, folder: Path) -> list[Path]:
    """Write `proposal.yaml` and a picture for each side with values; return their paths."""
    import yaml

    from glasswright.tuning.picture import draw_side
    from glasswright.tuning.proposal_data import as_data

    for old in folder.glob("limit_*.svg"):
        old.unlink()
    paths = [folder / "proposal.yaml"]
    head = "# Proposal of `glasswright tune`, for people. `--adopt` writes the card.\n"
    text = yaml.safe_dump(as_data(tuning), sort_keys=False, allow_unicode=True, width=110)
    paths[0].write_text(head + text, encoding="utf-8")
    for number, report in enumerate(tuning.sides):
        if report.curve is not None:
            name = f"limit_{report.side.place + 1:02d}_{report.side.end}_{report.side.limit.measure}.svg"
            paths.append(folder / name)
            paths[-1].write_bytes(draw_side(report, tuning.evidence, number))
    return paths


def _as_data(tuning: Tuning, written: list[Path]) -> dict[str, object]:
    from glasswright.tuning.proposal_data import as_data

    return {**as_data(tuning), "files": [str(path) for path in written]}


def _adopt(file: CardFile, tuning: Tuning, by: str, *, quiet: bool) -> None:
    from glasswright.tuning.adopting import describe_changes, write_card

    changes = describe_changes(tuning)
    if not changes:
        click.echo("no number changes: nothing was written", err=quiet)
        return
    day = datetime.now().astimezone().date().isoformat()
    write_card(file, tuning, at=day, by=by or getpass.getuser())
    click.echo(
        f"{file.document.path}: {format_count(len(changes), 'number')} written; `glasswright judge` applies them",
        err=quiet,
    )


MOST_LISTED = 5


def print_tuning(tuning: Tuning, *, verbose: bool) -> None:
    """Print a tuning: the lenses, the limits (changed ones first), and changed verdicts."""
    _print_lenses(tuning, verbose=verbose)
    sides = sorted(tuning.sides, key=_gravity)
    if verbose:
        print_table(
            "Limits",
            ("limit", "old", "new", "lenses", "median", "spread", "own spread", "capability"),
            [_limit_row(each) for each in sides],
        )
        print_table(
            "Risks",
            ("limit", "good held, old", "good held, new", "of lenses 4 sigma bad, pass", "known bad passed", "changed"),
            [_risk_row(each) for each in sides] + [_ticket_row(tuning)],
        )
        for report in sides:
            click.echo(f"{report.side}: {report.proposal.method.replace('_', ' ')}: {report.proposal.reason}")
            if report.must_hold_passed is not None:
                click.echo(
                    f"  a lens that must be held by the card passes with probability {report.must_hold_passed:.2g}"
                )
    else:
        headers = ("limit", "old", "new", "lenses", "good held, new", "tickets changed")
        print_table("Limits", headers, [*map(_short_row, sides), _short_ticket_row(tuning)])
        by_reason: dict[str, list[SideReport]] = {}
        for report in sides:
            proposal = report.proposal
            by_reason.setdefault(f"{proposal.method.replace('_', ' ')}: {proposal.reason}", []).append(report)
        for reason, reports in by_reason.items():
            more = f" and {len(reports) - 1} more" if len(reports) > 1 else ""
            click.echo(f"{reports[0].side}{more}: {reason}")
    _print_changed(tuning)
    if not verbose:
        click.echo("-v shows the statistics of each limit")


def _gravity(report: SideReport) -> tuple[bool, int]:
    """Return the sort key: changed limits first, then those that change most tickets."""
    return report.proposal.number in (None, report.old_number), -len(report.changed)


def _short_row(report: SideReport) -> tuple[str, ...]:
    summary, risk = report.summary, report.risk
    return (
        str(report.side),
        _number(report.old_number),
        _number(report.proposal.number),
        str(summary.count if summary else 0),
        str(risk.held) if risk else "-",
        str(len(report.changed)),
    )


def _short_ticket_row(tuning: Tuning) -> tuple[str, ...]:
    changed = sum(each.before != each.after for each in tuning.changed)
    held = str(tuning.risk.held) if tuning.risk else "-"
    return (
        f"the whole ticket ({format_count(tuning.risk_lenses, 'lens')})",
        "",
        "",
        str(tuning.risk_lenses),
        held,
        str(changed),
    )


def _print_lenses(tuning: Tuning, *, verbose: bool) -> None:
    evidence = tuning.evidence
    if evidence.rehearsed:
        click.echo("REHEARSED: all of these lenses were rendered. For trials only.")
    click.echo(
        f"{tuning.card.card}: {format_count(len(evidence.healthy), 'healthy lens')}, {len(evidence.bad)} bad, "
        f"{len(evidence.held)} held by the current card and not inspected"
    )
    lines = [f"bad: {lens.ticket}: {lens.bad}" for lens in evidence.bad]
    lines += [f"held: {lens.ticket}: {lens.held}" for lens in evidence.held]
    lines += [f"sound: {lens.ticket}: {lens.sound}" for lens in evidence.healthy if lens.sound]
    lines += [f"left out: {each.ticket}: {each.why}" for each in evidence.left_out]
    shown = lines if verbose else lines[:MOST_LISTED]
    for line in shown:
        click.echo(f"  {line}")
    if len(lines) > len(shown):
        click.echo(f"  {format_count(len(lines) - len(shown), 'more such line')}: -v lists all")
    outliers = sorted({ticket for report in tuning.sides for ticket in report.outliers})
    if outliers:
        click.echo(f"  outliers in some value, still counted: {', '.join(outliers)}")


def _limit_row(report: SideReport) -> tuple[str, ...]:
    summary, spread, turn = report.summary, report.spread, report.side.turn
    return (
        str(report.side),
        _number(report.old_number),
        _number(report.proposal.number),
        str(summary.count if summary else 0),
        _number(turn(summary.median) if summary else None),
        _number(summary.robust_sigma if summary else None, 3),
        _number(spread.sigma if spread else None, 3),
        _number(report.capable, 3),
    )


def _number(value: float | None, digits: int = 5) -> str:
    return "-" if value is None else f"{value:.{digits}g}"


def _risk_row(report: SideReport) -> tuple[str, ...]:
    return (
        str(report.side),
        *_shares(report.risk_before, report.risk, report.bad_passed),
        str(len(report.changed)),
    )


def _ticket_row(tuning: Tuning) -> tuple[str, ...]:
    changed = sum(each.before != each.after for each in tuning.changed)
    return (
        f"the whole ticket ({format_count(tuning.risk_lenses, 'lens')})",
        *_shares(tuning.risk_before, tuning.risk),
        str(changed),
    )


def _shares(before: Risk | None, after: Risk | None, bad_passed: Sequence[float] = ()) -> tuple[str, ...]:
    return (
        str(before.held) if before else "-",
        str(after.held) if after else "-",
        f"{100 * bad_passed[SIGMAS.index(4)]:.1f} %" if bad_passed else "-",
        f"{after.known_bad_passed} of {after.known_bad}" if after else "-",
    )


def _print_changed(tuning: Tuning) -> None:
    changed = [each for each in tuning.changed if each.before != each.after]
    click.echo(f"{format_count(len(changed), 'past ticket')} would get another verdict")
    for each in changed[:MOST_LISTED]:
        click.echo(f"  {each.ticket}: {each.before} -> {each.after}")
    if len(changed) > MOST_LISTED:
        click.echo(f"  {len(changed) - MOST_LISTED} more, listed in the proposal")
