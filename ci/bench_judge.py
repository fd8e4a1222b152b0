"""Time to judge a ledger of a million measurements.

python ci/bench_judge.py [--quick]
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from glasswright.config import check, load_plan, scan_yaml
from glasswright.config.schema.plugins import load_plugins
from glasswright.config.stand.constants import StandConstant
from glasswright.config.stand.keys import Spread
from glasswright.judging.card import Card
from glasswright.judging.cards import CardFile
from glasswright.judging.rejudge import judge_tickets
from glasswright.ledger import Ledger, RunRecord, TicketRecord, writing
from glasswright.ledger.documents import method_document
from glasswright.plugin.artefact import Setting, Ticket
from glasswright.plugin.measurements import Measured
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping

F_NUMBERS = (2.0, 2.8, 4.0, 5.6, 8.0)
STEPS = ("measure_mtf50", "measure_fringing", "measure_distortion", "measure_vignetting")
FIELDS_A_STEP = 50
LIMITS_A_STEP = 3
MODEL = "Corvane 50 mm f/2"
PLAN = load_plan(Path(__file__).parents[1] / "configs/plans/fixed_focal.yaml", load_plugins())
METHOD = method_document(PLAN)
NOW = "2026-01-01T00:00:00+00:00"


def build_big_ledger(path: Path, measurements: int) -> int:
    """Write a ledger of about that many measurements, as after many nights, and return their exact number.

    The rows are written as in a night; only the artefacts' files, which judging does not open, are left out.
    """
    tickets = math.ceil(measurements / (len(STEPS) * len(F_NUMBERS) * FIELDS_A_STEP))
    settings = tuple(Setting(focal_length_mm=50.0, f_number=f_number) for f_number in F_NUMBERS)
    with Ledger.open_for_writing(path) as ledger:
        record = RunRecord(command="bench", machine="bench", started_at=NOW, versions={}, documents=(METHOD,))
        run = ledger.begin_run(record)
        with ledger.database.transaction():
            for number in range(tickets):
                _add_ticket(ledger, run, f"T-{number:05}", settings)
        ledger.end_run(run, {"tickets": tickets}, backup=False)
    return tickets * len(STEPS) * len(F_NUMBERS) * FIELDS_A_STEP


def _add_ticket(ledger: Ledger, run: int, number: str, settings: tuple[Setting, ...]) -> None:
    added = {}
    for step in STEPS:
        for setting in settings:
            address = f"{number}/{step}/{setting}"
            item = Item(scope=Scope.SETTING, ticket=number, setting=setting)
            outcome = Outcome(
                step=step, stage=f"camera.{step}", item=item, address=address, status=Status.DONE, seconds=1.0
            )
            measured = [
                Measured(path=f"zone_{each:02}_px", value=1 / 3 + each, text=None, u=0.01, unit="pixel")
                for each in range(FIELDS_A_STEP - 1)
            ]
            # results of stages have this field; judging reads it with each limit
            measured.append(Measured(path="shot_count", value=1.0, text=None, u=None, unit="count"))
            added[address] = writing.add_outcome(ledger.database, run, outcome, None, measured)
    ticket = Ticket(number=number, model=MODEL, serial=number, phase="release", body="Ostrel D7")
    record = TicketRecord(
        ticket=ticket,
        folder=number,
        plan_sha256="",
        method_sha256=METHOD.sha256,
        stand="north-bench",
        stand_sha256="",
        settings=settings,
        manifest=tuple(added),
    )
    writing.add_manifest(ledger.database, run, record, added)


def make_card(folder: Path) -> CardFile:
    """Return a card with some limits on every step, each at every setting."""
    lines = [f'card: "{MODEL}"', "valid_for: {stand: north-bench, body: Ostrel D7}", "limits:"]
    lines += [
        f"  - {{measure: {step}.zone_{each:02}_px, max: {each + 1}}}" for step in STEPS for each in range(LIMITS_A_STEP)
    ]
    adopted = {"name": PLAN.name, "by": "bench", "at": "2026-01-01", "why": "bench"}
    adopted["stages"] = json.loads(METHOD.text)["stages"]
    lines.append(f"plan: {json.dumps(adopted)}")
    path = folder / "card.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    document = scan_yaml(path)
    card, problems = check(document, Card)
    assert card is not None, problems
    return CardFile(card=card, document=document)


@dataclass(frozen=True, slots=True)
class BenchStand:
    """The parts of a stand file that judging needs, with reproducibility by patterns."""

    name = "north-bench"
    bodies = ("Ostrel D7",)
    sha256 = "bench"
    watch = None
    repeatability: ClassVar[Mapping[str, Spread]] = {}
    constants: ClassVar[Mapping[str, StandConstant]] = {}
    reproducibility: Mapping[str, Spread]


def make_stand() -> BenchStand:
    return BenchStand({f"{step}.*_px": Spread(u=0.02, origin="bench") for step in STEPS})


def time_judging(path: Path, card: CardFile) -> tuple[float, float, float, int]:
    """Return (seconds to judge, seconds to keep, processor seconds for both, number of verdicts)."""
    start, processor = time.perf_counter(), time.process_time()
    with Ledger.open_for_reading(path) as ledger:
        ledger.check_chain()
        judgements = judge_tickets(ledger, {MODEL: card}, make_stand())
        new = ledger.choose_new_judgements(judgements)
    judged = time.perf_counter()
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(RunRecord(command="bench", machine="bench", started_at=NOW, versions={}))
        ledger.add_judgements(run, new)
        ledger.end_run(run, {}, backup=False)
    kept = time.perf_counter()
    used = time.process_time() - processor
    return judged - start, kept - judged, used, sum(len(each.verdicts) for each in judgements)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="ten thousand measurements instead of a million")
    wanted = 10_000 if parser.parse_args().quick else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.ledger"
        count = build_big_ledger(path, wanted)
        judging, keeping, processor, verdicts = time_judging(path, make_card(Path(folder)))
        size = path.stat().st_size / 1e6
    print(f"judge: {count} measurements ({size:.0f} MB), {verdicts} verdicts")
    print(f"  {judging:.2f} s to read, check and judge; {keeping:.2f} s to keep the judgements")
    print(f"  {judging + keeping:.2f} s together (to be under 5 s for a million); processor {processor:.2f} s")


if __name__ == "__main__":
    main()
