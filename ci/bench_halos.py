"""What wide weak halos do to MTF50, how surely they are seen, and how often paper and light are taken for one.

ci/bench halos [--quick] [--json FILE]

Sheets of 25 discs are drawn exactly (spectra folded at the sampling frequency), through blurs with and without a halo.
Columns: bias of MTF50 and how often the truth lies within the stated 95 %, over planes, directions and frames; the
largest error in stated uncertainties; frames with the caveat `wide_halo`; frames that say that none could be seen.
Then how often the caveat is set without a halo, on paper of 0.5 % mottle under a panel that leaves 0.3 %.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from support.edge_images import draw_sheet, gaussian, round_pupil, two_gaussians
from support.halos import HALOS, PLAIN, measure, paper_and_panel, tails

RADII_PX = (20.0, 44.0, 70.0)
"""About 5, 12 and 19 blurs (1/MTF50) of the core below: halos are looked for from 10."""
MORE = {
    "10 % in 3 px": two_gaussians(0.7, 3.0, 0.1),
    "3 % in 5 px": two_gaussians(0.7, 5.0, 0.03),
    "3 % in 12 px": two_gaussians(0.7, 12.0, 0.03),
    "5 % in 8 px": two_gaussians(0.7, 8.0, 0.05),
    "tails, 5 %": tails(10.0, 0.05, 0.7),
}
LEVEL = {"Gaussian": gaussian(0.7), "diffraction": round_pupil(0.5), "wide Gaussian": gaussian(1.0)}
"""Blurs without a halo, under which paper and light are looked at."""
COVERAGE = 1.96


def read_row(name: str, radius: float, frames: int) -> dict[str, Any]:
    """Measure one blur on discs of one size."""
    transfer = (PLAIN | HALOS | MORE)[name]
    sheet = draw_sheet(transfer, radius, phases=25)
    seen = [measure(transfer, seed=seed, sheet=sheet) for seed in range(frames)]
    error, u = (np.concatenate([getattr(each, part).ravel() for each in seen]) for part in ("error", "u"))
    known = np.isfinite(error)
    pull = np.abs(error[known] / u[known])
    return {
        "blur": name,
        "radius_px": radius,
        "far_light_pct": 100 * float(np.mean([each.far.value for each in seen])),
        "bias_pct": 100 * float(error[known].mean()),
        "u_pct": 100 * float(u[known].mean()),
        "coverage": float((pull < COVERAGE).mean()),
        "worst_pull": float(pull.max()),
        "caveat": float(np.mean([each.far.is_halo for each in seen])),
        "unseen": float(np.mean([not np.isfinite(each.far.value) for each in seen])),
    }


def count_false(frames: int) -> dict[str, Any]:
    """Count frames without a halo that are said to have one."""
    wrong, count = 0, 0
    for name, transfer in LEVEL.items():
        sheet = draw_sheet(transfer, 44.0, phases=25)
        for seed in range(frames):
            uneven = paper_and_panel(sheet.light.shape, seed)
            wrong += measure(transfer, seed=1000 + seed, uneven=uneven, sheet=sheet).far.is_halo
            count += 1
        print(f"  {name}: {wrong} of {count} so far", flush=True)
    interval = binomtest(wrong, count).proportion_ci(0.95, method="exact")
    return {"wrong": wrong, "frames": count, "low": float(interval.low), "high": float(interval.high)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a few frames of each")
    parser.add_argument("--json", type=Path, help="write the tables there")
    given = parser.parse_args()
    start = time.perf_counter()
    frames, others = (2, 4) if given.quick else (4, 130)
    rows = []
    print("blur            radius  far light  bias     u      within 95 %  worst    caveat  cannot see")
    for name in (*PLAIN, *HALOS, *MORE):
        for radius in RADII_PX:
            row = read_row(name, radius, frames)
            rows.append(row)
            print(
                f"{name:14}  {radius:4.0f}px  {row['far_light_pct']:+7.3f} %  {row['bias_pct']:+5.2f} %  "
                f"{row['u_pct']:5.2f} %  {row['coverage']:9.2f}  {row['worst_pull']:6.1f} u  {row['caveat']:6.0%}"
                f"  {row['unseen']:6.0%}",
                flush=True,
            )
    print("caveat without a halo, on uneven paper and light:")
    false = count_false(others)
    print(f"{false['wrong']} of {false['frames']}: 95 % interval {false['low']:.2%} to {false['high']:.2%}")
    print(f"took {time.perf_counter() - start:.0f} s")
    if given.json:
        given.json.write_text(json.dumps({"rows": rows, "false": false}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
