"""A night on a cluster in networks of its own, with an S3-compatible store and failures, against an undisturbed one.

ci/bench fleet [--tickets N] [--quick] [--json FILE]

Needs `pip install glasswright[fleet]`. As root the store, each worker, and scheduler with driver have network
namespaces of their own, and one worker's link is slow; otherwise all use the local address. Worker processes are killed
at random moments, and one shot kills the worker that measures it.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from support.clusters import Cluster, children_of, end, wait_for
from support.night_bench import PROGRAM, TOY_SOURCE, Bench, shots_of

SECRETS = {"AWS_ACCESS_KEY_ID": "bench-key", "AWS_SECRET_ACCESS_KEY": "bench-secret", "AWS_DEFAULT_REGION": "us-east-1"}
SLOW_MBIT = 20
LARGE_BYTES = 2_000_000
"""Size of one shot a ticket in ten, so that a slow link counts."""
BETWEEN_KILLS_S = (4.0, 12.0)


class Networks:
    """Network namespaces on one bridge: addresses 10.77.0.1 (scheduler and driver), 10.77.0.2, ..."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack, self._mark, self._count = stack, f"gw{os.getpid()}", 0
        self.separate = os.geteuid() == 0 and _succeeds("ip", "netns", "add", f"{self._mark}n1")
        if self.separate:
            stack.callback(_succeeds, "ip", "netns", "del", f"{self._mark}n1")
            self._in_hub("ip", "link", "add", "bridge", "type", "bridge")
            self._in_hub("ip", "addr", "add", "10.77.0.1/24", "dev", "bridge")
            for device in ("bridge", "lo"):
                self._in_hub("ip", "link", "set", device, "up")
        self._count = 1

    @property
    def hub(self) -> list[str]:
        """Words before a command that runs beside the scheduler."""
        return ["ip", "netns", "exec", f"{self._mark}n1"] if self.separate else []

    def add(self, mbit: int = 0) -> tuple[str, list[str]]:
        """Return the address of a new machine, and the words before a command that runs there."""
        if not self.separate:
            return "127.0.0.1", []
        self._count += 1
        name, link = f"{self._mark}n{self._count}", f"link{self._count}"
        address = f"10.77.0.{self._count}"
        subprocess.run(["ip", "netns", "add", name], check=True)
        self._stack.callback(_succeeds, "ip", "netns", "del", name)
        inside = ["ip", "netns", "exec", name]
        self._in_hub("ip", "link", "add", link, "type", "veth", "peer", "name", "eth0", "netns", name)
        self._in_hub("ip", "link", "set", link, "master", "bridge", "up")
        for words in (["addr", "add", f"{address}/24", "dev", "eth0"], ["link", "set", "eth0", "up"]):
            subprocess.run([*inside, "ip", *words], check=True)
        subprocess.run([*inside, "ip", "link", "set", "lo", "up"], check=True)
        if mbit:
            rate = ["rate", f"{mbit}mbit", "burst", "32kbit", "latency", "400ms"]
            self._in_hub("tc", "qdisc", "add", "dev", link, "root", "tbf", *rate)
        return address, inside

    def _in_hub(self, *words: str) -> None:
        subprocess.run([*self.hub, *words], check=True)


def _succeeds(*words: str) -> bool:
    return subprocess.run(words, check=False, stderr=subprocess.DEVNULL).returncode == 0


def start_store(folder: Path, address: str, prefix: list[str], stack: ExitStack) -> tuple[str, Path]:
    """Start a store; return its URL and the file with its requests."""
    log = folder / "store.log"
    port = 5000 + os.getpid() % 1000
    with log.open("w") as said:
        command = [*prefix, sys.executable, "-m", "moto.server", "-H", address, "-p", str(port)]
        store = subprocess.Popen(command, stdout=said, stderr=said, start_new_session=True)
    stack.callback(end, store)
    wait_for(lambda: "Running on" in log.read_text() or store.poll() is not None)
    if store.poll() is not None:
        raise SystemExit(f"the store does not start; pip install glasswright[fleet]\n{log.read_text()}")
    return f"http://{address}:{port}", log


UPLOAD = """\
import sys
import s3fs
files = s3fs.S3FileSystem()
files.mkdir("shots")
files.put(sys.argv[1], "shots/tonight", recursive=True)
"""


def write_tickets(bench: Bench, count: int) -> None:
    """Write healthy tickets; one shot kills its worker, and a tenth of the tickets has a large one."""
    for number in range(1, count + 1):
        shots = shots_of(number)
        if number % 10 == 3:
            shots["flat/f4_0.txt"] += " " * LARGE_BYTES
        bench.add_ticket(number, shots)
    bench.write("night/T-0002/chart/f2_0.txt", "die_in_worker 22.2 23")


