"""Robustness campaign: thousands of cases of damage, kills, bad tickets and mutated raw files, with a table of results.

ci/campaign [--quick] [--seed N] [--only flips|kills|tickets|roles|raws] [--case N] [--cases N]

Every case has its own random numbers, so a failed case can be repeated with the printed command (a kill happens at the
same moment only on an equally fast machine). If GLASSWRIGHT_REAL_FILES names a folder with raws of real bodies, these
are also mutated. The exit code is 0 if nothing was found.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[name] = "1"

import campaign_flips
import campaign_kills
import campaign_raws
import campaign_roles
import campaign_tickets
from campaign_tools import KINDS, Case, install_toy, load_all

if TYPE_CHECKING:
    from collections.abc import Callable

PARTS: Final = {
    "flips": (campaign_flips.prepare, 1000, 30, "bit flips in a ledger"),
    "kills": (campaign_kills.prepare, 40, 1, "nights killed five times"),
    "tickets": (campaign_tickets.prepare, 2 * len(campaign_tickets.KINDS), 24, "bad tickets"),
    "roles": (campaign_roles.prepare, len(campaign_roles.KINDS), 0, "shots in wrong roles"),
    "raws": (campaign_raws.prepare, 2000, 80, "mutated raw files"),
}
"""What prepares a part, its cases, those of the short form, and what they are."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=PARTS, action="append")
    parser.add_argument("--case", type=int)
    parser.add_argument("--cases", type=int)
    asked = parser.parse_args()
    total = 0
    rows = []
    with tempfile.TemporaryDirectory(prefix="campaign-") as name:
        scratch = Path(name)
        install_toy(scratch)
        load_all()
        for part in asked.only or PARTS:
            prepare, full, quick, what = PARTS[part]
            if asked.quick and not (quick or asked.only):
                continue  # whole tickets take too long for the short form; tests cover them
            count = asked.cases or (quick if asked.quick and quick else full)
            # the short form takes cases from all over
            numbers = (
                [asked.case] if asked.case is not None else [case * max(full, count) // count for case in range(count)]
            )
            row = run_part(part, prepare, numbers, asked.seed, scratch / part)
            rows.append((what, len(numbers), *row))
            total += sum(row[:-1])
    print(f"{'':26}{'cases':>8}" + "".join(f"{kind + 's':>16}" for kind in KINDS) + f"{'seconds':>10}")
    for what, cases, *counts, seconds in rows:
        print(f"{what:26}{cases:8}" + "".join(f"{count:16}" for count in counts) + f"{seconds:10.0f}")
    return 1 if total else 0


def run_part(
    part: str, prepare: Callable[[Path, int], Callable[[Case], None]], numbers: list[int], seed: int, scratch: Path
) -> tuple[float, ...]:
    """Run the cases of a part; return the number of findings of each kind, and the seconds."""
    start = time.monotonic()
    scratch.mkdir()
    do = prepare(scratch, len(numbers))
    counts = dict.fromkeys(KINDS, 0)
    for number in numbers:
        case = Case(part, number, seed, scratch / f"case-{number}")
        case.folder.mkdir()
        do(case)
        for finding in case.findings:
            counts[finding.kind] += 1
            print(f"{part} {number} ({case.name}): {finding.kind}: {finding.text}")
        if case.findings:
            print(f"  again: ci/campaign --seed {seed} --only {part} --case {number}", flush=True)
        shutil.rmtree(os.fsencode(case.folder), ignore_errors=True)
    return (*counts.values(), time.monotonic() - start)


if __name__ == "__main__":
    sys.exit(main())
