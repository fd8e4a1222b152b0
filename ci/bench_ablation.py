"""What each part of the edge kernel is good for: one part switched off a row, all rows on the same frames.

python ci/bench_ablation.py [--quick] [--settings] [--only NAME ...] [--json FILE]

With --settings each number of the prior that was set by trial is halved and doubled instead, on frames that are hard
for one of them: small discs, little and much noise, blurs between two foci. Columns are the largest changes from the
present values over blur, size and noise. Same noise in all rows: what changes is the setting's doing.

Prior and shape tables are data, so those rows share this process; the others change compiled code and take some minutes
more each, in a process of their own. Rows that the file of --json has are not measured again.
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
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, NamedTuple
from unittest.mock import patch

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from accuracy_cells import Cell

    from support.edge_images import Transfer

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

KERNEL = Path("glasswright_camera/edges/kernel")
NOISE = 0.01
QUICK = ((40.0,), (0.12, 0.25), 32)
WHOLE = ((24.0, 40.0, 90.0), (0.12, 0.3), 96)
"""Radii in px, MTF50 in cycles/pixel, draws a cell."""
SETTINGS_SIZES = ((20.0, 0.12), (40.0, 0.25))
"""Radius in px and MTF50 in cycles/pixel."""
SETTINGS_BLURS = ("gaussian", "diffraction", "defocus 0.5 wave", "astigmatic", "comatic", "halo")
SETTINGS_NOISES = (0.003, 0.02)
SETTINGS_DRAWS = 48
LEAST_BIAS, LEAST_SCATTER, LEAST_INSIDE = 0.05, 2.0, 2.0
"""Changes in per cent below which a setting is said to change nothing: of MTF50's bias, a tenth of what the shapes
leave; of its scatter; and of the draws inside the stated 95 %, about one standard deviation of 288 draws."""
ROUND = ("gaussian", "diffraction", "defocus 0.25 wave", "defocus 0.5 wave", "halo")


class Edit(NamedTuple):
    """One change of a module: a piece of its source that occurs once, and its replacement."""

    module: str
    old: str
    new: str

    def apply(self, source: str) -> str:
        """Return the changed source; an edit that does not fit it is an error."""
        if source.count(self.old) != 1:
            sys.exit(f"{self.module}.py holds {source.count(self.old)} times, not once: {self.old!r}")
        return source.replace(self.old, self.new)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What one row does otherwise."""

    compiled: tuple[Edit, ...] = ()
    """Changes of compiled code."""
    moments: tuple[Edit, ...] = ()
    """Changes of `moments.py`, which makes data."""
    settings: Mapping[str, object] = field(default_factory=dict)
    """Of `PriorSettings`."""
    tables: Mapping[str, Callable[[np.ndarray], np.ndarray]] = field(default_factory=dict)
    """By name of the function that makes a table: what becomes of it."""


