"""Whether the cost per ticket grows with the night or with the history, measured with the tests' toy plugin.

ci/bench growth [--quick] [--shots N ...] [--nights N] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SHOTS_A_TICKET = 8
NIGHT = """\
import sys, time
sys.path[:0] = [{site!r}, "tests"]
import json
import os
from pathlib import Path
from glasswright.commands.main import run_command
from glasswright.ledger import Ledger
stamps = []
commit, close = Ledger.commit_ticket, Ledger.end_run
began = time.perf_counter()
def noted(self, *rest):
    commit(self, *rest)
    stamps.append((time.perf_counter(), time.process_time()))
Ledger.commit_ticket = noted
code = run_command({arguments!r})
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) / 1024
Path({out!r}).write_text(json.dumps({{"code": code, "began": began, "stamps": stamps, "peak_mb": peak}}))
"""


def run_night(scratch: Path, arguments: list[str]) -> dict:
    """Run a night in a separate process; return when each ticket was kept, and the peak memory of the driver."""
    out = scratch / "night.json"
    code = NIGHT.format(site=str(scratch / "site"), arguments=arguments, out=str(out))
    environment = {"PYTHONPATH": str(scratch / "site")}
    subprocess.run(
        [sys.executable, "-c", code],
        check=True,
        cwd=ROOT,
        env={**os.environ, **environment},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return json.loads(out.read_text())


def write_history(bench, nights: int) -> None:
    """Write many nights of one ticket each into a ledger, without running them."""
    from dataclasses import replace

    from glasswright.ledger import Ledger, RunRecord

    bench.add_ticket(0)
    run_night(bench.scratch, bench.arguments("--serial"))
    with Ledger.open_for_writing(bench.folder / "bench.ledger") as ledger:
        (state,) = ledger.latest_tickets()
        addresses = [each.address for each in state.outcomes]
        outcomes = list(ledger.find(addresses).values())
        for night in range(nights):
            record = RunRecord(
                command="history",
                machine="bench",
                started_at=f"2020-01-01T00:00:{night:09}",
                versions={},
                documents=(),
            )
            run = ledger.begin_run(record)
            number = f"H-{night:06d}"
            own = [
                replace(each, address=f"{night:08d}{each.address[8:]}", item=replace(each.item, ticket=number))
                for each in outcomes
            ]
            kept = replace(
                state.record,
                ticket=replace(state.record.ticket, number=number),
                shots=tuple(replace(shot, sha256=f"{night:08d}{shot.sha256[8:]}") for shot in state.record.shots),
                manifest=tuple(each.address for each in own),
            )
            ledger.begin_ticket(run, number, "history")
            ledger.commit_ticket(run, kept, own)
            ledger.end_run(run, {}, backup=False)


def main() -> None:
    options = argparse.ArgumentParser(prog="ci/bench growth", description=__doc__)
    options.add_argument("--quick", action="store_true", help="100 and 800 shots, a history of 50 nights")
    options.add_argument("--shots", type=int, nargs="+", default=[100, 1000, 10_000])
    options.add_argument("--nights", type=int, default=1000, help="of the history")
    options.add_argument("--workers", type=int, default=0, help="0: serial")
    options.add_argument("--json", type=Path, metavar="FILE", help="write the table as JSON as well")
    chosen = options.parse_args()
    if chosen.quick:
        chosen.shots, chosen.nights = [100, 800], 50
    sys.path.insert(0, str(ROOT / "tests"))
    from support.night_bench import TOY_SOURCE, Bench

    rows = []
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        install = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
        subprocess.run(
            [sys.executable, "-m", "pip", "install", *install, "--target", scratch / "site", TOY_SOURCE], check=True
        )
        how = ["--workers", str(chosen.workers)] if chosen.workers else ["--serial"]
        for nights in (0, chosen.nights):
            for shots in chosen.shots:
                bench = Bench(scratch / f"{nights}-{shots}")
                bench.scratch = scratch
                if nights:
                    write_history(bench, nights)
                tickets = max(shots // SHOTS_A_TICKET, 4)
                for number in range(1, tickets + 1):
                    bench.add_ticket(number)
                cards = ["--cards", str(bench.folder / "cards")]
                result = run_night(scratch, bench.arguments(*how, *cards))
                if result["code"] not in (0, 13):
                    raise SystemExit(f"the night ended with {result['code']}")
                rows.append(describe(nights, shots, result))
                print(rows[-1], flush=True)
    if chosen.json:
        chosen.json.write_text(json.dumps(rows, indent=1) + "\n")


def describe(nights: int, shots: int, result: dict) -> dict:
    """Return the cost per ticket at a night's beginning and end: the driver's processor time, and elapsed time."""
    walls, own = ([stamp[column] for stamp in result["stamps"]] for column in (0, 1))
    part = max(len(walls) // 4, 2)
    first = slice(1, 1 + part)  # the first ticket holds what is loaded once
    return {
        "history_nights": nights,
        "shots": shots,
        "start_s": round(walls[0] - result["began"], 2),
        "first_quarter_ms_a_ticket": round(1000 * mean_step(walls, first), 2),
        "last_quarter_ms_a_ticket": round(1000 * mean_step(walls, slice(-part, None)), 2),
        "own_first_ms": round(1000 * mean_step(own, first), 2),
        "own_last_ms": round(1000 * mean_step(own, slice(-part, None)), 2),
        "peak_mb": round(result["peak_mb"], 1),
    }


def mean_step(stamps: list[float], part: slice) -> float:
    chosen = stamps[part]
    return (chosen[-1] - chosen[0]) / max(len(chosen) - 1, 1)


if __name__ == "__main__":
    main()
