"""How true the constants of a commissioned stand are: each step repeated on rehearsed stands with known errors.

python ci/bench_commission.py [--quick] [--seeds N] [--first SEED] [--step NAME ...] [--lenses N] [--times]
    [--megapixels MP] [--workers N] [--json FILE]

For each constant: how often the truth lies within two standard uncertainties, the root mean square of error over
uncertainty, and the largest uncertainty over its ceiling. Aim: 90 to 99 % within two, and no uncertainty above its
ceiling. Frames are small, most with the field of a sensor 36 mm wide. Also printed: shots and seconds of each step.

With --lenses N, a night of N lenses, a third with faults of all strengths, is rehearsed on a stand with errors of
print, ink, source and dust, measured with a stand file that was commissioned from the stand's own shots alone, and
gated. Aims: of the lenses whose true values lie by two standard uncertainties or more within every limit 90 % or more
are released, of those that lie by as much beyond one, none; the causes of all other decisions are counted.

With --times --megapixels 24 the shots and the seconds of computing of every step are printed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import yaml

sys.path.insert(0, str(Path(__file__).resolve().parent))

from commission_night import print_night

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, read_config, scan_yaml
from glasswright_camera.commissioning.ink_step import average_folders
from glasswright_camera.commissioning.print_step import CORNER_HEIGHT, trace_shot
from glasswright_camera.commissioning.shots import list_shots
from glasswright_camera.commissioning.source_step import CORNER_FRAC, MAP_COLUMNS, MAP_ROWS
from glasswright_camera.commissioning.steps import STEPS
from glasswright_camera.commissioning.writing import keep_names_apart, propose_text, write_result
from glasswright_camera.print_transfer import PrintTransfer
from glasswright_camera.printing.advice import chart_magnification
from glasswright_camera.setup_check import SHARP
from glasswright_camera.sharpness.stage import measure_mtf50
from glasswright_camera.stand import Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.ink_shots import write_ink_shots
from glasswright_rehearsal.commissioning.print_shots import write_print_shots
from glasswright_rehearsal.commissioning.source_shots import SourceErrors, emit
from glasswright_rehearsal.commissioning.write import WRITERS
from glasswright_rehearsal.optics.blur import find_blur, find_mtf50
from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from glasswright_rehearsal.scene.printing import Ink

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from glasswright_camera.commissioning.step_result import StepResult
    from glasswright_rehearsal.commissioning.bench import NewBench

    Array = NDArray[np.float64]

STAND: Final = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
MEGAPIXELS: Final = {
    "sensor": 0.35, "source": 0.5, "print": 0.5, "ink": 1.0, "ink_bare": 1.0, "standing": 0.5, "focus": 0.75,
}  # fmt: skip
"""Size of the frames of each step."""
WIDTH_MM: Final = 36.0
CHART: Final = {
    "name": "lattice_9x7", "columns": 9, "rows": 7, "pitch_mm": 150.0, "disc_diameter_mm": 60.0,
    "marks": [{"column": 3, "row": 2, "kind": "ring"}, {"column": 6, "row": 2, "kind": "ring"},
              {"column": 3, "row": 4, "kind": "ring"}],
    "ring_hole_diameter_mm": 24.0, "large_diameter_mm": 84.0, "contrast_ratio": 15.0,
}  # fmt: skip
"""A chart of few large discs, for small frames."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One constant from one rehearsed stand."""

    step: str
    name: str
    error: float
    u: float
    ceiling_u: float


