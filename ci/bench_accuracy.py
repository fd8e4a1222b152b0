"""Accuracy of the edge kernel: bias, scatter relative to the Cramér-Rao bound, and coverage of the stated uncertainty.

python ci/bench_accuracy.py [--quick] [--json FILE] [--workers N] [--blur NAME ...] [--radius PX ...] [--cells]
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from accuracy_cells import ANGLE, BLURS, Cell, measure_cell
from accuracy_colour import measure_displacement
from accuracy_frames import measure_frames, print_frames
from accuracy_table import misses_aim, print_cells, print_summary, summarise

RADII = (40.0, 60.0, 90.0)
SHARPNESS = (0.05, 0.08, 0.12, 0.16, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45)
NOISE = (0.005, 0.01, 0.02)


AGAIN = 5
"""Times as many draws where a cell misses an aim."""
Job = tuple[str, float, float, tuple[float, ...], int, int]
"""Blur, radius, MTF50, noise levels, draws, and which series of draws."""


def list_jobs(quick: bool, blurs: list[str], radii: tuple[float, ...]) -> list[Job]:
    """Return the jobs, most expensive first."""
    radii = (40.0,) if quick else radii
    sharpness = (0.08, 0.2, 0.4) if quick else SHARPNESS
    noise = (0.01,) if quick else NOISE
    draws = 48 if quick else 208
    return [
        (blur, radius, f, noise, draws, 0)
        for radius in sorted(radii, reverse=True)
        for blur in blurs
        for f in sharpness
    ]


def measure_all(jobs: list[Job], workers: int) -> list[Cell]:
    cells: list[Cell] = []
    if workers > 1 and jobs:
        with ProcessPoolExecutor(workers) as pool:
            for found in pool.map(measure_cell, *zip(*jobs, strict=True)):
                cells += found
        return cells
    for number, job in enumerate(jobs):
        cells += measure_cell(*job)
        if sys.stderr.isatty():
            print(f"\r{number + 1} of {len(jobs)} sheets", end="", file=sys.stderr, flush=True)
    return cells


def list_missing(cells: list[Cell]) -> list[Job]:
    """Return the jobs to repeat: all cells of a sheet and noise of which one misses a target.

    A fraction of 208 draws is known to 2 %, so among thousands of cells some miss by chance.
    """
    missing = {(c.blur, c.radius_px, c.mtf50, c.noise): c.draws + c.failed for c in cells if misses_aim(c)}
    return [(*place, (noise,), AGAIN * draws, 1) for (*place, noise), draws in missing.items()]


def replace_cells(cells: list[Cell], again: list[Cell]) -> list[Cell]:
    """Replace the first draws by the new ones; they are not pooled, because the first were selected for missing."""
    fresh = {key_of(cell): cell for cell in again}
    return [fresh.get(key_of(cell), cell) for cell in cells]


def key_of(cell: Cell) -> tuple[object, ...]:
    return cell.blur, cell.radius_px, cell.mtf50, cell.noise, cell.plane, cell.direction


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
    cells = measure_all(jobs, given.workers)
    missing = [] if given.quick else list_missing(cells)
    again = measure_all(missing, given.workers)
    cells = replace_cells(cells, again)
    colour = measure_displacement(48 if given.quick else 208)
    summary = summarise(cells, colour)
    summary["whole_frames"] = measure_frames(2, 1536) if given.quick else measure_frames(30, 6000)
    if given.cells:
        print_cells(cells)
    print_summary(summary, cells, time.perf_counter() - start)
    if again:
        print(
            f"{len(again)} cells were repeated with {AGAIN} times the draws, "
            f"because {len(missing)} sheets missed a target"
        )
    print_frames(summary["whole_frames"])
    if given.json:
        given.json.write_text(
            json.dumps({"summary": summary, "cells": [cell.as_row() for cell in cells], "angle_rad": ANGLE}, indent=1)
        )


if __name__ == "__main__":
    main()