class Killer(threading.Thread):
    """Kills worker processes, each time a random one, until it is stopped."""

    def __init__(self, cluster: Cluster, seed: int) -> None:
        super().__init__(daemon=True)
        self.kills, self.stopped = 0, threading.Event()
        self._cluster, self._random = cluster, random.Random(seed)

    def run(self) -> None:
        while not self.stopped.wait(self._random.uniform(*BETWEEN_KILLS_S)):
            running = children_of(self._random.choice(self._cluster.workers).pid)
            if running:
                os.kill(running[0], signal.SIGKILL)
                self.kills += 1


def run_night(bench: Bench, prefix: list[str], *options: str, ledger: str, url: str = "") -> tuple[float, float]:
    """Run a night in a process; return its duration and the processor time of the driver, in seconds."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [*prefix, sys.executable, "-c", PROGRAM, *bench.arguments(*options, ledger=ledger, url=url)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 13):
        raise SystemExit(f"the night ended with {done.returncode}\n{done.stderr[-2000:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.perf_counter() - start, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def count_requests(log: Path, driver: str) -> tuple[int, int]:
    """Return how many raw files the store sent, and how many of them to the driver."""
    sent = re.findall(r'^(\S+) .*"[^"]*GET /shots/tonight/\S+\.txt\S* HTTP', log.read_text(), re.MULTILINE)
    return len(sent), sent.count(driver)


def main() -> None:
    options = argparse.ArgumentParser(prog="ci/bench fleet", description=__doc__)
    options.add_argument("--tickets", type=int, default=200)
    options.add_argument("--seed", type=int, default=1, help="of the moments at which workers are killed")
    options.add_argument("--quick", action="store_true", help="20 tickets")
    options.add_argument("--json", type=Path, metavar="FILE", help="write the results as JSON as well")
    chosen = options.parse_args()
    tickets = 20 if chosen.quick else chosen.tickets
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no process is left
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        scratch = Path(name)
        install = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
        pip = [sys.executable, "-m", "pip", "install", *install, "--target", str(scratch / "site"), TOY_SOURCE]
        subprocess.run(pip, check=True)
        os.environ["PYTHONPATH"] = f"{scratch / 'site'}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"
        bench = Bench(scratch / "bench")
        write_tickets(bench, tickets)
        _, alone_s = run_night(bench, [], "--serial", ledger="undisturbed.ledger")

        networks = Networks(stack)
        store, log = start_store(scratch, *networks.add(), stack)
        os.environ.update(SECRETS, AWS_ENDPOINT_URL=store)
        subprocess.run([*networks.hub, sys.executable, "-c", UPLOAD, str(bench.folder / "night") + "/"], check=True)
        host = "10.77.0.1" if networks.separate else "127.0.0.1"
        cluster = Cluster(scratch / "cluster", stack, host, networks.hub)
        for mbit in (0, SLOW_MBIT):
            cluster.add_worker(prefix=networks.add(mbit)[1])
        killer = Killer(cluster, chosen.seed)
        killer.start()
        where = ["--cluster", cluster.address]
        seconds, driver_s = run_night(bench, networks.hub, *where, ledger="fleet.ledger", url="s3://shots/tonight")
        killer.stopped.set()
        killer.join()
        sent, to_driver = count_requests(log, host)
        same = bench.content("fleet.ledger") == bench.content("undisturbed.ledger")
        leaked = find_secrets(bench.folder)
        lost = sorted({reason for status, reason in bench.outcomes("fleet.ledger").values() if status != "done"})
    result = {
        "tickets": tickets,
        "network namespaces": networks.separate,
        "worker processes killed": killer.kills,
        "seconds": round(seconds, 1),
        "driver, ms of a core a ticket": round(1000 * driver_s / tickets, 1),
        "serial night on a disk, ms of a core a ticket": round(1000 * alone_s / tickets, 1),
        "raw files sent by the store": sent,
        "raw files sent to the driver": to_driver if networks.separate else "not told apart",
        "same ledger as the undisturbed night": same,
        "files with a credential in them": leaked,
        "reasons of failed steps": lost[:3],
    }
    for what, value in result.items():
        print(f"{what:50} {value}")
    if chosen.json:
        chosen.json.write_text(json.dumps(result, indent=1) + "\n")
    if not same or leaked or (networks.separate and to_driver):
        raise SystemExit(1)


def find_secrets(folder: Path) -> list[str]:
    """Return the files of a folder that contain a credential."""
    secrets = [SECRETS[name].encode() for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")]
    files = [path for path in folder.rglob("*") if path.is_file()]
    return [path.name for path in files if any(secret in path.read_bytes() for secret in secrets)]


if __name__ == "__main__":
    main()