def read_sensor_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `sensor`."""
    del bench
    return {name: truth[name] for name in ("black_dn", "white_dn", "electrons_at_white_count", "read_noise_count")}


def read_source_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `source`."""
    names = SourceErrors.__dataclass_fields__
    errors = SourceErrors(**{name: _as_tuple(truth[name]) for name in names})
    half = np.array([bench.frame.width_px, bench.frame.height_px]) / 2 / bench.frame.half_diagonal_px
    corners = CORNER_FRAC * half * [[-1, -1], [1, -1], [-1, 1], [1, 1]]
    places = np.vstack([np.zeros((1, 2)), corners])
    light = emit(errors, places, np.zeros(5), truth["field_tan"])
    corner = light[1:] - light[0]
    sine_square = 1 - 1 / (1 + np.sum((corners[0] * truth["field_tan"]) ** 2))
    grid = np.stack(np.meshgrid(*((np.arange(n) + 0.5) / n * 2 - 1 for n in (MAP_COLUMNS, MAP_ROWS))), axis=-1) * half
    by_place = errors.by_place(grid) - errors.by_place(np.zeros(2))
    return {
        "source_corner_ev": float(corner[np.abs(corner).argmax()]),
        "source_by_angle_ev": float(errors.by_angle_ev[0] * sine_square + errors.by_angle_ev[1] * sine_square**2),
        "source_map_ev": float(np.sqrt(np.mean(by_place**2))),
    }


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def read_print_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `print`."""
    nodes = np.array(truth["nodes_mm"])
    row, column = (each.ravel() for each in np.mgrid[: bench.layout.rows, : bench.layout.columns])
    design = np.column_stack([column - (bench.layout.columns - 1) / 2, row - (bench.layout.rows - 1) / 2])
    columns = np.column_stack([design * bench.layout.pitch_mm, np.ones(len(nodes))])
    # heights and places relative to the plane that fits best, as the step has no other
    tilt = np.linalg.lstsq(columns, nodes[:, 2], rcond=None)[0]
    affine = np.linalg.lstsq(columns, nodes[:, :2], rcond=None)[0]
    left = nodes[:, :2] - columns @ affine
    distortion = truth["k1"] * CORNER_HEIGHT**3 + truth["k2"] * CORNER_HEIGHT**5
    return {
        "scale_across_frac": float(affine[0, 0]),
        "scale_down_frac": float(affine[1, 1]),
        "wander_mm": float(np.sqrt(np.mean(left**2))),
        "bow_mm": float(np.sqrt(np.mean((nodes[:, 2] - columns @ tilt) ** 2))),
        "distortion_pct": 100 * distortion * bench.frame.half_diagonal_px / bench.frame.height_px,
    }


def read_ink_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `ink`: what the print takes off a Gaussian lens."""
    ink = Ink(core_um=_as_tuple(truth["core_um"]), scatter_frac=truth["scatter_frac"], scatter_um=truth["scatter_um"])
    frequency = np.linspace(0, 0.6, 601)
    # at the magnification at which the stages expect the chart to hang
    across, down = (bench.layout.columns - 1, bench.layout.rows - 1)
    size = [n * bench.frame.pitch_um / 1000 for n in (bench.frame.width_px, bench.frame.height_px)]
    usual = chart_magnification(across * bench.layout.pitch_mm, down * bench.layout.pitch_mm, (size[0], size[1]))
    found = {}
    for side, direction in (("across", 0.0), ("down", np.pi / 2)):
        curve = np.exp(-np.log(2) * (frequency / SHARP) ** 2)
        curve = curve * ink.transfer(frequency * 1000 * usual / bench.frame.pitch_um, np.array(direction))
        found[f"loss_{side}_pct"] = 100 * (1 - float(np.interp(-0.5, -curve, frequency)) / SHARP)
    return found


def read_lens_without_print(
    folder: Path, stand: Stand, result: StepResult, truth: Mapping[str, Any]
) -> Iterator[Trial]:
    """Yield MTF50 of the usual frames' centre, in percent of the lens's own, once the print is divided out."""
    (data,) = result.files.values()
    path = folder / "transfer.yaml"
    path.write_bytes(data)
    use = replace(stand.charts[0], transfer=read_config(path, PrintTransfer))
    measured = replace(stand, charts=(use,))
    traces = tuple(trace_shot(shot, measured) for shot in list_shots(folder / "ink" / "far", "chart"))
    zone = measure_mtf50(traces, measured).green.centre
    frame = Frame(width_px=traces[0].width_px, height_px=traces[0].height_px, pitch_um=stand.sensor.pixel_pitch_um)
    lens = Lens(f_number=truth["f_number"] * (1 + truth["far_frac"]), aberrations=Aberrations(blur_um=truth["blur_um"]))
    turn = np.linspace(0, np.pi, 13)[None]
    blur = find_blur(lens, frame, frame.centre_px[None], "green")
    true = float(find_mtf50(blur, np.cos(turn), np.sin(turn))[:, :-1].mean())
    step = "ink" if measured.charts[0].transfer.origin.endswith("metal blade") else "ink_bare"
    error, u = 100 * (zone.mean_cy_per_px / true - 1), 100 * zone.mean_cy_per_px_u / true
    yield Trial(step=step, name="lens_mtf50_pct", error=error, u=u, ceiling_u=result.findings[0].ceiling_u)


