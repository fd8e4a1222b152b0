"""Ablation of the edge kernel: every row measures a copy of it with one part switched off.

python ci/bench_ablation.py [--quick] [--only NAME ...] [--json FILE]

A part is switched off by editing the source, so each row is compiled again: allow a minute for each in addition to the
time of `ci/bench accuracy --quick`. All rows use the same frames.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

KERNEL = Path("glasswright_camera/edges/kernel")


class Edit(NamedTuple):
    """One change of a module: a piece of its source that occurs once, and its replacement."""

    module: str
    old: str
    new: str


REGRESS_EVEN_2 = "even_2, residual_2 = _regress(_even_2_predictors(both), both.even_0, both.even_2)"
REGRESS_EVEN_4 = "even_4, residual_4 = _regress(_even_4_predictors(both), both.even_0, both.even_4)"
NONE = "np.zeros((2, 1 + EVEN_COUNT, EVEN_COUNT))"
SOLVE = """        if not factorise(damped, upper):
            return math.nan, math.nan, 1.0, False
        solve_factorised(upper, downhill, change)
"""
ROWS: dict[str, tuple[Edit, ...]] = {
    "all parts": (),
    "no prior at all": (
        Edit("prior", "        information[k] /= width\n", "        information[:] = 0.0\n"),
        Edit("prior", "            prior[a, k] /= width\n", "            prior[:, :] = 0.0\n"),
    ),
    "prior without regressions": (
        Edit("moments", REGRESS_EVEN_2, f"even_2, residual_2 = {NONE}, both.even_2"),
        Edit("moments", REGRESS_EVEN_4, f"even_4, residual_4 = {NONE}, both.even_4"),
        Edit("moments", "    of_square = _width_4_of_square(both.width_2, both.width_4)", "    of_square = 0.0"),
        Edit("moments", "        even_2_of_odd=of_odd[0],", "        even_2_of_odd=0 * of_odd[0],"),
        Edit("moments", "np.ascontiguousarray(width_of_odd[0, :, 0])", "np.zeros(1 + EVEN_COUNT)"),
    ),
    "shapes' harmonic 2 not regressed": (Edit("moments", REGRESS_EVEN_2, f"even_2, residual_2 = {NONE}, both.even_2"),),
    "... on the cube of the width's": (
        Edit(
            "moments",
            REGRESS_EVEN_2,
            "even_2, residual_2 = _regress(both.width_2[:, None], both.even_0, both.even_2)\n"
            "    even_2 = np.concatenate([even_2, np.zeros_like(even_2)])",
        ),
    ),
    "shapes' harmonic 4 not regressed": (Edit("moments", REGRESS_EVEN_4, f"even_4, residual_4 = {NONE}, both.even_4"),),
    "width's harmonic 4 not regressed": (
        Edit("moments", "    of_square = _width_4_of_square(both.width_2, both.width_4)", "    of_square = 0.0"),
    ),
    "no regressions on coma": (
        Edit("moments", "        even_2_of_odd=of_odd[0],", "        even_2_of_odd=0 * of_odd[0],"),
        Edit("moments", "np.ascontiguousarray(width_of_odd[0, :, 0])", "np.zeros(1 + EVEN_COUNT)"),
    ),
    "prior scales not estimated": (Edit("discs", "estimate_scales(family, fitted, spread, scales)", "pass"),),
    "... of the halo": (
        Edit(
            "prior",
            "scales[HALO] = min(max(HALO_FACTOR * (shown**2 - noise), HALO_LEAST), HALO_MOST)",
            "scales[HALO] = 1.0",
        ),
    ),
    "... of the width's harmonic 4": (
        Edit("prior", "known > LEAST_SNR_SQUARED / precision", "known > 1e30"),
        Edit("prior", "min(known / family.width_variance[1], most)", "harmonic_2"),
    ),
    "... a harmonic 4 without a harmonic 2": (Edit("prior", "known > LEAST_SNR_SQUARED / precision", "known > 1e30"),),
    "residuals do not grow with curvature": (Edit("prior", "(curvature / LOOSENING_CURVATURE) ** 4", "0.0"),),
    "straight edges' shapes": (
        Edit("curved", "    k, t = find_curvature(curvatures, curvature)\n    for", "    k, t = 0, 0.0\n    for"),
    ),
    "curvature adds no harmonics": (
        Edit("harmonics", "def add_harmonics(\n", "def add_harmonics(  # switched off\n"),
        Edit("harmonics", "along, across = 0.0, 0.0\n", "along, across = 0.0, 0.0\n            continue\n"),
    ),
    "four even shapes": (Edit("shapes", "EVEN_COUNT: Final = 5", "EVEN_COUNT: Final = 4"),),
    "six even shapes": (Edit("shapes", "EVEN_COUNT: Final = 5", "EVEN_COUNT: Final = 6"),),
    "two odd shapes": (Edit("shapes", "ODD_COUNT: Final = 3", "ODD_COUNT: Final = 2"),),
    "cells without their distances' variance": (
        Edit("equations", "0.5 * rate * rate * cells[k, DISTANCE_VARIANCE] * second", "0.0 * second"),
    ),
    "cells without their mean angle": (
        Edit("equations", "cells[k, DISTANCE_MEAN], cells[k, ANGLE_MEAN]", "cells[k, DISTANCE_MEAN], 0.0"),
    ),
    "covariance without the factors of its prior": (
        Edit("discs", "OWN_PRIOR_FACTOR: Final = 1.5", "OWN_PRIOR_FACTOR: Final = 1.0"),
        Edit("discs", "GUIDED_PRIOR_FACTOR: Final = 0.5", "GUIDED_PRIOR_FACTOR: Final = 1.0"),
    ),
    "numpy.linalg for the fit's equations": (
        Edit("fit", SOLVE, "        change[:] = np.linalg.solve(damped, downhill)\n"),
    ),
}
"""What is switched off. A row that begins with `...` is a part of the row above it."""


def change_sources(edits: tuple[Edit, ...], folder: Path) -> None:
    """Copy the camera plugin into a folder with changes; an edit that does not match the source is an error."""
    shutil.copytree(
        ROOT / "stages/glasswright_camera", folder / "glasswright_camera", ignore=shutil.ignore_patterns("__pycache__")
    )
    for edit in edits:
        path = folder / KERNEL / f"{edit.module}.py"
        source = path.read_text()
        if source.count(edit.old) != 1:
            sys.exit(f"{path.name} holds {source.count(edit.old)} times, not once: {edit.old!r}")
        path.write_text(source.replace(edit.old, edit.new))


def measure(quick: bool) -> dict[str, float]:
    """Measure the imported kernel; runs in a separate process."""
    from accuracy_cells import BLURS, Cell, measure_cell

    import glasswright_camera
    from support.edge_images import add_noise, draw_sheet, gaussian, to_mosaic, trace_sheet

    print(glasswright_camera.__file__, file=sys.stderr)
    start = time.perf_counter()
    sheet = draw_sheet(gaussian(0.187391 / 0.2), 40.0)
    frame = add_noise(to_mosaic(sheet.light), 0.006, np.random.default_rng(1))
    trace_sheet(frame, sheet)
    compiling = time.perf_counter() - start
    times = []
    for _ in range(15):
        start = time.process_time()
        trace_sheet(frame, sheet)
        times.append(time.process_time() - start)
    cells: list[Cell] = []
    for radius in (40.0,) if quick else (40.0, 90.0):
        for blur in BLURS:
            for mtf50 in (0.12, 0.25) if quick else (0.08, 0.2, 0.4):
                cells += measure_cell(blur, radius, mtf50, (0.01,), 32 if quick else 96)
    round_ = ("gaussian", "diffraction", "defocus 0.25 wave", "defocus 0.5 wave", "halo")
    result = {}
    for group in ("round", "other"):
        own = [cell for cell in cells if (cell.blur in round_) == (group == "round")]
        result[f"{group} rms bias %"] = float(np.sqrt(np.nanmean([cell.bias_pct**2 for cell in own])))
        result[f"{group} worst bias %"] = float(np.nanmax([abs(cell.bias_pct) for cell in own]))
        result[f"{group} scatter/bound"] = float(np.nanmedian([cell.scatter_pct / cell.bound_pct for cell in own]))
        result[f"{group} inside %"] = float(np.mean([100 * cell.inside / max(cell.draws, 1) for cell in own]))
    result["worst inside %"] = min(100 * cell.inside / max(cell.draws, 1) for cell in cells)
    result["failed"] = sum(cell.failed for cell in cells)
    result["ms a disc"] = 1000 * float(np.min(times)) / len(sheet.centre)
    result["compiling s"] = compiling
    return result


def run_row(edits: tuple[Edit, ...], quick: bool) -> dict[str, float] | None:
    """Measure a changed copy in a process that imports it first; None if it fails."""
    with tempfile.TemporaryDirectory() as scratch:
        change_sources(edits, Path(scratch))
        command = [sys.executable, __file__, "--measure", *(["--quick"] if quick else [])]
        paths = {**os.environ, "PYTHONPATH": scratch}
        done = subprocess.run(command, env=paths, capture_output=True, text=True, check=False)
        if done.returncode:
            print(done.stderr[-1500:], file=sys.stderr)
            return None
        if scratch not in done.stderr:
            sys.exit("the process did not import the changed copy")
        found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
        return found


def main() -> None:
    """Measure the requested rows and print each as it is done."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one radius, two sharpnesses, 32 draws a cell")
    parser.add_argument("--only", nargs="*", choices=tuple(ROWS), default=tuple(ROWS), metavar="NAME")
    parser.add_argument("--json", type=Path, help="write the rows there")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        print(json.dumps(measure(given.quick)))
        return
    found = {}
    for name in given.only:
        row = found[name] = run_row(ROWS[name], given.quick)
        if len(found) == 1 and row:
            print(f"{'switched off':46} " + " ".join(f"{key:>20}" for key in row))
        print(f"{name:46} " + (" ".join(f"{value:20.3f}" for value in row.values()) if row else "fails"), flush=True)
    if given.json:
        given.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
