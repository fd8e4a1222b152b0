"""A night on a stand whose stand file was commissioned from its own shots alone."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections import Counter
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import yaml

from glasswright.commands.main import run_command
from glasswright_rehearsal.commissioning.bench import NewBench
from glasswright_rehearsal.commissioning.dust_shots import write_dust_shots
from glasswright_rehearsal.commissioning.print_shots import write_print_shots
from glasswright_rehearsal.commissioning.source_shots import SourceErrors, write_source_shots
from glasswright_rehearsal.night.night import draw_dust, find_frame
from glasswright_rehearsal.night.stand_files import SOURCE, fit_layout, read_stand
from glasswright_rehearsal.scene.layout import read_layout, write_layout
from glasswright_rehearsal.scene.light import find_source
from glasswright_rehearsal.scene.printing import draw_errors, draw_print

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parents[1]
CONFIGS = ROOT / "configs"
STAND = "north_bench.yaml"
STEPS = ("source", "print", "dust")
"""Steps whose errors a rehearsed night has; its sensor, its standing and its focus step are as declared."""
MODEL, PLAN = "Corvane 50 mm f/2", "fixed_focal"
FAULTS = ("barrel_shift", "vignetting_obstruction", "tilted_group", "decentred_element", "curved_field", "haze")
"""Faults of the faulty lenses, in turn; the first two are seen through print and source."""
DECISIONS = {0: "RELEASE", 10: "HOLD", 11: "REVIEW", 12: "INCOMPLETE"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSource(SourceErrors):
    """The diffuse source of a rehearsed night."""

    by_angle_ev: tuple[float, float] = (0.0, 0.0)

    def by_place(self, place: Array) -> Array:
        """Return the source at places (..., 2) on it, EV."""
        return np.asarray(np.log2(find_source(SOURCE, place[..., 0], place[..., 1])))


def run(*words: str | Path, allowed: tuple[int, ...] = (0,)) -> str:
    """Run the program in a separate process, and return its output."""
    done = subprocess.run(["glasswright", *map(str, words)], capture_output=True, text=True, check=False, cwd=ROOT)
    if done.returncode not in allowed:
        sys.exit(f"glasswright {words[0]} ended with {done.returncode}:\n{done.stderr}{done.stdout}")
    return done.stdout


def write_true_stand(folder: Path, seed: int) -> Path:
    """Copy the shipped stand with a chart that was printed with errors; return the stand file's path."""
    for name in ("charts", "stands", "lenses"):
        shutil.copytree(CONFIGS / name, folder / name)
    path = folder / "stands" / STAND
    generator = np.random.default_rng(np.random.SeedSequence([seed, 50_021, 0]))
    layout = read_layout(CONFIGS / "charts" / "lattice_13x9.yaml")
    write_layout(draw_print(layout, draw_errors(generator), generator), folder / "charts" / "lattice_13x9.yaml")
    return path


def forget(night: Path, out: Path) -> Path:
    """Write the night's stand file without what must be measured: print as designed, no source map, no dust."""
    for name in ("charts", "stands", "lenses"):
        shutil.copytree(night / name, out / name)
    (out / "stands" / "source_map.npy").unlink()
    path = out / "stands" / STAND
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    for key in ("source_map", "dust"):
        data["camera"].pop(key, None)
    path.write_text(yaml.safe_dump(data, sort_keys=False, width=1000), encoding="utf-8")
    chart = out / "charts" / "lattice_13x9.yaml"
    printed = yaml.safe_load(chart.read_text(encoding="utf-8"))
    printed.pop("nodes_mm")
    chart.write_text(yaml.safe_dump(printed, sort_keys=False), encoding="utf-8")
    return path


def commission_night(folder: Path, true: Path, night: Path, megapixels: float, seed: int) -> Path:
    """Shoot and evaluate the commissioning steps; return the stand file."""
    path = forget(night, folder)
    facts = read_stand(true)
    frame = find_frame(megapixels, facts.pitch_um)
    bench = NewBench(
        out=folder,
        frame=frame,
        layout=read_layout(folder / "charts" / "lattice_13x9.yaml"),
        ramp=facts.ramp,
        ramp_angle_deg=facts.ramp_angle_deg,
        printed=fit_layout(facts.layout, frame),
        seed=seed,
    )
    write_source_shots(bench, NightSource())
    write_print_shots(bench)
    write_dust_shots(bench, body=draw_dust(seed, frame))
    for step in STEPS:
        said = run("commission", step, path, folder, "--by", "bench", "--yes")
        for line in said.splitlines():
            if "shoot more" in line or "not sure" in line:
                print(f"  {step}: {line}")
    return path


def gate_night(
    folder: Path, healthy: int, faults: tuple[str, ...], megapixels: float, seed: int
) -> Iterator[tuple[str, str, list[str]]]:
    """Rehearse a night of lenses on a stand with errors; return for each its fault, the decision and its reasons."""
    true = write_true_stand(folder / "true", seed)
    night = folder / "night"
    size = ["--tickets", str(healthy + len(faults)), "--megapixels", f"{megapixels:g}", "--seed", str(seed)]
    named = [word for fault in faults or ("none",) for word in ("--fault", fault)]
    run("rehearse", night, "--model", MODEL, *named, "--stand", true, *size, "--workers", "1")
    stand = commission_night(folder / "bench", true, night, megapixels, seed)
    ledger = folder / "bench.ledger"
    by = ["--stand", stand, "--cards", CONFIGS / "cards", "--ledger", ledger, "--workers", "1"]
    run("run", CONFIGS / f"plans/{PLAN}.yaml", "--tickets", night / "tickets", *by, allowed=(0, 13))
    every = (*("none",) * healthy, *faults)
    for fault, path in zip(every, sorted((night / "tickets").iterdir()), strict=True):
        out = StringIO()
        with redirect_stdout(out):
            code = run_command(["gate", path.name, "--ledger", str(ledger), "--json"])
        yield fault, DECISIONS[code], list(json.loads(out.getvalue())["reasons"])


def print_night(healthy: int, faults: tuple[str, ...], megapixels: float, seed: int, folder: Path) -> None:
    """Print the decisions on a night of lenses, and the reasons why healthy ones were not released."""
    decisions: Counter[tuple[bool, str]] = Counter()
    causes: Counter[str] = Counter()
    for fault, decision, reasons in gate_night(folder, healthy, faults, megapixels, seed):
        decisions[fault == "none", decision] += 1
        if fault != "none":
            print(f"  {fault}: {decision}")
        elif decision != "RELEASE":
            causes.update({f"{decision}, {reason.partition(':')[0]}" for reason in reasons})
    print("on a stand commissioned from its own shots:")
    for is_healthy, count, what in ((True, healthy, "healthy"), (False, len(faults), "faulty")):
        found = {decision: number for (group, decision), number in decisions.items() if group == is_healthy}
        print(f"  {count} {what} lenses: {found}")
    for cause, number in causes.most_common(12):
        print(f"  healthy, {number} times {cause}")