def print_pairs(pairs: int = 10, repeat_frac: float = 0.01, seeds: int = 400, per_mm: float = 4.0) -> None:
    """Print how well pairs of edges give MTF50 if each edge's blur scatters, in frames from the usual distance.

    `per_mm` is pixels per millimetre. The lens is a Gaussian, whose logarithm falls by 2 ln 2 at its half point for a
    relative change of frequency.
    """
    generator, ink, frequency = np.random.default_rng(1), Ink(), np.array([SHARP * per_mm])
    printed = ink.transfer(frequency, np.array(0.0))
    squares = []
    for _ in range(seeds):
        one, other = (0.5 ** ((1 + repeat_frac * generator.standard_normal((pairs, 1, 1))) ** 2) for _ in range(2))
        found = average_folders([np.log(one * printed) - np.log(other)])
        squares.append([(found.value[0, 0] - np.log(printed[0])) ** 2, found.u[0, 0] ** 2])
    rms, u = np.sqrt(np.mean(squares, axis=0)) / (2 * np.log(2))
    print(f"{pairs} pairs with a repeat of {repeat_frac:.0%}: MTF50 is known to {u:.2%}, rms error {rms:.2%}")


def read_standing_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `standing`."""
    del bench
    chart = {f"chart_tilt_{axis}_arcmin": 60 * truth[f"chart_tilt_{axis}_deg"] for axis in "xy"}
    return chart | {name: truth[name] for name in ("body_tilt_x_arcmin", "body_tilt_y_arcmin")}


def read_focus_truth(truth: Mapping[str, Any], bench: NewBench) -> Mapping[str, float]:
    """Return the true values of the step `focus`; the stand's step grows with the square of the f-number."""
    del bench
    return {"focus_step_um": truth["step_um"] / truth["f_number"] ** 2, "ramp_angle_deg": truth["ramp_angle_deg"]}


TRUTHS: Final[Mapping[str, Callable[[Mapping[str, Any], NewBench], Mapping[str, float]]]] = {
    "sensor": read_sensor_truth,
    "source": read_source_truth,
    "print": read_print_truth,
    "ink": read_ink_truth,
    "ink_bare": read_ink_truth,
    "standing": read_standing_truth,
    "focus": read_focus_truth,
}


def write_stand_file(folder: Path, megapixels: float) -> Path:
    """Write a stand with few large pixels on a sensor 36 mm wide, and a chart of few discs."""
    (folder / "charts").mkdir(parents=True)
    (folder / "stands").mkdir()
    (folder / "charts" / "lattice_9x7.yaml").write_text(yaml.safe_dump(CHART), encoding="utf-8")
    data = yaml.safe_load(STAND.read_text(encoding="utf-8"))
    pitch = WIDTH_MM * 1000 / np.sqrt(1.5e6 * megapixels)
    data["camera"] = {
        "sensor": {"pixel_pitch_um": round(float(pitch), 2)},
        "charts": [{"layout": "../charts/lattice_9x7.yaml"}],
    }
    path = folder / "stands" / STAND.name
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    return path


def apply_step(name: str, folder: Path) -> None:
    """Evaluate a step's shots and write its result into the stand file."""
    step = next(each for each in STEPS if each.name == name)
    document = scan_yaml(folder / "stands" / STAND.name)
    stand, problems = check(document, Stand, "camera")
    if stand is None:
        sys.exit(str(problems[0]))
    result = keep_names_apart(step.find(folder / name, stand, date(2026, 3, 3)))
    write_result(document, result, propose_text(document, result, "bench"))


def try_step(name: str, seed: int) -> tuple[list[Trial], int, float]:
    """Rehearse and evaluate one step; return its constants, the number of shots, and the seconds of evaluation."""
    folder_name, _, bare = name.partition("_")
    step = next(each for each in STEPS if each.name == folder_name)
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        # the ramp's small discs, and the print's blur at the usual magnification, need pixels of the usual size
        source = (
            STAND
            if name in {"focus", "ink", "ink_bare"}
            else write_stand_file(folder / "source_stand", MEGAPIXELS[name])
        )
        bench = open_bench(source, folder, MEGAPIXELS[name], seed)
        if name == "standing":
            # the print is measured first: as designed, its errors go into the chart's tilt
            write_print_shots(bench)
            apply_step("print", folder)
        if bare:
            write_ink_shots(bench, has_blade=False)
        else:
            WRITERS[name](bench)
        stand, problems = check(scan_yaml(folder / "stands" / STAND.name), Stand, "camera")
        if stand is None:
            sys.exit(str(problems[0]))
        start = time.perf_counter()
        result = step.find(folder / folder_name, stand, date(2026, 3, 3))
        seconds = time.perf_counter() - start
        written = json.loads((folder / "truth" / f"{folder_name}.json").read_text(encoding="utf-8"))
        truth = TRUTHS[name](written, bench)
        more = list(read_lens_without_print(folder, stand, result, written)) if folder_name == "ink" else []
    found = {each.name: each for each in result.findings}
    trials = more + [
        Trial(step=name, name=key, error=found[key].value - true, u=found[key].u, ceiling_u=found[key].ceiling_u)
        for key, true in truth.items()
    ]
    return trials, result.shot_count, seconds


