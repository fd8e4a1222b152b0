"""Lenses gated on a stand whose stand file was commissioned from its own shots alone."""

from __future__ import annotations

import json
import resource
import shutil
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger import Ledger
from glasswright_rehearsal.command import write_stand_of
from glasswright_rehearsal.commissioning.bench import NewBench
from glasswright_rehearsal.commissioning.dust_shots import write_dust_shots
from glasswright_rehearsal.commissioning.ink_shots import write_ink_shots
from glasswright_rehearsal.commissioning.print_shots import write_print_shots
from glasswright_rehearsal.commissioning.source_shots import SourceErrors, write_source_shots
from glasswright_rehearsal.night.night import Night, draw_dust, find_frame
from glasswright_rehearsal.night.stand_files import SOURCE, fit_layout, read_stand
from glasswright_rehearsal.night.tickets import write_ticket
from glasswright_rehearsal.scene.layout import read_layout, write_layout
from glasswright_rehearsal.scene.light import find_source
from glasswright_rehearsal.scene.printing import draw_errors, draw_ink, draw_print

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from glasswright.ledger.verdict import LimitVerdict

    Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parents[1]
CONFIGS = ROOT / "configs"
STAND = "north_bench.yaml"
STEPS = ("source", "print", "ink", "dust")
"""Steps whose errors a rehearsed night has; its sensor, its standing and its focus step are as declared."""
MODEL = "Corvane 50 mm f/2"
F_NUMBER = 4.0
FAULTS = ("barrel_shift", "vignetting_obstruction", "tilted_group", "wrong_spacing", "curved_field", "lateral_colour")
FAULTY_SHARE = 1 / 3
STRENGTHS = (0.05, 1.2)
"""Range of the faults' strength: from below what the limits allow to far beyond."""
INSIDE_U = 2.0
"""A lens counts as good where its true values lie by so many standard uncertainties within every limit, as bad where
one lies by as many beyond."""
SHARPNESS = "measure_mtf50.green"
LIMITS: dict[str, tuple[float | None, float | None]] = {
    f"{SHARPNESS}.centre.mean_cy_per_px": (0.385, None),
    f"{SHARPNESS}.worst_cy_per_px": (0.325, None),
    "measure_vignetting.worst_corner_loss_ev": (None, 0.66),
    "measure_distortion.picture_height_worst_pct": (-0.42, 0.0),
    "measure_fringing.red_green.worst_pct": (None, 0.026),
}
"""Lowest and highest value. They are the shipped card's, but for a wider one of the corners' light."""
PLAN_STEPS = (
    "decode_flat", "reduce_flat", "combine_flats", "measure_vignetting", "decode_panel", "reduce_panel",
    "combine_panels", "decode_chart", "locate_chart", "trace_edges", "measure_mtf50", "measure_fringing",
    "measure_distortion",
)  # fmt: skip
SHOTS = {"shots_per_setting": 2, "flats_per_setting": 2, "ramp_shots": 0}


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSource(SourceErrors):
    """The diffuse source of a rehearsed night."""

    by_angle_ev: tuple[float, float] = (0.0, 0.0)

    def by_place(self, place: Array) -> Array:
        """Return the source at places (..., 2) on it, EV."""
        return np.asarray(np.log2(find_source(SOURCE, place[..., 0], place[..., 1])))


@dataclass(frozen=True, slots=True, kw_only=True)
class Gated:
    """One lens: its true distance from the limits, and the gate's decision."""

    fault: str
    decision: str
    margin_u: Mapping[str, float]
    """Limit -> distance of the true value within it, in standard uncertainties; negative beyond it."""
    error_u: Mapping[str, float]
    """Limit -> measured value less the true one, in standard uncertainties."""
    not_passed: tuple[str, ...]
    """Limits that were not passed, with the verdict."""
    reasons: tuple[str, ...]

    @property
    def group(self) -> str:
        """Return `good`, `bad` or `near`."""
        least = min(self.margin_u.values())
        return "good" if least >= INSIDE_U else "bad" if least < -INSIDE_U else "near"


def run(*words: str | Path, allowed: tuple[int, ...] = (0,)) -> str:
    """Run the program in a separate process, and return its output."""
    program = Path(sys.executable).with_name("glasswright")
    done = subprocess.run([program, *map(str, words)], capture_output=True, text=True, check=False, cwd=ROOT)
    if done.returncode not in allowed:
        sys.exit(f"glasswright {words[0]} ended with {done.returncode}:\n{done.stderr}{done.stdout}")
    return done.stdout