EVEN_2 = "even_2, residual_2 = _regress(_even_2_predictors(both), both.even_0, both.even_2)"
EVEN_4 = "even_4, residual_4 = _regress(_even_4_predictors(both), both.even_0, both.even_4)"
NONE = "np.zeros((2, 1 + EVEN_COUNT, EVEN_COUNT))"
NO_EVEN_2 = Edit("moments", EVEN_2, f"even_2, residual_2 = {NONE}, both.even_2")
NO_EVEN_4 = Edit("moments", EVEN_4, f"even_4, residual_4 = {NONE}, both.even_4")
NO_WIDTH_4 = Edit("moments", "    of_square = _width_4_of_square(both.width_2, both.width_4)", "    of_square = 0.0")
NO_COMA = (
    Edit("moments", "        even_2_of_odd=of_odd[0],", "        even_2_of_odd=0 * of_odd[0],"),
    Edit("moments", "np.ascontiguousarray(width_of_odd[0, :, 0])", "np.zeros(1 + EVEN_COUNT)"),
)
NO_CUBE = Edit(
    "moments",
    EVEN_2,
    "even_2, residual_2 = _regress(both.width_2[:, None], both.even_0, both.even_2)\n"
    "    even_2 = np.concatenate([even_2, np.zeros_like(even_2)])",
)
ROWS = {
    "nothing": Row(),
    "the prior": Row(
        compiled=(
            Edit("prior", "        information[k] /= width\n", "        information[:] = 0.0\n"),
            Edit("prior", "            prior[a, k] /= width\n", "            prior[:, :] = 0.0\n"),
        )
    ),
    "all regressions": Row(moments=(NO_EVEN_2, NO_EVEN_4, NO_WIDTH_4, *NO_COMA)),
    "... of the shapes' harmonic 2": Row(moments=(NO_EVEN_2,)),
    "... on the cube of the width's": Row(moments=(NO_CUBE,)),
    "... of the shapes' harmonic 4": Row(moments=(NO_EVEN_4,)),
    "... of the width's harmonic 4": Row(moments=(NO_WIDTH_4,)),
    "... on coma": Row(moments=NO_COMA),
    "estimated prior scales": Row(
        settings={
            "least_scale": 0.3, "most_scale": 0.3, "most_scale_between_foci": 0.3, "halo_least": 2.0, "halo_most": 2.0,
        }
    ),
    "... of the halo": Row(settings={"halo_least": 2.0, "halo_most": 2.0}),
    "... of harmonic 4, beside that of harmonic 2": Row(
        settings={"least_beside_harmonic_2": 1.0, "most_scale_between_foci": 0.0}
    ),
    "... of a harmonic 4 without a harmonic 2": Row(settings={"least_snr_squared": 1e30}),
    "residuals that grow with curvature": Row(settings={"loosening_curvature": 1e9}),
    "the factors on the prior's covariance": Row(settings={"own_factor": 1.0, "guided_factor": 1.0}),
    "shapes of curved edges": Row(tables={"curved_tables": lambda tables: np.tile(tables[0], (len(tables), 1, 1))}),
    "harmonics that curvature adds": Row(tables={"harmonic_tables": np.zeros_like}),
    "the fifth even shape": Row(compiled=(Edit("shapes", "EVEN_COUNT: Final = 5", "EVEN_COUNT: Final = 4"),)),
    "the third odd shape": Row(compiled=(Edit("shapes", "ODD_COUNT: Final = 3", "ODD_COUNT: Final = 2"),)),
    "variance of a cell's distances": Row(
        compiled=(Edit("equations", "0.5 * rate * rate * cells[k, DISTANCE_VARIANCE] * second", "0.0 * second"),)
    ),
    "mean angle of a cell": Row(
        compiled=(Edit("equations", "cells[k, DISTANCE_MEAN], cells[k, LEAN]", "cells[k, DISTANCE_MEAN], 0.0"),)
    ),
}  # fmt: skip
"""What is switched off. A row that begins with `...` is a part of the row above it."""


def settings_rows() -> dict[str, Row]:
    """Return two rows for each number that was set by trial: half of it, and twice."""
    from glasswright_camera.edges.kernel.prior import PriorSettings

    rows = {}
    for name, value in PriorSettings()._asdict().items():
        for times in (0.5, 2.0):
            changed = tuple(times * each for each in value) if isinstance(value, tuple) else times * value
            rows[f"{name} times {times:g}"] = Row(settings={name: changed})
    for name, value in (("_RIDGE", "0.1"), ("_RESIDUAL_FACTOR", "2.0")):
        for times in (0.5, 2.0):
            edit = Edit("moments", f"{name}: Final = {value}", f"{name}: Final = {times * float(value)}")
            rows[f"{name} times {times:g}"] = Row(moments=(edit,))
    for module, name, value in (
        ("fit", "ITERATIONS", 16),
        ("discs", "CURVATURE_CHANGED", 0.006),
        ("shapes", "HALO_WEIGHT", 5),
    ):
        for times in (0.5, 2.0):
            changed = type(value)(times * value)
            edit = Edit(module, f"{name}: Final = {value}", f"{name}: Final = {changed}")
            rows[f"{name} times {times:g}"] = Row(compiled=(edit,))
    return rows


def make_model(row: Row) -> dict[str, Callable[..., object]]:
    """Return what takes the place of the functions by which `trace_table` makes its model."""
    from glasswright_camera.edges.kernel import moments, table
    from glasswright_camera.edges.kernel.prior import PriorSettings

    source = Path(moments.__file__).read_text()
    for edit in row.moments:
        source = edit.apply(source)
    changed = ModuleType("changed_moments")
    exec(compile(source, moments.__file__, "exec"), changed.__dict__)
    family, settings = moments.FamilyMoments(*changed.family_moments()), PriorSettings()._replace(**row.settings)
    made: dict[str, Callable[..., object]] = {"family_moments": lambda: family, "PriorSettings": lambda: settings}
    for name, change in row.tables.items():
        make = getattr(table, name)
        made[name] = lambda *pitch, make=make, change=change: change(make(*pitch))
    return made