def print_times(megapixels: float, steps: list[str]) -> None:
    """Print shots and seconds of computing of each step, once each, at a size of frames."""
    total_shots, total = 0, 0.0
    for step in STEPS:
        if steps and step.name not in steps:
            continue
        with tempfile.TemporaryDirectory() as text:
            folder = Path(text)
            bench = open_bench(STAND, folder, megapixels, 1)
            if step.name == "ink":
                write_ink_shots(bench, size_px=(bench.frame.width_px, bench.frame.height_px))
            else:
                WRITERS[step.name](bench)
            stand, problems = check(scan_yaml(folder / "stands" / STAND.name), Stand, "camera")
            if stand is None:
                sys.exit(str(problems[0]))
            start, used = time.perf_counter(), time.process_time()
            shots = step.find(folder / step.name, stand, date(2026, 3, 3)).shot_count
            seconds, used = time.perf_counter() - start, time.process_time() - used
        total_shots, total = total_shots + shots, total + used
        print(
            f"{step.name}: {shots} shots of {megapixels:g} MP, {step.minutes} minutes at the stand, {used:.0f} s of "
            f"computing on one core ({seconds:.0f} s elapsed)",
            flush=True,
        )
    minutes = sum(step.minutes for step in STEPS)
    print(f"together: {total_shots} shots, {minutes} minutes at the stand, {total / 60:.1f} minutes of computing")


def summarise(trials: list[Trial]) -> Iterator[dict[str, Any]]:
    """Yield one row for each constant."""
    by_name: dict[tuple[str, str], list[Trial]] = defaultdict(list)
    for trial in trials:
        by_name[trial.step, trial.name].append(trial)
    for (step, name), several in by_name.items():
        ratio = np.array([each.error / each.u for each in several])
        yield {
            "step": step,
            "constant": name,
            "trials": len(several),
            "within_2u": float(np.mean(np.abs(ratio) <= 2)),
            "rms_error_over_u": float(np.sqrt(np.mean(ratio**2))),
            "mean_error_over_u": float(np.mean(ratio)),
            "mean_error": float(np.mean([each.error for each in several])),
            "median_u": float(np.median([each.u for each in several])),
            "largest_u_over_ceiling": max(each.u / each.ceiling_u for each in several),
        }


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="two seeds")
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--step", dest="steps", action="append", choices=sorted({*TRUTHS, *WRITERS}))
    parser.add_argument("--lenses", type=int, default=0, help="lenses, of which a third has faults of all strengths")
    parser.add_argument("--megapixels", type=float, default=1.0, help="of the lenses' frames")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--times", action="store_true", help="time of each step; --megapixels 24 for a whole frame")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    if given.times:
        print_times(given.megapixels, given.steps or [])
        return
    if given.lenses:
        with tempfile.TemporaryDirectory() as folder:
            row = print_night(given.lenses, given.megapixels, given.first, given.workers, Path(folder))
        if given.json:
            given.json.write_text(json.dumps(row, indent=1) + "\n", encoding="utf-8")
        return
    rows: list[dict[str, Any]] = []
    print(
        f"{'constant':34}{'trials':>7}{'within 2 u':>12}{'rms e/u':>9}{'mean e/u':>9}{'mean e':>11}"
        f"{'median u':>10}{'u/ceiling':>11}"
    )
    for name in given.steps or list(TRUTHS):
        trials: list[Trial] = []
        seconds, refused = [], 0
        for seed in range(given.first, given.first + (2 if given.quick else given.seeds)):
            try:
                found, shots, spent = try_step(name, seed)
            except Unmeasurable as failure:
                refused += 1
                print(f"{name}, seed {seed}: {failure}")
                continue
            trials += found
            seconds.append(spent)
        for row in summarise(trials):
            rows.append(row)
            print(
                f"{row['step'] + '.' + row['constant']:34}{row['trials']:7d}{row['within_2u']:12.2f}"
                f"{row['rms_error_over_u']:9.2f}{row['mean_error_over_u']:9.2f}{row['mean_error']:11.2g}"
                f"{row['median_u']:10.2g}{row['largest_u_over_ceiling']:11.2f}"
            )
        print(
            f"{name}: {shots} shots of {MEGAPIXELS[name]} MP, {np.median(seconds):.1f} s, {refused} refused", flush=True
        )
        if given.json:
            given.json.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    if "ink" in (given.steps or TRUTHS):
        print_pairs()


if __name__ == "__main__":
    main()
