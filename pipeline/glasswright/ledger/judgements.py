"""Judgements in the ledger."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.verdict import Judgement, LimitVerdict, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.ledger.store import Database

JUDGEMENT_SQL = (
    "SELECT id, ticket, manifest, card, stand, judge_version, verdict, reasons, verdicts, hash FROM judgement "
    "WHERE id {which}"
)
LATEST_OF_ONE = "= (SELECT max(id) FROM judgement WHERE ticket = ?)"


def choose_new(database: Database, judgements: Iterable[Judgement]) -> tuple[Judgement, ...]:
    """Return the judgements that differ from the ledger's latest one of the same ticket."""
    return tuple(each for each in judgements if _latest_hash(database, each.ticket) != judgement_values(each)[0][-1])


def _latest_hash(database: Database, ticket: str) -> str:
    rows = database.rows("SELECT hash FROM judgement WHERE ticket = ? ORDER BY id DESC LIMIT 1", ticket)
    return str(rows[0][0]) if rows else ""


def add_judgements(database: Database, run: int, judgements: Iterable[Judgement]) -> None:
    """Add judgements and their verdicts, except those equal to the ledger's latest of the same ticket."""
    verdict_rows = []
    for judgement in judgements:
        values, verdicts = judgement_values(judgement)
        if _latest_hash(database, judgement.ticket) == values[-1]:
            continue
        number = database.insert("judgement", None, run, *values)
        verdict_rows += [(number, *verdict) for verdict in verdicts]
    database.insert_many("verdict", verdict_rows)


def judgement_values(judgement: Judgement) -> tuple[tuple[Any, ...], list[tuple[Any, ...]]]:
    """Return a judgement's columns `ticket` to `hash`, and its verdicts' columns from `place` on."""
    verdicts = [
        (place, each.measure, each.at, str(each.verdict), each.reason, *_numbers(each))
        for place, each in enumerate(judgement.verdicts)
    ]
    values = (
        judgement.ticket, judgement.manifest, judgement.card, judgement.stand, judgement.judge_version,
        str(judgement.verdict), json.dumps(judgement.reasons), row_hash(json.dumps(verdicts)),
    )  # fmt: skip
    return (*values, row_hash(*values)), verdicts


def _numbers(verdict: LimitVerdict) -> list[float | None]:
    """Return the numbers in the database's form: no NaN, no negative zero."""
    numbers = (verdict.value, verdict.u, verdict.lower, verdict.upper)
    return [None if number is None or math.isnan(number) else float(number) + 0.0 for number in numbers]


def latest_judgement(database: Database, ticket: str) -> Judgement | None:
    """Return the latest judgement of a ticket, checked against its hash."""
    rows = database.rows(JUDGEMENT_SQL.format(which=LATEST_OF_ONE), ticket)
    return read_judgement(database, rows[0]) if rows else None


def find_judging_run(database: Database, ticket: str) -> int | None:
    """Return the number of the run that added the latest judgement of a ticket; None if there is none."""
    rows = database.rows("SELECT run FROM judgement WHERE ticket = ? ORDER BY id DESC LIMIT 1", ticket)
    return int(rows[0][0]) if rows else None


def judgement_hash(judgement: Judgement) -> str:
    """Return the hash of a judgement's content."""
    return str(judgement_values(judgement)[0][-1])


def read_judgement(database: Database, row: Sequence[Any]) -> Judgement:
    """Return the judgement from a row of `JUDGEMENT_SQL`, with its verdicts.

    Raises
    ------
    LedgerDamagedError
        If the row or one of its verdicts does not match its hash.
    """
    number, ticket, manifest, card, stand, version, verdict, reasons, verdicts_hash, hashed = row
    columns = "place, measure, at, verdict, reason, value, u, lower, upper"
    verdicts = database.rows(f"SELECT {columns} FROM verdict WHERE judgement = ? ORDER BY place", number)
    if row_hash(*row[1:-1]) != hashed or row_hash(json.dumps(verdicts)) != verdicts_hash:
        msg = f"{database.path}: judgement {number} of ticket {ticket} does not match its hash"
        raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
    return Judgement(
        ticket=ticket,
        manifest=manifest,
        card=card,
        stand=stand,
        judge_version=version,
        verdict=Verdict(verdict),
        reasons=tuple(json.loads(reasons)),
        verdicts=tuple(_limit_verdict(each) for each in verdicts),
    )


def _limit_verdict(row: Sequence[Any]) -> LimitVerdict:
    _, measure, at, verdict, reason, value, u, lower, upper = row
    return LimitVerdict(
        measure=measure, at=at, verdict=Verdict(verdict), reason=reason, value=value, u=u, lower=lower, upper=upper
    )