def measure(rows: Mapping[str, Row], quick: bool) -> dict[str, dict[str, float]]:
    """Measure rows with the kernel that is imported: this runs in a process of its own."""
    from accuracy_cells import BLURS, prepare_cell

    from glasswright_camera.edges.kernel import table
    from support.edge_images import add_noise, draw_sheet, gaussian, to_mosaic, trace_sheet

    start = time.perf_counter()
    sheet = draw_sheet(gaussian(0.187391 / 0.2), 40.0)
    frame = add_noise(to_mosaic(sheet.light), 0.006, np.random.default_rng(1))
    trace_sheet(frame, sheet)
    compiling = time.perf_counter() - start
    models = {name: make_model(row) for name, row in rows.items()}
    radii, sharpnesses, draws = QUICK if quick else WHOLE
    cells: dict[str, list[Cell]] = {name: [] for name in rows}
    times: dict[str, list[float]] = {name: [] for name in rows}
    for radius in radii:
        for blur in BLURS:
            for mtf50 in sharpnesses:
                cell = prepare_cell(blur, radius, mtf50)
                for name, model in models.items():
                    with patch.multiple(table, **model):
                        cells[name] += cell.measure((NOISE,), draws)
                        begun = time.process_time()
                        trace_sheet(frame, sheet)
                        times[name].append(time.process_time() - begun)
    return {
        name: {
            **sum_up(cells[name]),
            "ms a disc": 1000 * min(times[name]) / len(sheet.centre),
            "compiling s": compiling,
        }
        for name in rows
    }


def sum_up(cells: list) -> dict[str, float]:
    """Return bias, scatter and coverage over round blurs and over the others."""
    result = {}
    for group in ("round", "other"):
        own = [cell for cell in cells if (cell.blur in ROUND) == (group == "round")]
        result[f"{group} rms bias %"] = float(np.sqrt(np.nanmean([cell.bias_pct**2 for cell in own])))
        result[f"{group} worst bias %"] = float(np.nanmax([abs(cell.bias_pct) for cell in own]))
        result[f"{group} scatter/bound"] = float(np.nanmedian([cell.scatter_pct / cell.bound_pct for cell in own]))
        result[f"{group} inside %"] = float(np.mean([100 * cell.inside / max(cell.draws, 1) for cell in own]))
    result["worst inside %"] = min(100 * cell.inside / max(cell.draws, 1) for cell in cells)
    result["failed"] = sum(cell.failed for cell in cells)
    return result


def read_cells(row: Row) -> list[list[Cell]]:
    """Measure the frames of --settings with the kernel that is imported: a list for each blur, size and noise."""
    from accuracy_cells import BLURS, prepare_cell

    from glasswright_camera.edges.kernel import table
    from support.edge_images import bent_pupil, solve_blur

    def two_foci(mtf50: float) -> Transfer:
        return solve_blur(lambda c: bent_pupil(c, defocus=-0.1, astigmatism=0.3), mtf50, mtf50, 60 * mtf50)

    blurs = {name: BLURS[name] for name in SETTINGS_BLURS} | {"between two foci": two_foci}
    cells = [
        prepare_cell(blur, radius, mtf50, make) for radius, mtf50 in SETTINGS_SIZES for blur, make in blurs.items()
    ]
    with patch.multiple(table, **make_model(row)):
        return [cell.measure((noise,), SETTINGS_DRAWS) for cell in cells for noise in SETTINGS_NOISES]


def read_changed(row: Row) -> list[list[Cell]]:
    """Measure the same with compiled code that is changed, in a process of its own."""
    from accuracy_cells import Cell

    found = run_changed(row.compiled, ["--settings"])
    return [[Cell(**cell) for cell in each] for each in found]


def measure_settings(rows: Mapping[str, Row]) -> Iterator[tuple[str, dict[str, float]]]:
    """Measure rows, and yield each with its largest changes from the present values."""
    present = read_cells(Row())
    for name, row in rows.items():
        cells = read_changed(row) if row.compiled else read_cells(row)
        changes = [_compare(*both) for both in zip(cells, present, strict=True)]
        bias, scatter, inside, failed = (np.array(column) for column in zip(*changes, strict=True))
        most = int(np.argmax(np.abs(bias)))
        yield (
            name,
            {
                "bias, % MTF50": float(bias[most]),
                "scatter less, %": float(scatter.min()),
                "scatter more, %": float(scatter.max()),
                "inside less, %": float(inside.min()),
                "inside more, %": float(inside.max()),
                "failed": int(failed.sum()),
            },
        )


