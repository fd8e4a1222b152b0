"""How soon a followed folder gives its decision: rehearsed 24 megapixel tickets copied shot by shot, as from a stand.

The first ticket warms the workers; of the second one shot is clipped. Both are printed: the time from a shot's arrival
until it is said to be repeated, and that from the last file until the decision.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

from glasswright.commands.main import run_command

AIMS = {"shot to be repeated, s": 5.0, "decision after the last file, s": 30.0}


def main() -> None:
    """Rehearse, follow, copy, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--between", type=float, default=6.0, help="seconds between two shots at the stand")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        night, drop = Path(made) / "night", Path(made) / "drop"
        drop.mkdir()
        words = ["--tickets", "2", "--megapixels", f"{asked.megapixels:g}", "--flats-per-setting", "1", "--seed", "4"]
        faults = ["--fault", "none", "--fault", "clipped", "--ramp-shots", "0"]
        stops = [word for stop in (2, 4, 8) for word in ("--f-number", str(stop))]
        if run_command(["rehearse", str(night), *words, *faults, *stops]):
            raise SystemExit("the rehearsal failed")
        with Follower(night, drop) as follower:
            follower.wait_for("following")
            copy(night / "tickets/T-0001", drop, between=0.1)
            warm, _ = follower.wait_for("T-0001: ", "after its last file")
            print(f"first ticket, with compiling: {warm}", flush=True)
            arrived, last, count = copy(night / "tickets/T-0002", drop, between=asked.between)
            begun = follower.cpu_seconds()
            _, decided = follower.wait_for("T-0002: ", "after its last file")
            spent = follower.cpu_seconds() - begun
            told = [(line, at) for line, at in follower.lines if line[9:].startswith("T-0002 chart/")]
        print(f"{count} shots of {asked.megapixels:g} megapixels, {asked.between:g} s apart")
        for line, at in told:
            name = line[9:].split(": ")[0].removeprefix("T-0002 ")
            print_row("shot to be repeated, s", at - arrived[name], line[9:])
        print_row("decision after the last file, s", decided - last, f"{spent:.1f} s of processor time in all")


def print_row(what: str, seconds: float, note: str) -> None:
    """Print a figure beside its aim."""
    print(f"{what:34} {seconds:6.1f}   aim {AIMS[what]:g}   {note}", flush=True)


def copy(ticket: Path, drop: Path, between: float) -> tuple[dict[str, float], float, int]:
    """Copy a ticket as it is shot: its file first, SHA256SUMS last; return when each shot and the last file came."""
    target = drop / ticket.name
    target.mkdir()
    shutil.copy(ticket / "ticket.yaml", target)
    arrived = {}
    shots = sorted(path for path in ticket.glob("*/*") if path.is_file())
    for path in shots:
        (target / path.parent.name).mkdir(exist_ok=True)
        shutil.copy(path, target / path.parent.name)
        arrived[f"{path.parent.name}/{path.name}"] = time.monotonic()
        time.sleep(between)
    shutil.copy(ticket / "SHA256SUMS", target)
    return arrived, time.monotonic(), len(shots)


class Follower:
    """A follower in a process of its own; its lines with the time at which each came."""

    def __init__(self, night: Path, drop: Path) -> None:
        """Start it."""
        files = ["--stand", night / "stands/north_bench.yaml", "--cards", night / "cards", "--tickets", drop]
        command = [night / "plans/fixed_focal.yaml", *files, "--ledger", night / "bench.ledger", "--follow"]
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-m", "glasswright", "run", *map(str, command)], stdout=subprocess.PIPE, text=True
        )
        self.lines: list[tuple[str, float]] = []
        self.reader = threading.Thread(target=self.read)
        self.reader.start()

    def read(self) -> None:
        """Take its lines."""
        for line in self.process.stdout or ():
            self.lines.append((line.rstrip("\n"), time.monotonic()))

    def wait_for(self, *parts: str) -> tuple[str, float]:
        """Wait for a line that holds all parts."""
        while self.process.poll() is None:
            for line, at in self.lines:
                if all(part in line for part in parts):
                    return line, at
            time.sleep(0.05)
        raise SystemExit(f"it ended: {self.lines}")

    def cpu_seconds(self) -> float:
        """Return the processor time that it and its workers have taken: what the wait is made of on an idle machine."""
        parent = psutil.Process(self.process.pid)
        times = [each.cpu_times() for each in (parent, *parent.children(recursive=True))]
        return sum(each.user + each.system for each in times)

    def __enter__(self) -> "Follower":
        """Return it."""
        return self

    def __exit__(self, *error: object) -> None:
        """End it."""
        self.process.terminate()
        self.process.wait()
        self.reader.join()


if __name__ == "__main__":
    main()
