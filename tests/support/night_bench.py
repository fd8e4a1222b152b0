"""A toy bench for tests of the engine: tickets of text files, a plan, a stand, a ledger."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from glasswright.commands.main import run_command
from glasswright.ledger import Ledger

TOY_SOURCE = Path(__file__).parent / "night_toy"
PROGRAM = "import sys; from glasswright.commands.main import main; main()"

STAND = """\
stand: toy-bench
bodies: [Ostrel D7]
reproducibility:
  combine_chart.mean_dn: {u: 0.5, freedom: 1000, with_repeats: true, origin: "declared for the tests"}
toy: {offset_dn: 1}
"""

PLAN = """\
plan: toy
settings:
  focal_length_mm: [50]
  f_number: [2, 4]
stages:
  read_flat: {stage: toy.read_numbers, inputs: {shot: role.flat}}
  average_flat: {stage: toy.average, inputs: {numbers: read_flat, stand: stand.toy}}
  combine_flat: {stage: toy.combine, inputs: {means: average_flat}, per: setting}
  read_chart: {stage: toy.read_numbers, inputs: {shot: role.chart}}
  average_chart: {stage: toy.average, inputs: {numbers: read_chart, stand: stand.toy, even: combine_flat}}
  combine_chart: {stage: toy.combine, inputs: {means: average_chart}, per: setting, at_least: 2}
  combine_ticket: {stage: toy.combine_all, inputs: {combined: combine_chart}, per: ticket}
"""

CARD = """\
card: "Corvane 50 mm f/2"
valid_for: {stand: toy-bench, body: Ostrel D7}
rule: simple
limits:
  - {measure: combine_chart.mean_dn, min: 0.1, max: 100, at: {f_number: 2}, accept: [unverified_copy]}
"""

STEPS = """\
  read_flat: {stage: toy.read_numbers, inputs: {shot: role.flat}, settings: {scale_ratio: 1.0}}
  average_flat:
    {stage: toy.average, inputs: {numbers: read_flat, stand: stand.toy}, settings: {shift_dn: 0.0}}
  combine_flat: {stage: toy.combine, inputs: {means: average_flat}, settings: {weight_ratio: 1.0}, per: setting}
  read_chart: {stage: toy.read_numbers, inputs: {shot: role.chart}, settings: {scale_ratio: 1.0}}
  average_chart:
    stage: toy.average
    inputs: {numbers: read_chart, stand: stand.toy, even: combine_flat}
    settings: {shift_dn: 0.0}
  combine_chart:
    {stage: toy.combine, inputs: {means: average_chart}, settings: {weight_ratio: 1.0}, per: setting, at_least: 2}
  combine_ticket: {stage: toy.combine_all, inputs: {combined: combine_chart}, per: ticket}
"""
"""Steps of `PLAN`, with all their settings."""

ADOPTED = f"""\
plan:
  name: toy
  by: K. Moreau
  at: "2026-03-01"
  why: the first plan
  settings: {{focal_length_mm: [50], f_number: [2, 4]}}
  stages:
{textwrap.indent(STEPS, "  ")}"""
"""End of a card for `PLAN`."""

CARD += ADOPTED

TICKET = """\
ticket: {number}
lens: {{model: "{model}", serial: "C50-{number}"}}
phase: release
body: {{model: Ostrel D7}}
shots:
  - {{files: "*/f2_*", focal_length_mm: 50, f_number: 2}}
  - {{files: "*/f4_*", focal_length_mm: 50, f_number: 4}}
"""


def shots_of(number: int, repeats: int = 2) -> dict[str, str]:
    """Return the shots of a healthy ticket: name -> content; no two files are the same."""
    return {
        f"{role}/f{stop}_{repeat}.txt": f"{base + number}.{stop}{repeat} {base + 2}"
        for role, base in (("flat", 10), ("chart", 20))
        for stop in (2, 4)
        for repeat in range(repeats)
    }


@dataclass
class Bench:
    """Files of a night in a separate folder."""

    folder: Path

    def __post_init__(self) -> None:
        (self.folder / "night").mkdir(parents=True, exist_ok=True)
        (self.folder / "cards").mkdir(exist_ok=True)
        self.write("plan.yaml", PLAN)
        self.write("stand.yaml", STAND)
        self.write("cards/corvane.yaml", CARD)

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    def add_ticket(self, number: int, shots: dict[str, str] | None = None, model: str = "Corvane 50 mm f/2") -> Path:
        folder = self.folder / "night" / f"T-{number:04d}"
        self.write(f"night/{folder.name}/ticket.yaml", TICKET.format(number=folder.name, model=model))
        for name, text in (shots_of(number) if shots is None else shots).items():
            self.write(f"night/{folder.name}/{name}", text)
        return folder

    def arguments(self, *more: str, ledger: str = "bench.ledger", url: str = "") -> list[str]:
        """Return a command line; the tickets are read at the URL if there is one."""
        files = {"--stand": "stand.yaml", "--ledger": ledger}
        options = [str(part) for name, file in files.items() for part in (name, self.folder / file)]
        tickets = url or str(self.folder / "night")
        return ["run", str(self.folder / "plan.yaml"), *options, "--tickets", tickets, *more]

    def run(self, capsys: Any, *more: str, ledger: str = "bench.ledger", url: str = "") -> tuple[int, dict[str, Any]]:
        """Run a night in this process; return its exit code and summary."""
        capsys.readouterr()
        code = run_command(self.arguments("--json", *more, ledger=ledger, url=url))
        captured = capsys.readouterr()
        assert captured.out.startswith("{"), captured.err
        return code, json.loads(captured.out)

    def start(
        self, *more: str, ledger: str = "bench.ledger", grace_s: float = 0, **options: Any
    ) -> subprocess.Popen[str]:
        """Start a night in a separate process, with another time for running units to end if it is given."""
        shorter = f"import glasswright.run.workers.stopping as s; s.GRACE_S = {grace_s}; " if grace_s else ""
        command = [sys.executable, "-c", shorter + PROGRAM, *self.arguments(*more, ledger=ledger)]
        return subprocess.Popen(command, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options)

    @contextmanager
    def ledger(self, name: str = "bench.ledger"):
        with Ledger.open_for_reading(self.folder / name) as opened:
            yield opened

    def content(self, name: str = "bench.ledger") -> str:
        with self.ledger(name) as opened:
            return opened.content_digest()

    def outcomes(self, name: str = "bench.ledger") -> dict[tuple[str, str], tuple[str, str]]:
        """Return the ledger's outcomes: (step, item) -> (status, reason)."""
        with self.ledger(name) as opened:
            return {
                (each.step, f"{state.record.ticket.number} {each.shot or each.setting or ''}".strip()): (
                    str(each.status),
                    each.reason,
                )
                for state in opened.latest_tickets()
                for each in state.outcomes
            }
