"""Speed of a shot and of a night, mostly as ratios within one run.

ci/bench speed [--quick] [--json FILE]
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import plain_script
import rawpy
import tifffile

from glasswright import CaptureFacts, Setting, Shot
from glasswright.commands.main import run_command
from glasswright.config import load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.ledger import Ledger
from glasswright_camera import (
    combine_flats,
    decode_raw,
    locate_chart,
    measure_distortion,
    measure_fringing,
    measure_mtf50,
    measure_vignetting,
    reduce_flat,
    trace_edges,
)

PLAN = "configs/plans/fixed_focal.yaml"
SHOTS_A_TICKET = 4
FLATS_PLAN = """\
plan: flats
stages:
  decode_flat: {stage: camera.decode_raw, inputs: {shot: role.flat, stand: stand.camera}}
  reduce_flat: {stage: camera.reduce_flat, inputs: {mosaic: decode_flat}}
  combine_flats: {stage: camera.combine_flats, inputs: {shots: reduce_flat, stand: stand.camera}, per: setting}
"""


def rehearse(folder: Path, tickets: int, megapixels: float) -> None:
    code = run_command(
        ["rehearse", str(folder), "--tickets", str(tickets), "--megapixels", str(megapixels), "--seed", "5"]
        + ["--flats-per-setting", "1", "--ramp-shots", "0"]
        + ["--fault", "none"]
    )
    if code:
        raise SystemExit(code)


def shot_of(path: Path) -> Shot:
    return Shot(
        ticket="T-0001",
        role=path.parent.name,
        name=f"{path.parent.name}/{path.name}",
        path=str(path),
        sha256="0" * 64,
        sequence=0,
        facts=CaptureFacts(),
        setting=Setting(focal_length_mm=50.0, f_number=2.0),
    )


def best_of(repeats: int, work) -> float:
    """Return the shortest of several runs, in seconds of a core: the least disturbed by other load."""
    seconds = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        seconds.append(time.process_time() - start)
    return min(seconds)


def unpack(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.raw_image_visible.copy()


def demosaic(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.postprocess()


def one_shot(folder: Path, repeats: int) -> list[dict]:
    """Time one chart shot on one core, from the raw file to all four measurements."""
    stand = load_stand(folder / "stands/north_bench.yaml", load_plugins()).sections["camera"]
    ticket = folder / "tickets/T-0001"
    chart = next(iter(sorted((ticket / "chart").glob("*f2*"))))
    flat_file = next(iter(sorted((ticket / "flat").glob("*f2*"))))
    flat = combine_flats((reduce_flat(decode_raw(shot_of(flat_file), stand=stand)),), stand)
    shot = shot_of(chart)

    def chain() -> None:
        mosaic = decode_raw(shot, stand=stand)
        trace = trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, flat)
        measure_mtf50((trace,), stand)
        measure_fringing((trace,), stand)
        measure_distortion((trace,), stand)
        measure_vignetting(flat, stand)

    chain()  # compiled code is loaded
    ours = best_of(repeats, chain)
    libraw = best_of(max(1, repeats // 2), lambda: demosaic(chart))
    plain = best_of(max(1, repeats // 2), lambda: plain_script.measure(str(chart)))
    unpacked = best_of(repeats, lambda: unpack(chart))
    return [
        row("one chart shot / LibRaw's default demosaic", ours / libraw, "at most 0.35"),
        row("one chart shot / a plain script", ours / plain, "at most 0.15"),
        row("one chart shot, all but LibRaw's unpack, s", ours - unpacked, "at most 0.4"),
        row("one chart shot / LibRaw's unpack", ours / unpacked, ""),
        row("  one chart shot, s", ours, ""),
        row("  LibRaw's unpack, s", unpacked, ""),
        row("  LibRaw's default demosaic, s", libraw, ""),
        row("  the plain script, s", plain, ""),
    ]


def whole_ticket(folder: Path, scratch: Path, repeats: int) -> list[dict]:
    """Time a ticket of nine shots (chart, flat, panel at three f-numbers), from its files to the ledger."""
    seconds = []
    for repeat in range(repeats + 1):
        before = time.process_time()
        clocked_night(
            ["run", PLAN, "--stand", str(folder / "stands/north_bench.yaml"), "--tickets", str(folder / "tickets")]
            + ["--ledger", str(scratch / f"whole{repeat}.ledger"), "--serial"]
        )
        seconds.append(time.process_time() - before)
    shots = sorted((folder / "tickets/T-0001").glob("*/*.dng"))
    unpacked = best_of(repeats, lambda: [unpack(shot) for shot in shots])
    # the first includes the loading of compiled code
    ticket = min(seconds[1:])
    return [
        row("a ticket of nine shots, s of a core", ticket, "at most 2.0"),
        row("a ticket of nine shots / LibRaw's unpack of them", ticket / unpacked, ""),
    ]


MEMORY = """\
import sys
sys.path.insert(0, "ci")
from pathlib import Path
import bench_speed
stand = bench_speed.load_stand(Path(sys.argv[1]), bench_speed.load_plugins()).sections["camera"]
shot = bench_speed.shot_of(Path(sys.argv[2]))
mosaic = bench_speed.decode_raw(shot, stand=stand)
bench_speed.trace_edges(mosaic, bench_speed.locate_chart(mosaic, stand), stand, None, None)
# the high-water mark of this program; getrusage would count what the parent held when it forked
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
print(int(status["VmHWM"].split()[0]) * 1024, mosaic.values.nbytes)
"""


def memory(folder: Path) -> list[dict]:
    """Return the peak memory of a process that measures one chart shot."""
    chart = next(iter(sorted((folder / "tickets/T-0001/chart").glob("*f2*"))))
    out = subprocess.run(
        [sys.executable, "-c", MEMORY, str(folder / "stands/north_bench.yaml"), str(chart)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    peak, mosaic = int(out[0]), int(out[1])
    return [row("(peak memory - 250 MB) / bytes of the mosaic", (peak - 250e6) / mosaic, "at most 4")]


def two_processes(folder: Path, scratch: Path, copies: int) -> list[dict]:
    """Time a night of copies of one chart shot, four per ticket, with one and with two worker processes."""
    chart = next(iter(sorted((folder / "tickets/T-0001/chart").glob("*f2*"))))
    data = chart.read_bytes()
    tickets = scratch / "tickets"
    for number in range(copies):
        ticket = tickets / f"T-{number:04d}"
        (ticket / "chart").mkdir(parents=True)
        text = (folder / "tickets/T-0001/ticket.yaml").read_text().replace("T-0001", ticket.name)
        (ticket / "ticket.yaml").write_text(text)
        for shot in range(SHOTS_A_TICKET):
            (ticket / f"chart/{shot:04d}.dng").write_bytes(data + bytes([number, shot]))  # a file of its own
    seconds: dict[int, list[float]] = {1: [], 2: []}
    # in both orders, because a virtual machine's speed drifts
    for number, workers in enumerate((1, 2, 2, 1)):
        stamps = clocked_night(
            ["run", PLAN, "--stand", str(folder / "stands/north_bench.yaml"), "--tickets", str(tickets)]
            + ["--ledger", str(scratch / f"{number}.ledger"), "--workers", str(workers)]
        )
        # processes start once per night, so the clock starts when the first tickets are done
        early = len(stamps) // 4
        seconds[workers].append((stamps[-1] - stamps[early]) / (len(stamps) - 1 - early) / SHOTS_A_TICKET)
    return [
        row("two processes / one, throughput of a night", sum(seconds[1]) / sum(seconds[2]), "at least 1.75"),
        row("  a chart shot in a night of two processes, s", statistics.mean(seconds[2]), ""),
    ]


def clocked_night(arguments: list[str], clock=time.perf_counter) -> list[float]:
    """Run a night in this process and record when each ticket is committed."""
    stamps = [clock()]
    commit = Ledger.commit_ticket

    def noted(self, *rest):
        commit(self, *rest)
        stamps.append(clock())

    Ledger.commit_ticket = noted
    try:
        with Path(os.devnull).open("w") as nowhere:
            before, sys.stdout = sys.stdout, nowhere
            errors, sys.stderr = sys.stderr, nowhere
            try:
                code = run_command(arguments)
            finally:
                sys.stdout, sys.stderr = before, errors
    finally:
        Ledger.commit_ticket = commit
    if code not in (0, 13):
        raise SystemExit(f"the night ended with {code}")
    return stamps


def tiny_nights(folder: Path, scratch: Path, repeats: int) -> list[dict]:
    """Time nights of tiny frames: the cost of the engine itself, and whether it grows with the ledger."""
    (scratch / "flats.yaml").write_text(FLATS_PLAN)
    growth = []
    tickets = write_tiny_tickets(folder, scratch / "many", tickets=100, shots=1)
    for repeat in range(repeats):
        ledger = scratch / f"many{repeat}.ledger"
        stamps = clocked_night(tiny_run(folder, scratch, tickets, ledger), clock=time.process_time)
        each = [after - before for before, after in pairwise(stamps)]
        growth.append(sum(each[90:100]) / sum(each[10:20]))
    tickets = write_tiny_tickets(folder, scratch / "long", tickets=10, shots=16)
    ledger = scratch / "long.ledger"
    stamps = clocked_night(tiny_run(folder, scratch, tickets, ledger))
    with Ledger.open_for_reading(ledger) as kept:
        # the first ticket includes the loading of compiled code
        late = [state for state in kept.latest_tickets() if state.record.ticket.number != "T-0000"]
        addresses = [outcome.address for state in late for outcome in state.outcomes]
        stages = sum(outcome.seconds for outcome in kept.find(addresses).values())
    outside = (stamps[-1] - stamps[1] - stages) / (9 * 16)
    return [
        row("tickets 91-100 / tickets 11-20 of a night of tiny frames", statistics.median(growth), "at most 1.15"),
        row("engine outside stages, ms a shot", 1000 * outside, "at most 10"),
    ]


def tiny_run(folder: Path, scratch: Path, tickets: Path, ledger: Path) -> list[str]:
    stand = str(folder / "stands/mono.yaml")
    return [
        "run",
        str(scratch / "flats.yaml"),
        "--stand",
        stand,
        "--tickets",
        str(tickets),
        "--ledger",
        str(ledger),
    ] + ["--serial"]


def write_tiny_tickets(folder: Path, target: Path, tickets: int, shots: int) -> Path:
    """Write tickets of tiny monochrome flats, and the stand file of a bench without colour filters."""
    frame = np.random.default_rng(1).normal(30000, 100, (96, 144)).astype(np.uint16)
    stand = (folder / "stands/north_bench.yaml").read_text()
    lines = [line for line in stand.splitlines() if "source_map" not in line]
    mono = "\n".join(lines).replace("pixel_pitch_um:", "monochrome: true\n    pixel_pitch_um:") + "\n"
    (folder / "stands/mono.yaml").write_text(mono)
    text = (folder / "tickets/T-0001/ticket.yaml").read_text()
    for number in range(tickets):
        ticket = target / f"T-{number:04d}"
        (ticket / "flat").mkdir(parents=True)
        settings = 'shots:\n  - {files: "flat/*", focal_length_mm: 50, f_number: 2}\n'
        (ticket / "ticket.yaml").write_text(text.replace("T-0001", ticket.name) + settings)
        for shot in range(shots):
            shifted = np.roll(frame, (number, shot), axis=(0, 1))
            tifffile.imwrite(ticket / f"flat/{shot:04d}.tif", shifted, photometric="minisblack")
    return target


def row(what: str, value: float, target: str) -> dict:
    return {"what": what, "value": round(value, 3), "target": target}


def main() -> None:
    options = argparse.ArgumentParser(prog="ci/bench speed", description=__doc__)
    options.add_argument("--quick", action="store_true", help="6 megapixel frames and few repeats: under a minute")
    options.add_argument("--json", type=Path, metavar="FILE", help="write the table as JSON as well")
    chosen = options.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder, scratch = Path(name) / "night", Path(name) / "scratch"
        scratch.mkdir()
        rehearse(folder, 1, 6 if chosen.quick else 24)
        rows += one_shot(folder, 2 if chosen.quick else 5)
        rows += whole_ticket(folder, scratch, 1 if chosen.quick else 3)
        rows += memory(folder)
        rows += tiny_nights(folder, scratch, 1 if chosen.quick else 3)
        rows += two_processes(folder, scratch, 4 if chosen.quick else 12)
    print(f"\n{'what':62} {'measured':>9}  to reach")
    for line in rows:
        print(f"{line['what']:62} {line['value']:9.3f}  {line['target']}")
    if chosen.json:
        chosen.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
