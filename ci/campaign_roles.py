"""Rehearsed tickets whose shots are in wrong folders, incomplete, or from another lens."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Final

from campaign_tools import FALSE_RELEASE, LOST, Case, run_apart

from glasswright.commands.main import run_command

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT: Final = Path(__file__).parents[1]
PLAN, CARDS = ROOT / "configs/plans/fixed_focal.yaml", ROOT / "configs/cards"
TARGET, OTHER = "T-0001", "T-0002"
TIME: Final = re.compile(rb"20\d\d:\d\d:\d\d \d\d:\d\d:\d\d")
"""As EXIF writes times."""


def _move(source: str, role: str) -> Callable[[Path], None]:
    """Replace a role's shots by those of another."""

    def apply(folder: Path) -> None:
        for path in (folder / role).iterdir():
            path.unlink()
        for path in sorted((folder / source).iterdir()):
            shutil.copy(path, folder / role / f"moved_{path.name}")

    return apply


def _add(source: str, role: str) -> Callable[[Path], None]:
    """Also put one shot of a role into another role's folder."""
    return lambda folder: shutil.copy(min((folder / source).iterdir()), folder / role / "added.dng") and None


def _each(role: str, change: Callable[[bytearray], object]) -> Callable[[Path], None]:
    def apply(folder: Path) -> None:
        for path in (folder / role).iterdir():
            data = bytearray(path.read_bytes())
            change(data)
            path.write_bytes(data)

    return apply


def _blank(data: bytearray) -> None:
    half = len(data) // 2
    data[half : half + 65536] = bytes(len(data[half : half + 65536]))


def _cut(data: bytearray) -> None:
    del data[len(data) * 3 // 4 :]


def _again(folder: Path) -> None:
    """Replace the second shot of each setting by the first, with its time of capture a second later."""
    shots = sorted((folder / "chart").iterdir())
    for first, second in zip(shots[::2], shots[1::2], strict=True):
        data = bytearray(first.read_bytes())
        for found in TIME.finditer(data):
            data[found.end() - 1] ^= 1
        second.write_bytes(data)


def _others(role: str) -> Callable[[Path], None]:
    """Take another ticket's shots of a role for this one's."""

    def apply(folder: Path) -> None:
        shutil.rmtree(folder / role)
        shutil.copytree(folder.parent / OTHER / role, folder / role)

    return apply


KINDS: Final = (
    ("a chart for the flats", _move("chart", "flat")),
    ("a chart for the panels", _move("chart", "panel")),
    ("flats for the chart", _move("flat", "chart")),
    ("a chart among the flats", _add("chart", "flat")),
    ("a chart among the panels", _add("chart", "panel")),
    ("a flat among the charts", _add("flat", "chart")),
    ("chart shots with a hole", _each("chart", _blank)),
    ("flats with a hole", _each("flat", _blank)),
    ("chart shots cut off", _each("chart", _cut)),
    ("one chart shot as all repeats", _again),
    ("another ticket's chart shots", _others("chart")),
    ("another ticket's flats", _others("flat")),
)
"""None of these may be released: what was measured is not the lens, or not as often as it seems."""


def prepare(scratch: Path, count: int) -> Callable[[Case], None]:
    """Rehearse two sound lenses and check that they are released; return the function that runs one case."""
    del count
    night = scratch / "night"
    arguments = ["rehearse", str(night), "--tickets", "2", "--megapixels", "1", "--shots-per-setting", "2"]
    run_apart(lambda: run_command([*arguments, "--fault", "none", "--seed", "5", "--workers", "1"]))
    sound = Case("roles", -1, 0, scratch)
    code = _measure(sound, night, scratch / "sound.ledger")
    if code != 0 or sound.findings:
        raise AssertionError(f"the sound ticket is not released ({code}): {sound.findings}")

    def spoil(case: Case) -> None:
        case.name, apply = KINDS[case.number % len(KINDS)]
        copy = case.folder / "night"
        shutil.copytree(night, copy)
        # the list of checksums would give each of these away
        (copy / "tickets" / TARGET / "SHA256SUMS").unlink(missing_ok=True)
        apply(copy / "tickets" / TARGET)
        if "another" not in case.name:
            shutil.rmtree(copy / "tickets" / OTHER)
        code = _measure(case, copy, case.folder / "bench.ledger")
        if code == 0:
            case.find(FALSE_RELEASE, f"{case.name}: {TARGET} is released")
        if code not in (0, 10, 11, 12):
            case.find(LOST, f"{case.name}: the gate says {code}")

    return spoil


def _measure(case: Case, night: Path, ledger: Path) -> int:
    """Measure a night and return the gate's exit code of the first ticket."""
    options = ["--stand", str(next((night / "stands").glob("*.yaml"))), "--tickets", str(night / "tickets")]
    case.run("run", str(PLAN), *options, "--ledger", str(ledger), "--cards", str(CARDS), "--serial")
    return case.gate(TARGET, ledger)
