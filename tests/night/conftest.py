"""Rehearsed nights, run once for all tests that use them."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from glasswright.commands.main import run_command
from support import ROOT


def run_night(folder: Path, *rehearsal: str, plan: str = "fixed_focal", serial: bool = False) -> Path:
    """Rehearse a night into a folder, run and judge it, and return its ledger. Serial, which is faster for a small
    one."""
    assert (
        run_command(["rehearse", str(folder), "--stand", str(ROOT / "configs/stands/north_bench.yaml"), *rehearsal])
        == 0
    )
    ledger = folder / "bench.ledger"
    code = run_command(
        ["run", str(ROOT / f"configs/plans/{plan}.yaml"), "--stand", str(folder / "stands/north_bench.yaml")]
        + ["--tickets", str(folder / "tickets"), "--cards", str(ROOT / "configs/cards"), "--ledger", str(ledger)]
        + ["--serial"] * serial
    )
    assert code in (0, 13)
    return ledger


def gate(ledger: Path, number: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    """Ask the gate about a ticket: exit code and reasons."""
    capsys.readouterr()
    code = run_command(["gate", number, "--ledger", str(ledger), "--json"])
    return code, json.loads(capsys.readouterr().out)["reasons"]


@pytest.fixture(scope="session")
def scored_nights(tmp_path_factory):
    """Lenses, healthy or with a fault each, diagnosed by the bench: folder of nights, table."""
    folder = tmp_path_factory.mktemp("scored")
    out = folder / "table.json"
    command = [sys.executable, "ci/bench_faults.py", "--quick", "--keep", str(folder), "--json", str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "false alarms, upper end of the 95 % interval" in done.stdout
    return folder, json.loads(out.read_text(encoding="utf-8"))["table"]


@pytest.fixture(scope="session")
def faulty_night(scored_nights):
    """Lenses with a fault each, judged: folder, ledger. The card asks for more shots."""
    return judge_night(scored_nights[0] / "few")


@pytest.fixture(scope="session")
def whole_night(scored_nights):
    """Healthy lenses and one whose autofocus stops beside the subject, with all shots that the card requires, judged:
    folder, ledger."""
    return judge_night(scored_nights[0] / "few_whole")


def judge_night(folder: Path) -> tuple[Path, Path]:
    """Judge a night, one of whose lenses is to be held at least; return its folder and ledger."""
    ledger = folder / "bench.ledger"
    words = ["judge", "--ledger", str(ledger), "--stand", str(folder / "stands/north_bench.yaml")]
    assert run_command([*words, "--cards", str(ROOT / "configs/cards")]) == 10
    return folder, ledger


@pytest.fixture(scope="session")
def full_size_night(tmp_path_factory):
    """One healthy lens in 24 megapixel frames, wide open: folder, ledger."""
    folder = tmp_path_factory.mktemp("full") / "night"
    rehearsal = ("--tickets", "1", "--megapixels", "24", "--seed", "8", "--fault", "none", "--f-number", "2")
    return folder, run_night(folder, *rehearsal)


FAULTS = {
    "tilted_group": "measure_centring",
    "decentred_element": "measure_mtf50",
    "wrong_spacing": "measure_mtf50",
    "curved_field": "measure_centring",
    "haze": "measure_glare",
    "lateral_colour": "measure_fringing",
    "barrel_shift": "measure_distortion",
    "vignetting_obstruction": "measure_vignetting",
}
"""Fault -> the stage that must not pass it."""