def write_true_stand(folder: Path, seed: int) -> Path:
    """Copy the shipped stand with a chart that was printed with errors; return the stand file's path."""
    for name in ("charts", "stands", "lenses"):
        shutil.copytree(CONFIGS / name, folder / name)
    generator = np.random.default_rng(np.random.SeedSequence([seed, 50_021, 0]))
    layout = read_layout(CONFIGS / "charts" / "lattice_13x9.yaml")
    write_layout(draw_print(layout, draw_errors(generator), generator), folder / "charts" / "lattice_13x9.yaml")
    return folder / "stands" / STAND


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
    for key in ("nodes_mm", "edge_blur_um"):
        printed.pop(key)
    chart.write_text(yaml.safe_dump(printed, sort_keys=False), encoding="utf-8")
    return path


def commission_night(folder: Path, night: Night) -> Path:
    """Shoot and evaluate the commissioning steps of a night's stand; return the stand file."""
    path = forget(night.out, folder)
    facts = read_stand(night.stand)
    frame = find_frame(night.megapixels, facts.pitch_um)
    bench = NewBench(
        out=folder,
        frame=frame,
        layout=read_layout(folder / "charts" / "lattice_13x9.yaml"),
        ramp=facts.ramp,
        ramp_angle_deg=facts.ramp_angle_deg,
        printed=fit_layout(facts.layout, frame),
        seed=night.seed,
    )
    write_source_shots(bench, NightSource())
    write_print_shots(bench)
    write_ink_shots(bench, ink=night.ink, far_shots=0)
    write_dust_shots(bench, body=draw_dust(night.seed, frame))
    for step in STEPS:
        text = run("commission", step, path, folder, "--by", "bench", "--yes")
        for line in text.splitlines():
            if "shoot more" in line or "not sure" in line:
                print(f"  {step}: {line}")
    return path


def plan_night(folder: Path, true: Path, lenses: int, megapixels: float, seed: int) -> Night:
    """Return a night of lenses, of which a share has faults of all strengths."""
    generator = np.random.default_rng([seed, 7])
    faults = tuple(
        f"{FAULTS[k % len(FAULTS)]}:{generator.uniform(*STRENGTHS):.2f}" for k in range(round(FAULTY_SHARE * lenses))
    )
    return Night(
        out=folder, tickets=lenses, megapixels=megapixels, seed=seed, stand=true, model=MODEL, faults=faults,
        f_numbers=(F_NUMBER,), ink=draw_ink(generator), **SHOTS,
    )  # fmt: skip


def write_plan(folder: Path) -> Path:
    """Write the shipped plan with the steps that the limits need."""
    plan = yaml.safe_load((CONFIGS / "plans" / "fixed_focal.yaml").read_text(encoding="utf-8"))
    plan["stages"] = {name: plan["stages"][name] for name in PLAN_STEPS}
    folder.mkdir(parents=True)
    path = folder / "few.yaml"
    path.write_text(yaml.safe_dump(plan | {"plan": "few"}, sort_keys=False), encoding="utf-8")
    return path


def write_card(folder: Path, plan: Path) -> Path:
    """Write a card with the limits; return its folder."""
    limits = [
        {
            "measure": measure,
            **{side: value for side, value in (("min", low), ("max", high)) if value is not None},
            **({"accept": ["single_focus"]} if measure.startswith(SHARPNESS) else {}),
            "at": {"f_number": F_NUMBER},
        }
        for measure, (low, high) in LIMITS.items()
    ]
    card = {
        "card": MODEL, "valid_for": {"stand": "north-bench", "body": "Ostrel D7"}, "confidence": 0.95,
        "rule": "guarded", "limits": limits,
    }  # fmt: skip
    folder.mkdir()
    (folder / "card.yaml").write_text(yaml.safe_dump(card, sort_keys=False), encoding="utf-8")
    run("adopt", plan, MODEL, "--cards", folder, "--by", "bench", "--why", "a bench")
    return folder


def read_truth(truth: Mapping[str, Any], height_px: int) -> dict[str, float]:
    """Return the true value of each limit."""
    (at,) = truth["settings"]
    green = at["zones"]["green"].values()
    bend = at["distortion"]["border_bend_pct"]
    return {
        f"{SHARPNESS}.centre.mean_cy_per_px": at["zones"]["green"]["centre"]["mean_cy_per_px"],
        f"{SHARPNESS}.worst_cy_per_px": min(min(z["sagittal_cy_per_px"], z["tangential_cy_per_px"]) for z in green),
        "measure_vignetting.worst_corner_loss_ev": max(at["vignetting"]["green"].values()),
        "measure_distortion.picture_height_worst_pct": max(bend["top"], bend["bottom"], key=abs),
        "measure_fringing.red_green.worst_pct": 100 * at["lateral_colour"]["red"]["worst_px"] / height_px,
    }


