"""How true the edge kernel is: bias, scatter against the Fisher bound, and whether its stated uncertainty holds.

python ci/bench_accuracy.py [--quick] [--json FILE] [--workers N] [--blur NAME ...] [--radius PX ...] [--cells]
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "stages"))

from accuracy_cells import ANGLE, BLURS, Cell, measure_cell
from accuracy_colour import measure_displacement
from accuracy_frames import measure_frames, print_frames
from accuracy_table import print_cells, print_summary, summarise

RADII = (40.0, 60.0, 90.0)
SHARPNESS = (0.05, 0.08, 0.12, 0.16, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45)
NOISE = (0.005, 0.01, 0.02)


def list_jobs(
    quick: bool, blurs: list[str], radii: tuple[float, ...]
) -> list[tuple[str, float, float, tuple[float, ...], int]]:
    """Blur, radius, MTF50, noise levels and draws of each sheet; the dearest first."""
    radii = (40.0,) if quick else radii
    sharpness = (0.08, 0.2, 0.4) if quick else SHARPNESS
    noise = (0.01,) if quick else NOISE
    draws = 48 if quick else 208
    return [
        (blur, radius, f, noise, draws) for radius in sorted(radii, reverse=True) for blur in blurs for f in sharpness
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a coarse table in under a minute")
    parser.add_argument("--json", type=Path, help="write cells and summary there")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--blur", nargs="*", choices=tuple(BLURS), default=list(BLURS))
    parser.add_argument("--radius", nargs="*", type=float, default=RADII, help="disc radii in px")
    parser.add_argument("--cells", action="store_true", help="print each cell")
    given = parser.parse_args()
    start = time.perf_counter()
    jobs = list_jobs(given.quick, given.blur, tuple(given.radius))
    cells: list[Cell] = []
    if given.workers > 1:
        with ProcessPoolExecutor(given.workers) as pool:
            for found in pool.map(measure_cell, *zip(*jobs, strict=True)):
                cells += found
    else:
        for number, job in enumerate(jobs):
            cells += measure_cell(*job)
            if sys.stderr.isatty():
                print(f"\r{number + 1} of {len(jobs)} sheets", end="", file=sys.stderr, flush=True)
    colour = measure_displacement(48 if given.quick else 208)
    summary = summarise(cells, colour)
    summary["whole_frames"] = measure_frames(2, 1536) if given.quick else measure_frames(30, 6000)
    if given.cells:
        print_cells(cells)
    print_summary(summary, cells, time.perf_counter() - start)
    print_frames(summary["whole_frames"])
    if given.json:
        given.json.write_text(
            json.dumps({"summary": summary, "cells": [cell.as_row() for cell in cells], "angle_rad": ANGLE}, indent=1)
        )


if __name__ == "__main__":
    main()