def _compare(cells: list[Cell], present: list[Cell]) -> tuple[float, float, float, int]:
    """Return the changes over the planes of one blur, size and noise: bias, scatter and share inside in per cent."""
    both = (cells, present)
    # the mean of the planes in one direction
    bias = [np.array([cell.bias_pct for cell in each]).reshape(-1, 2).mean(axis=0) for each in both]
    scatter = [np.sqrt(np.mean([cell.scatter_pct**2 for cell in each])) for each in both]
    inside = [100 * sum(cell.inside for cell in each) / sum(cell.draws for cell in each) for each in both]
    change = bias[0] - bias[1]
    return (
        float(change[np.argmax(np.abs(change))]),
        float(100 * (scatter[0] / scatter[1] - 1)),
        inside[0] - inside[1],
        sum(cell.failed for cell in cells) - sum(cell.failed for cell in present),
    )


def is_without_effect(row: Mapping[str, float]) -> bool:
    """Return whether all changes of a row are too small to matter."""
    return (
        abs(row["bias, % MTF50"]) < LEAST_BIAS
        and max(-row["scatter less, %"], row["scatter more, %"]) < LEAST_SCATTER
        and max(-row["inside less, %"], row["inside more, %"]) < LEAST_INSIDE
        and not row["failed"]
    )


def run_changed(edits: tuple[Edit, ...], options: list[str]) -> Any:
    """Measure in a process that finds a changed copy of the camera plugin first; return what it prints last.

    Raises
    ------
    ChangedCodeError
        If it fails.
    """
    with tempfile.TemporaryDirectory() as scratch:
        plugin = ROOT / "stages/glasswright_camera"
        shutil.copytree(plugin, Path(scratch, plugin.name), ignore=shutil.ignore_patterns("__pycache__"))
        for edit in edits:
            path = scratch / KERNEL / f"{edit.module}.py"
            path.write_text(edit.apply(path.read_text()))
        command = [sys.executable, __file__, "--measure", *options]
        paths = {**os.environ, "PYTHONPATH": scratch}
        done = subprocess.run(command, env=paths, capture_output=True, text=True, check=False)
        if done.returncode:
            raise ChangedCodeError(done.stderr[-1500:])
        if scratch not in done.stderr:
            sys.exit("the process did not import the changed copy")
        return json.loads(done.stdout.splitlines()[-1])


class ChangedCodeError(Exception):
    """The changed code does not run."""


def main() -> None:
    """Measure the requested rows and print each as it is done."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one radius, two sharpnesses, 32 draws a cell")
    parser.add_argument("--settings", action="store_true", help="halve and double what was set by trial")
    parser.add_argument("--only", nargs="*", metavar="NAME", help="these rows alone")
    parser.add_argument("--json", type=Path, help="write the rows there")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    rows = settings_rows() if given.settings else ROWS
    if unknown := set(given.only or ()) - set(rows):
        parser.error(f"no row `{unknown.pop()}`; rows are: {', '.join(rows)}")
    rows = {name: row for name, row in rows.items() if given.only is None or name in given.only}
    if given.measure:
        import glasswright_camera

        print(glasswright_camera.__file__, file=sys.stderr)
        if given.settings:
            print(json.dumps([[asdict(cell) for cell in each] for each in read_cells(Row())]))
        else:
            print(json.dumps(measure(rows, given.quick)))
        return
    found: dict[str, dict[str, float]] = {}
    before = json.loads(given.json.read_text()) if given.json and given.json.exists() else {}

    def add(name: str, row: dict[str, float] | None) -> None:
        if row is None:
            print(f"{name:46} fails", flush=True)
            return
        if not found:
            print(f"{'':46} " + " ".join(f"{key:>19}" for key in row))
        found[name] = row
        nothing = "  changes nothing" if given.settings and is_without_effect(row) else ""
        print(f"{name:46} " + " ".join(f"{value:19.3f}" for value in row.values()) + nothing, flush=True)
        if given.json:
            given.json.write_text(json.dumps(found, indent=1))

    for name in [name for name in rows if name in before]:
        add(name, before[name])
    left = {name: row for name, row in rows.items() if name not in found}
    if given.settings:
        for name, row in measure_settings(left) if left else ():
            add(name, row)
        return
    options = ["--quick"] if given.quick else []
    groups = [[name for name, row in left.items() if not row.compiled]]
    groups += [[name] for name, row in left.items() if row.compiled]
    for group in filter(None, groups):
        try:
            some = run_changed(left[group[0]].compiled, [*options, "--only", *group])
        except ChangedCodeError as failure:
            print(failure, file=sys.stderr)
            some = {}
        for name in group:
            add(name, some.get(name))


if __name__ == "__main__":
    main()
