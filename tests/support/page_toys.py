"""A ledger of invented tickets, written like a night, for tests of pages without frames."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from html import unescape
from typing import TYPE_CHECKING

from glasswright import Artefact, Setting, Ticket
from glasswright.commands.main import run_command
from glasswright.judging.judge import JUDGE_VERSION, judge_ticket
from glasswright.ledger import Document, Ledger, RunRecord, ShotRecord, TicketRecord
from glasswright.ledger.verdict import Judgement, LimitVerdict, Verdict, fold
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from pathlib import Path

F2, F8 = (Setting(focal_length_mm=50.0, f_number=number) for number in (2.0, 8.0))
MODEL = "Corvane 50 mm f/2"
STAND = """
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_mtf50.*_cy_per_px: {relative_u: 0.01, freedom: 1000, with_repeats: true, origin: "declared"}
"""
PLAN = "plan: fixed_focal\nstages:\n  measure_mtf50:\n    stage: toy.measure_mtf50\n"
MEASURE = "measure_mtf50.sharp_cy_per_px"


GIVEN = {}
"""(ticket, content) -> an invented judgement: these tests check how verdicts are shown."""


def judge_as_given(state, card, stand):
    """Return a test's judgement of a ticket, or the program's."""
    return GIVEN.get((state.record.ticket.number, state.content)) or judge_ticket(state, card, stand)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharp(Artefact):
    sharp_cy_per_px: float
    sharp_cy_per_px_u: float = 0.004


def document(kind, text):
    return Document(kind=kind, name=kind, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


PLAN_DOCUMENT = document("plan", PLAN)


def run_record(stand, started_at="2026-03-01T22:00:00+00:00", command="glasswright run"):
    documents = (PLAN_DOCUMENT, stand)
    return RunRecord(
        command=command, machine="bench-pc", started_at=started_at, versions={"numpy": "2.4"}, documents=documents
    )


def outcome(ticket, setting=F2, *, value=0.3, status=Status.DONE, reason="", traceback="", shot="", caveats=()):
    artefact = Sharp(setting=setting, sharp_cy_per_px=value) if status is Status.DONE else None
    return Outcome(
        step="measure_mtf50",
        stage="toy.measure_mtf50",
        item=Item(scope=Scope.SHOT if shot else Scope.SETTING, ticket=ticket, setting=setting, shot=shot),
        address=hashlib.sha256(repr((ticket, setting, value, status, shot, reason)).encode()).hexdigest(),
        status=status,
        reason=reason or ("" if status is Status.DONE else "the chart hangs upside down"),
        traceback=traceback,
        artefact=artefact,
        caveats=caveats,
        seconds=0.25,
    )


def verdict(decision=Verdict.PASS, *, at=str(F2), reason="as it should be", lower=0.27, **numbers):
    numbers = {"value": 0.3, "u": 0.005, "lower": lower, **numbers}
    return LimitVerdict(measure=MEASURE, at=at, verdict=decision, reason=reason, **numbers)


def write_pages(ledger, out, *options):
    assert run_command(["pages", "--ledger", str(ledger), "--out", str(out), *options]) == 0
    return out


class ToyNight:
    """Write tickets into a ledger, run by run."""

    def __init__(self, path: Path, stand: str = STAND) -> None:
        self.path = path
        self.stand = document("stand", stand)

    def run(self, *tickets, ends=True, **record):
        """Write one run; each ticket is (number, outcomes, verdicts or None, changes of the Ticket)."""
        with Ledger.open_for_writing(self.path) as ledger:
            number = ledger.begin_run(run_record(self.stand, **record))
            for each in tickets:
                self.add(ledger, number, *each)
            if ends:
                ledger.end_run(number, {}, backup=False)
        return number

    def add(self, ledger, run, name, outcomes, verdicts, changes=None):
        changes = {**(changes or {})}
        findings = changes.pop("findings", ())
        values = {"model": MODEL, "serial": "C50-1", "phase": "release", "body": "Ostrel D7", **changes}
        ticket_record = TicketRecord(
            ticket=Ticket(number=name, **values),
            folder=f"/night/{name}",
            plan_sha256=PLAN_DOCUMENT.sha256,
            stand="north-bench",
            stand_sha256=self.stand.sha256,
            findings=findings,
            settings=(F2, F8),
            shots=(ShotRecord(name="chart/1.dng", role="chart", sha256="ab" * 32),),
            manifest=tuple(each.address for each in outcomes),
        )
        ledger.commit_ticket(run, ticket_record, outcomes)
        if verdicts is not None:
            state = ledger.latest_tickets([name], frozenset())[0]
            judgement = Judgement(
                ticket=name,
                manifest=state.content,
                card="",
                stand=self.stand.sha256,
                judge_version=JUDGE_VERSION,
                verdict=fold(each.verdict for each in verdicts),
                reasons=(),
                verdicts=tuple(verdicts),
            )
            ledger.add_judgements(run, [judgement])
            GIVEN[name, state.content] = judgement


def text_of(page):
    without_tags = re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))
    return re.sub(r"\s+", " ", unescape(without_tags))
