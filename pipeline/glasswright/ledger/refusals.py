"""Tickets that a later run was given and could not measure: what was measured of them before may no longer hold."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glasswright.ledger.store import Database


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """That a run did not measure a ticket that it was given."""

    run: int
    reason: str


def read_refusals(database: Database, since_run: int) -> Mapping[str, Sequence[Refusal]]:
    """Give what the runs from one on did not measure, in their order.

    The key is the ticket's number, or `/` and the folder's name where the ticket file could not be read for the number.
    """
    sql = (
        "SELECT run_end.run, started_at, summary FROM run_end JOIN run ON run.id = run_end.run WHERE run_end.run >= ? "
        'AND (instr(summary, \'"refused_tickets": [{\') > 0 OR instr(summary, \'"unfinished_tickets": ["\') > 0) '
        "ORDER BY run_end.run"
    )
    found: dict[str, list[Refusal]] = {}
    for run, started_at, text in database.rows(sql, since_run):
        for name, reason in _refusals_of(json.loads(text), started_at):
            found.setdefault(name, []).append(Refusal(run=run, reason=reason))
    return found


def _refusals_of(summary: Mapping[str, Any], started_at: str) -> Iterator[tuple[str, str]]:
    for each in summary.get("refused_tickets", ()):
        name = each["number"] or f"/{PurePath(each['folder']).name}"
        why = " ".join(each["reason"].split())
        yield name, f"the run of {started_at} could not take this ticket in: {why}; correct that and run again"
    for number in summary.get("unfinished_tickets", ()):
        yield number, f"the run of {started_at} was stopped before this ticket was measured: run again"


def refusals_of(
    refusals: Mapping[str, Sequence[Refusal]], ticket: str, folder: str, since_run: int
) -> tuple[Refusal, ...]:
    """Give those of one ticket since it was measured, in the order of their runs.

    A ticket file that could not be read is this ticket's if its folder bears the ticket's number, or the name that
    the ticket's folder had when it was measured.
    """
    names = {ticket, f"/{ticket}", f"/{PurePath(folder).name}"}
    found = [each for name in names for each in refusals.get(name, ()) if each.run >= since_run]
    return tuple(sorted(found, key=lambda each: each.run))


def standing_refusal(database: Database, ticket: str, refusals: Sequence[Refusal]) -> str:
    """Give the last refusal of a ticket, unless a later run found it as it was measured; empty for none."""
    if not refusals:
        return ""
    last = refusals[-1]
    sql = "SELECT summary FROM run_end WHERE run > ? AND instr(summary, ?) > 0"
    for (text,) in database.rows(sql, last.run, f'"number": {json.dumps(ticket)}'):
        tickets = json.loads(text).get("tickets")
        if isinstance(tickets, list) and any(each.get("number") == ticket for each in tickets):
            return ""
    return last.reason
