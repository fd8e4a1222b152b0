"""What `glasswright tune` prints for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from glasswright.commands.tables import print_table

if TYPE_CHECKING:
    from glasswright.tuning.risks import Risk
    from glasswright.tuning.tuning import SideReport, Tuning

MOST_LISTED = 12


def print_tuning(tuning: Tuning) -> None:
    """Print a tuning: the lenses, the limits, what they do, whom they would have changed."""
    _print_lenses(tuning)
    sides = tuning.sides
    print_table(
        "Limits",
        ("limit", "old", "new", "lenses", "median", "spread", "own spread", "capability"),
        [_limit_row(each) for each in sides],
    )
    print_table(
        "What they do to lenses",
        ("limit", "good held, old", "good held, new", "bad released, new", "known bad passed", "changed"),
        [_risk_row(each) for each in sides] + [_ticket_row(tuning)],
    )
    for report in sides:
        click.echo(f"{report.side}: {report.proposal.method.replace('_', ' ')}: {report.proposal.says}")
    _print_changed(tuning)


def _print_lenses(tuning: Tuning) -> None:
    evidence = tuning.evidence
    if evidence.rehearsed:
        click.echo("REHEARSED: all of these lenses were rendered, none was measured. For trying out only.")
    click.echo(f"{tuning.card.card}: {len(evidence.healthy)} healthy lenses, {len(evidence.bad)} bad")
    for lens in evidence.bad:
        click.echo(f"  bad: {lens.ticket}: {lens.bad}")
    for each in evidence.left_out[:MOST_LISTED]:
        click.echo(f"  left out: {each.ticket}: {each.why}")
    if len(evidence.left_out) > MOST_LISTED:
        click.echo(f"  left out: {len(evidence.left_out) - MOST_LISTED} more, all in the proposal")
    odd = sorted({ticket for report in tuning.sides for ticket in report.odd})
    if odd:
        click.echo(f"  odd in some value, counted all the same: {', '.join(odd)}")


def _limit_row(report: SideReport) -> tuple[str, ...]:
    looks, spread, turn = report.looks, report.spread, report.side.turn
    return (
        str(report.side),
        _number(report.old_number),
        _number(report.proposal.number),
        str(looks.count if looks else 0),
        _number(turn(looks.median) if looks else None),
        _number(looks.robust_sigma if looks else None, 3),
        _number(spread.sigma if spread else None, 3),
        _number(report.capable, 3),
    )


def _number(value: float | None, digits: int = 5) -> str:
    return "-" if value is None else f"{value:.{digits}g}"


def _risk_row(report: SideReport) -> tuple[str, ...]:
    return (
        str(report.side),
        *_shares(report.risk_before, report.risk),
        str(len(report.changed)),
    )


def _ticket_row(tuning: Tuning) -> tuple[str, ...]:
    changed = sum(each.before != each.after for each in tuning.changed)
    return (
        f"the whole ticket ({tuning.risk_lenses} lenses)",
        *_shares(tuning.risk_before, tuning.risk),
        str(changed),
    )


def _shares(before: Risk | None, after: Risk | None) -> tuple[str, ...]:
    return (
        str(before.held) if before else "-",
        str(after.held) if after else "-",
        str(after.released_bad) if after else "-",
        f"{after.known_bad_passed} of {after.known_bad}" if after else "-",
    )


def _print_changed(tuning: Tuning) -> None:
    changed = [each for each in tuning.changed if each.before != each.after]
    click.echo(f"{len(changed)} past tickets would be judged otherwise")
    for each in changed[:MOST_LISTED]:
        click.echo(f"  {each.ticket}: {each.before} -> {each.after}")
    if len(changed) > MOST_LISTED:
        click.echo(f"  {len(changed) - MOST_LISTED} more, all in the proposal")
