"""Time to write and to open the pages of a night of 500 tickets.

python ci/bench_pages.py [--quick] [--tickets N]

One lens is rehearsed and measured; its outcomes are then kept under many ticket numbers, as in a night. Opening is
timed by the browser, from the start of the navigation to the load event, when the page's script has run; without
Chromium that row is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.commands.main import run_command, use_one_thread
from glasswright.config.schema.plugins import load_plugins
from glasswright.ledger import Ledger, RunRecord
from glasswright.ledger.documents import find_document
from glasswright.reports.pages import building
from glasswright.reports.pages.places import Places

if TYPE_CHECKING:
    from glasswright.ledger import TicketState
    from glasswright.plugin.outcome import Outcome

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))
NOW = "2026-01-01T22:00:00+00:00"
SAMPLE = 8
"""Number of tickets' pages that are timed; the others are alike."""
TIMER = "<script src='timer.js'></script>"
TIMER_TEXT = """addEventListener('load', () => {
  document.documentElement.dataset.opened = String(performance.now());
});"""


def measure_one(folder: Path) -> Path:
    """Rehearse and measure one lens; return its ledger."""
    rehearsal = ["rehearse", str(folder), "--tickets", "1", "--megapixels", "2", "--fault", "none"]
    ledger = folder / "one.ledger"
    options = [f"--stand={folder}/stands/north_bench.yaml", f"--tickets={folder}/tickets", f"--ledger={ledger}"]
    plan = str(ROOT / "configs/plans/fixed_focal.yaml")
    for command in (rehearsal, ["run", plan, *options, f"--cards={ROOT}/configs/cards", "--serial"]):
        code = run_command(command)
        if code not in (0, 13):
            raise SystemExit(code)
    return ledger


def multiply(source: Path, target: Path, count: int) -> None:
    """Keep the one ticket of a ledger under many numbers in another."""
    with Ledger.open_for_reading(source) as one, Ledger.open_for_writing(target) as many:
        (state,) = one.latest_tickets()
        judgement = one.latest_judgement(state.record.ticket.number)
        kept = one.find([each.address for each in state.outcomes])
        artefacts = {each.address: one.load_artefact(each.address) for each in state.outcomes if each.has_artefact}
        texts = [state.record.plan_sha256, state.record.method_sha256, state.record.stand_sha256, judgement.card]
        documents = tuple(found for sha256 in texts if (found := find_document(one, sha256)))
        versions = {"glasswright": "bench"}
        run = many.begin_run(
            RunRecord(command="bench", machine="bench", started_at=NOW, versions=versions, documents=documents)
        )
        for number in range(count):
            name = f"T-{number:04}"
            outcomes = [rename(each, name, artefacts) for each in kept.values()]
            commit(many, run, state, name, outcomes)
            content = many.latest_tickets([name], frozenset())[0].content
            many.add_judgements(run, [replace(judgement, ticket=name, manifest=content)])
        many.end_run(run, {}, backup=False)


def rename(outcome: Outcome, name: str, artefacts: dict) -> Outcome:
    address = hashlib.sha256(f"{name} {outcome.address}".encode()).hexdigest()
    item = replace(outcome.item, ticket=name if outcome.item.ticket else "")
    return replace(outcome, item=item, address=address, artefact=artefacts.get(outcome.address))


def commit(ledger: Ledger, run: int, state: TicketState, name: str, outcomes: list[Outcome]) -> None:
    record = replace(
        state.record,
        ticket=replace(state.record.ticket, number=name, serial=f"C50-{name}"),
        manifest=tuple(each.address for each in outcomes),
    )
    ledger.commit_ticket(run, record, outcomes)


def time_shared(ledger: Path, out: Path) -> float:
    """Write all pages except the tickets'; return the seconds."""
    build_ticket, building.build_ticket = building.build_ticket, lambda _job: 0
    start = time.perf_counter()
    try:
        building.build_pages(ledger, out, nights=(), tickets=None, workers=1)
    finally:
        building.build_ticket = build_ticket
    return time.perf_counter() - start


def time_tickets(ledger: Path, out: Path, count: int) -> float:
    """Write some tickets' pages in this process; return the seconds for one."""
    names = [f"T-{number:04}" for number in range(count)]
    with Ledger.open_for_reading(ledger) as opened:
        states = opened.latest_tickets(names, frozenset())
    ticket = states[0].record
    places = Places.of(names, [ticket.ticket.model], [ticket.stand])
    start = time.process_time()
    for state in states:
        name = state.record.ticket.number
        building.build_ticket(
            building.Job(
                ledger=ledger,
                out=out,
                ticket=name,
                content=state.content,
                folder=None,
                same_lens=(name,),
                places=places,
            )
        )
    return (time.process_time() - start) / count


def time_opening(page: Path) -> float | None:
    """Open a page in Chromium with an added timer script; return the seconds, None without a browser."""
    from support.browser import EXECUTABLE, QUIET

    if EXECUTABLE is None:
        return None
    timed = page.with_name("timed.html")
    (page.parent / "timer.js").write_text(TIMER_TEXT, encoding="utf-8")
    timed.write_text(page.read_text(encoding="utf-8").replace("</head>", TIMER + "</head>"), encoding="utf-8")
    with tempfile.TemporaryDirectory() as profile:
        command = [EXECUTABLE, *QUIET, "--dump-dom", f"--user-data-dir={profile}", timed.resolve().as_uri()]
        shown = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300).stdout
    found = shown.partition('data-opened="')[2].partition('"')[0]
    return float(found) / 1000 if found else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="twenty tickets")
    parser.add_argument("--tickets", type=int, default=500)
    options = parser.parse_args()
    count = 20 if options.quick else options.tickets
    use_one_thread()
    load_plugins()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one = measure_one(folder / "one")
        many, out = folder / "many.ledger", folder / "pages"
        multiply(one, many, count)
        shared = time_shared(many, out)
        one_page = time_tickets(many, out, min(SAMPLE, count))
        weights = [page.stat().st_size for page in (out / "tickets").iterdir()]
        rows = {
            "tickets": count,
            "night_models_stand_s": round(shared, 2),
            "one_ticket_page_core_s": round(one_page, 3),
            "ticket_page_kB": round(max(weights) / 1000),
            "night_page_kB": round((out / "index.html").stat().st_size / 1000),
            "night_page_opens_s": time_opening(out / "index.html"),
            "cores": os.cpu_count(),
        }
    print(json.dumps(rows, indent=2))


if __name__ == "__main__":
    main()
