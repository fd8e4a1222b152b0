"""How often, and why, the gate does not release a healthy rehearsed lens.

python ci/bench_review.py [--quick] [--tickets N] [--megapixels M] [--seed S] [--workers N] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scipy.stats import binomtest

from glasswright.commands.main import run_command

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT = Path(__file__).resolve().parents[1]
CARDS = ROOT / "configs/cards"
STAND = ROOT / "configs/stands/north_bench.yaml"
SHARES = (
    ("Corvane 50 mm f/2", "fixed_focal", 0.45),
    ("Halden 85 mm f/1.8", "fixed_focal", 0.35),
    ("Corvane 24-70 mm f/4", "zoom", 0.2),
)
"""Model, its plan, and its share of the lenses: a zoom takes twice as many shots."""
NIGHT = 10
"""Lenses rehearsed, measured and removed together: their raw files take a third of a gigabyte at 2 megapixels."""
AIM = 1 / 50
DECISIONS = {0: "RELEASE", 10: "HOLD", 11: "REVIEW", 12: "INCOMPLETE"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gated:
    """The gate's decision on one healthy lens."""

    name: str
    """Model and ticket."""
    decision: str
    reasons: tuple[str, ...]


def run(*words: str | Path, allowed: tuple[int, ...] = (0,)) -> None:
    """Run the program in a separate process."""
    done = subprocess.run(["glasswright", *map(str, words)], capture_output=True, text=True, check=False, cwd=ROOT)
    if done.returncode not in allowed:
        sys.exit(f"glasswright {words[0]} ended with {done.returncode}:\n{done.stderr}{done.stdout}")


def gate_night(folder: Path, model: str, plan: str, size: Sequence[str], workers: int) -> Iterator[Gated]:
    """Rehearse, measure and judge a night of healthy lenses, and return the gate's decision on each."""
    ledger, stand = folder / "bench.ledger", folder / "stands" / STAND.name
    many = ["--workers", str(workers)]
    run("rehearse", folder, "--model", model, "--fault", "none", "--stand", STAND, *size, *many)
    by = ["--stand", stand, "--cards", CARDS, "--ledger", ledger, *many]
    run("run", ROOT / f"configs/plans/{plan}.yaml", "--tickets", folder / "tickets", *by, allowed=(0, 13))
    for path in sorted((folder / "tickets").iterdir()):
        out = StringIO()
        with redirect_stdout(out):
            code = run_command(["gate", path.name, "--ledger", str(ledger), "--json"])
        if code not in DECISIONS:
            sys.exit(f"glasswright gate ended with {code}:\n{out.getvalue()}")
        yield Gated(
            name=f"{model} {path.name}", decision=DECISIONS[code], reasons=tuple(json.loads(out.getvalue())["reasons"])
        )


def gate_all(given: argparse.Namespace) -> Iterator[Gated]:
    """Gate all lenses, in nights of a few."""
    for place, (model, plan, share) in enumerate(SHARES):
        left = round(given.tickets * share)
        for night in range(-(-left // NIGHT)):
            count = min(NIGHT, left - night * NIGHT)
            seed = given.seed + 1000 * place + night
            size = ["--tickets", str(count), "--megapixels", f"{given.megapixels:g}", "--seed", str(seed)]
            with tempfile.TemporaryDirectory() as folder:
                for each in gate_night(Path(folder) / "night", model, plan, size, given.workers):
                    if each.decision != "RELEASE":
                        print(f"{each.name} (seed {seed}): {each.decision}", *each.reasons, sep="\n  - ", flush=True)
                    yield each


def interval_of(count: int, total: int) -> tuple[float, float]:
    """Return the two-sided 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    interval = binomtest(count, total).proportion_ci(0.95, method="exact")
    return float(interval.low), float(interval.high)


def cause_of(reason: str) -> str:
    """Return the common part of a reason: the measure, or the text before the first colon."""
    return reason.partition(":")[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="six lenses")
    parser.add_argument("--tickets", type=int, default=100)
    parser.add_argument("--megapixels", type=float, default=2.0)
    parser.add_argument("--seed", type=int, default=4001, help="of the first night; each has its own")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, help="write the counts there")
    given = parser.parse_args()
    if given.quick:
        given.tickets = 6
    start = time.perf_counter()
    gated = list(gate_all(given))
    decisions = Counter(each.decision for each in gated)
    causes = Counter(cause for each in gated if each.decision != "RELEASE" for cause in {*map(cause_of, each.reasons)})
    table: dict[str, Any] = {"tickets": len(gated), "decisions": dict(decisions), "causes": dict(causes)}
    print(f"{len(gated)} healthy lenses")
    for decision in DECISIONS.values():
        low, high = interval_of(decisions[decision], len(gated))
        table[f"{decision.lower()}_95"] = (low, high)
        aim = f"; at most {AIM:.0%}" if decision == "REVIEW" else ""
        share = decisions[decision] / len(gated)
        print(f"  {decision}: {decisions[decision]}, {share:.1%} (95 % interval {low:.1%} to {high:.1%}{aim})")
    for cause, count in causes.most_common():
        print(f"  {count} not released, among others for: {cause}")
    print(f"took {time.perf_counter() - start:.0f} s")
    if given.json:
        given.json.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