def compare(verdict: LimitVerdict, true: float) -> tuple[float, float]:
    """Return a true value's distance within its limit and the measurement's error, in standard uncertainties."""
    u = verdict.u or float("nan")
    low, high = LIMITS[verdict.measure]
    inside = min(true - low if low is not None else np.inf, high - true if high is not None else np.inf)
    return inside / u, ((verdict.value if verdict.value is not None else np.nan) - true) / u


def used_seconds() -> float:
    """Return the processor time of this process and all processes that it started and that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def gate_lenses(folder: Path, lenses: int, megapixels: float, seed: int, workers: int) -> Iterator[Gated]:
    """Rehearse, measure and gate lenses on a stand with errors; print the time of each part."""
    start = time.perf_counter()
    night = plan_night(folder / "night", write_true_stand(folder / "true", seed), lenses, megapixels, seed)
    write_stand_of(night.out, night.stand, night)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        numbers = list(pool.map(partial(write_ticket, night), range(lenses)))
    rendered = time.perf_counter()
    stand = commission_night(folder / "bench", night)
    commissioned = time.perf_counter()
    plan = write_plan(folder / "plans")
    cards, ledger = write_card(folder / "cards", plan), folder / "bench.ledger"
    words = ["--tickets", night.out / "tickets", "--stand", stand, "--cards", cards, "--ledger", ledger]
    run("run", plan, *words, "--workers", str(workers), allowed=(0, 13))
    shots = sum(1 for _ in (night.out / "tickets").rglob("*.dng"))
    print(
        f"{shots} shots of {megapixels:g} MP: rendered in {(rendered - start) / lenses:.1f} s a lens, commissioned in "
        f"{commissioned - rendered:.0f} s, measured in {(time.perf_counter() - commissioned) / lenses:.1f} s a lens; "
        f"{used_seconds():.0f} s of processors in all"
    )
    height = find_frame(megapixels, 6.0).height_px
    faults = ("none",) * (lenses - len(night.faults)) + night.faults
    with Ledger.open_for_reading(ledger) as opened:
        for number, fault in zip(numbers, faults, strict=True):
            gated = Gatekeeper(opened).gate(number, measures=None)
            if gated is None:
                sys.exit(f"{number} was not judged")
            truth = read_truth(json.loads((night.out / "truth" / f"{number}.json").read_text("utf-8")), height)
            pairs = {each.measure: compare(each, truth[each.measure]) for each in gated.verdicts}
            yield Gated(
                fault=fault,
                decision=str(gated.decision.kind),
                margin_u={measure: margin for measure, (margin, _) in pairs.items()},
                error_u={measure: error for measure, (_, error) in pairs.items()},
                not_passed=tuple(
                    f"{each.verdict}, {each.measure}" for each in gated.verdicts if each.verdict != "PASS"
                ),
                reasons=tuple(gated.decision.reasons),
            )


def print_night(lenses: int, megapixels: float, seed: int, workers: int, folder: Path) -> dict[str, Any]:
    """Print and return how lenses were decided: those well within all limits, those well beyond one, and the others."""
    found = list(gate_lenses(folder, lenses, megapixels, seed, workers))
    rows: dict[str, Any] = {}
    print(f"on a stand commissioned from its own shots, by the lenses' true values ({INSIDE_U:g} u):")
    for group, text in (("good", "within every limit"), ("near", "near a limit"), ("bad", "beyond a limit")):
        own = [each for each in found if each.group == group]
        decisions = Counter(each.decision for each in own)
        causes = Counter(cause for each in own for cause in each.not_passed)
        others = Counter(
            reason for each in own if not each.not_passed for reason in each.reasons if each.decision != "RELEASE"
        )
        released = decisions["RELEASE"]
        rows[group] = {"lenses": len(own), "decisions": dict(decisions), "causes": dict(causes), "others": dict(others)}
        share = f", {released / len(own):.0%} released" if own else ""
        print(f"  {len(own)} lenses {text}: {dict(decisions)}{share}")
        if group != "bad":
            for cause, number in [*causes.most_common(), *others.most_common()]:
                print(f"    {number} times {cause}")
    print("  measured less true value over u, of all lenses: mean, rms, share within 2")
    for measure in LIMITS:
        errors = np.array([each.error_u[measure] for each in found if np.isfinite(each.error_u[measure])])
        within = float(np.mean(np.abs(errors) <= INSIDE_U)) if len(errors) else float("nan")
        rows[measure] = {"lenses": len(errors), "mean": float(errors.mean()), "within_2u": within}
        print(f"    {measure}: {errors.mean():+.2f}, {np.sqrt(np.mean(errors**2)):.2f}, {within:.2f} ({len(errors)})")
    return rows
