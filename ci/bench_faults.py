"""Accuracy of the diagnosis: rehearsed lenses with known faults, and healthy ones.

python ci/bench_faults.py [--quick | --strengths [--rounds N] [--least S] [--most S]] [--json FILE] [--keep FOLDER]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from faults_nights import ZOOM, FaultNight, plan_few, plan_nights, plan_strengths
from faults_score import Reading, make_reading, print_score, print_strengths, read_diagnosis, score, score_strengths

ROOT = Path(__file__).resolve().parents[1]
PLANS = ROOT / "configs/plans"
STAND = ROOT / "configs/stands/north_bench.yaml"
MEGAPIXELS = "2"


def run(*words: str | Path, allowed: tuple[int, ...] = (0,)) -> None:
    """Run the program; a night with shots that could not be used ends with 13."""
    done = subprocess.run(["glasswright", *map(str, words)], capture_output=True, text=True, check=False, cwd=ROOT)
    if done.returncode not in allowed:
        sys.exit(f"glasswright {words[0]} ended with {done.returncode}:\n{done.stderr}")


def rehearse(night: FaultNight, folder: Path, workers: int) -> None:
    """Write the night's raw files, unless they are there."""
    if len(list((folder / "truth").glob("*.json"))) == night.tickets:
        return
    numbers = [word for number in night.apertures for word in ("--f-number", f"{number:g}")]
    faults = [word for fault in night.faults for word in ("--fault", fault)]
    options = ["--model", night.model, "--seed", str(night.seed), "--ramp-shots", str(night.ramp_shots)]
    # no fault here is one of the stabiliser, of locked focus or of breathing, whose shots take most of the time
    options += ["--shaken-shots", "0", "--no-focus-series", "--no-locked-ramps"]
    size = ["--tickets", str(night.tickets), "--megapixels", MEGAPIXELS, "--workers", str(workers), "--stand", STAND]
    run("rehearse", folder, *size, *options, *numbers, *faults)


def measure(folder: Path, model: str) -> Path:
    """Measure the night and return its ledger. What is in it already is not measured again."""
    plan = PLANS / ("zoom.yaml" if model == ZOOM else "fixed_focal.yaml")
    ledger = folder / "bench.ledger"
    stand = folder / "stands" / STAND.name
    run("run", plan, "--stand", stand, "--tickets", folder / "tickets", "--ledger", ledger, allowed=(0, 13))
    return ledger


def read_night(folder: Path, model: str) -> list[Reading]:
    """Return the truth and the diagnosis of every lens."""
    ledger = measure(folder, model)
    readings = []
    for path in sorted((folder / "truth").glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        faults = {fault["name"]: fault["severity"] for fault in truth["faults"]}
        readings.append(read_diagnosis(ledger, truth["ticket"], faults))
    return readings


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="seventeen lenses, in a few minutes")
    parser.add_argument("--strengths", action="store_true", help="single faults at strengths from 0.2 to 1.5")
    parser.add_argument("--rounds", type=int, default=2, help="lenses of each fault, strength and model")
    parser.add_argument("--least", type=float, default=0.0, help="weaker faults are left out")
    parser.add_argument("--most", type=float, default=1.5, help="stronger faults are left out")
    parser.add_argument("--json", type=Path, help="keep readings and table there; nights in it are not repeated")
    parser.add_argument("--keep", type=Path, help="rehearse into this folder, and use what is there")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    start = time.perf_counter()
    nights = (
        plan_strengths(given.rounds, given.least, given.most)
        if given.strengths
        else plan_few()
        if given.quick
        else plan_nights()
    )
    kept: dict[str, list[dict[str, Any]]] = {}
    if given.json and given.json.exists():
        kept = json.loads(given.json.read_text(encoding="utf-8"))["nights"]
    readings: list[Reading] = []
    for night in nights:
        if night.name not in kept:
            # a night's raw files are half a gigabyte
            with tempfile.TemporaryDirectory() as fresh:
                folder = (given.keep or Path(fresh)) / night.name
                rehearse(night, folder, given.workers)
                kept[night.name] = [asdict(each) for each in read_night(folder, night.model)]
            if given.json:
                given.json.write_text(json.dumps({"nights": kept}, indent=1) + "\n", encoding="utf-8")
        readings += [make_reading(each) for each in kept[night.name]]
        print(f"{night.name}: {len(readings)} lenses, {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
    table: object
    if given.strengths:
        table = rows = score_strengths(readings)
        print_strengths(rows)
    else:
        table = scored = score(readings)
        print_score(scored)
    if given.json:
        given.json.write_text(json.dumps({"nights": kept, "table": table}, indent=1) + "\n", encoding="utf-8")
    print(f"took {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
