"""A night on a scheduler and workers that somebody else started: the same ledger, the same refusals, never a hang."""

import importlib
import os
import shutil
import signal
import threading
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import SimpleNamespace

import pytest

from glasswright.commands.main import run_command
from glasswright.config.schema.files import DataFile, find_data_files
from glasswright.run.workers.dask_runner import MOST_TRIES, WITHOUT_WORKERS_S, DaskRunner, Sent, WorkersError
from glasswright.run.workers.limits import Limits
from glasswright.run.workers.program import describe_program, make_question
from glasswright.run.workers.work import IndexUnit
from support.clusters import Cluster, children_of, end, wait_for
from support.night_bench import shots_of


@pytest.fixture
def cluster(tmp_path, bench):
    del bench  # the toy plugin is on the path before workers start
    with ExitStack() as stack:
        yield Cluster(tmp_path / "cluster", stack)


@contextmanager
def other_toy(tmp_path, toy_site):
    """The toy plugin as another version has it: every number is half as large again."""
    other = tmp_path / "other_site"
    shutil.copytree(toy_site, other)
    source = other / "glasswright_toy/__init__.py"
    source.write_text(source.read_text().replace("values.mean()) +", "values.mean()) * 1.5 +"))
    yield str(other)


def test_a_night_on_a_cluster_gives_the_ledger_of_a_serial_one_though_its_workers_die(
    bench, capsys, cluster, monkeypatch
):
    """The shots are at a URL, which the workers read alone; one disk is slow, and one shot kills its worker."""
    for number in range(1, 6):
        bench.add_ticket(number, {name: f"slow 0.02 {text}" for name, text in shots_of(number).items()})
    bench.write("night/T-0002/chart/f2_0.txt", "die_in_worker 22.2 23")
    bench.write("night/T-0003/chart/f2_slowdisk.txt", "23.3 24")
    bench.run(capsys, "--serial", ledger="undisturbed.ledger")
    read_here = read_at_a_url(bench, monkeypatch)
    for _ in range(2):
        cluster.add_worker()

    killed = []

    def kill_some():
        for _ in range(2):
            time.sleep(1)
            for pid in children_of(cluster.workers[0].pid)[:1]:
                os.kill(pid, signal.SIGKILL)
                killed.append(pid)

    killer = threading.Thread(target=kill_some)
    killer.start()
    code, summary = bench.run(capsys, "--cluster", cluster.address, url="shelf://night")
    killer.join()
    assert (code, summary["measured"]) == (0, 5 * 21 + 2)
    assert killed
    assert bench.content() == bench.content("undisturbed.ledger")
    assert {path.rpartition("/")[2] for path in read_here} == {"ticket.yaml"}


def read_at_a_url(bench, monkeypatch):
    """Serve the bench's folder at `shelf://`; return a list that receives the files that this process reads."""
    monkeypatch.setenv("TOY_SHELF", str(bench.folder))
    shelf = importlib.import_module("glasswright_toy").Shelf
    get, read = shelf.get_file, []

    def get_and_note(self, path, target, **options):
        read.append(path)
        return get(self, path, target, **options)

    monkeypatch.setattr(shelf, "get_file", get_and_note)
    return read


def test_a_shot_that_kills_or_hangs_costs_one_worker_each_and_is_named(bench, capsys, cluster):
    bench.add_ticket(1)
    bench.add_ticket(2, {**shots_of(2), "chart/f2_0.txt": "die", "chart/f4_1.txt": "hang"})
    for _ in range(3):
        cluster.add_worker(nanny=False)
    code, summary = bench.run(capsys, "--cluster", cluster.address, "--time-limit", "3")
    assert code == 13
    crashed = {
        each["item"]: each["reason"]
        for ticket in summary["tickets"]
        for each in ticket["refusals"]
        if each["status"] == "crashed"
    }
    assert crashed == {
        "T-0002 50 mm f/2 chart/f2_0.txt": "killed by signal 9 (SIGKILL)",
        "T-0002 50 mm f/4 chart/f4_1.txt": "stopped because it was not done after 3 s",
    }
    # the two may have been sent to one worker
    assert 1 <= sum(worker.poll() is not None for worker in cluster.workers) <= 2


def test_workers_with_another_plugin_or_none_are_given_nothing(bench, capsys, cluster, tmp_path, toy_site):
    bench.add_ticket(1)
    with other_toy(tmp_path, toy_site) as other:
        cluster.add_worker("--name", "other", nanny=False, PYTHONPATH=other)
        cluster.add_worker("--name", "none", nanny=False, PYTHONPATH="")
        cluster.add_worker("--name", "many", "--nthreads", "2", nanny=False)
        wait_for_workers(cluster, 3)
        assert run_command(bench.arguments("--cluster", cluster.address)) == 1
        printed = capsys.readouterr().err
        assert "no worker runs what this night does" in printed
        assert "has other sources for glasswright_toy" in printed
        assert "has no glasswright_toy" in printed
        assert "has 2 threads: start it with --nthreads 1" in printed
        # one that fits joins them, and does it all
        cluster.add_worker(nanny=False)
        wait_for_workers(cluster, 4)
        code, summary = bench.run(capsys, "--cluster", cluster.address)
    assert (code, summary["measured"]) == (0, 21)
    bench.run(capsys, "--serial", ledger="serial.ledger")
    assert bench.content() == bench.content("serial.ledger")


def wait_for_workers(cluster, count):
    from distributed import Client

    with Client(cluster.address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)


def test_all_workers_lost_and_no_scheduler_end_the_night_with_the_reason(bench, capsys, cluster, monkeypatch):
    monkeypatch.setattr("glasswright.run.workers.dask_runner.WITHOUT_WORKERS_S", 3.0)
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "die"})
    cluster.add_worker(nanny=False)
    assert run_command(bench.arguments("--cluster", cluster.address)) == 1
    printed = capsys.readouterr().err
    assert "no worker is left, and none came within 3 s" in printed
    assert "start workers and run again; nothing kept is lost" in printed
    end(cluster.scheduler)
    assert run_command(bench.arguments("--cluster", cluster.address)) == 1
    assert "cannot be reached" in capsys.readouterr().err


def test_a_scheduler_that_comes_back_goes_on_where_it_was(bench, capsys, cluster):
    for number in range(1, 7):
        bench.add_ticket(number, {name: f"slow 0.05 {text}" for name, text in shots_of(number).items()})
    bench.run(capsys, "--serial", ledger="undisturbed.ledger")
    cluster.add_worker(nanny=False)

    def restart():
        time.sleep(2)
        end(cluster.scheduler)
        cluster.start_scheduler()
        cluster.add_worker(nanny=False)

    restarter = threading.Thread(target=restart)
    restarter.start()
    code, _ = bench.run(capsys, "--cluster", cluster.address)
    restarter.join()
    assert code == 0
    assert bench.content() == bench.content("undisturbed.ledger")


def test_a_stop_ends_a_night_on_a_cluster(bench, cluster, monkeypatch):
    bench.add_ticket(1, {**shots_of(1), "flat/f2_0.txt": "hang"})
    monkeypatch.setenv("TOY_LOG", str(bench.folder / "log"))
    cluster.add_worker(nanny=False)
    night = bench.start("--cluster", cluster.address, grace_s=1)
    wait_for((bench.folder / "log").exists)
    night.send_signal(signal.SIGTERM)
    night.communicate(timeout=40)
    assert night.returncode == 1


def test_a_worker_without_the_files_that_the_stand_names_is_refused(tmp_path):
    there = tmp_path / "map.npy"
    there.touch()
    files = [DataFile(path=str(path), sha256="") for path in (there, tmp_path / "other.npy")]
    found = [each.path for each in find_data_files({"camera": Section(maps=tuple(files), note="map.npy")})]
    faults = describe_program(make_question([], [], tmp_path, found), {}).faults
    assert (
        f"does not see {tmp_path}/other.npy, which the stand file names: mount it there under the same path" in faults
    )
    assert not any("map.npy" in each for each in faults)


@dataclass(frozen=True)
class Section:
    maps: tuple[DataFile, ...]
    note: str


def test_a_unit_that_waits_while_workers_die_is_not_given_up(tmp_path):
    runner = DaskRunner(make_question([], [], tmp_path), Limits())
    for death in range(MOST_TRIES):
        for number, name in enumerate(("runs", "waits", "waits_too"), start=10 * death):
            runner._sent[number] = Sent(name=name, worker=f"tcp://worker:{death}", future=None, due=0.0)
        for number in sorted(runner._sent, reverse=True):  # the scheduler reports them in any order
            runner._lose(number, suspect=True)
    assert list(runner._given_up) == ["runs"]
    assert {"waits", "waits_too"} <= runner._alone


@pytest.mark.parametrize(("address", "shared"), [("tcp://scheduler:1", {"tcp://a": 2, "tcp://b": 1}), ("", {})])
def test_a_unit_is_told_how_many_workers_share_the_memory_of_a_clusters_machine(tmp_path, monkeypatch, address, shared):
    runner = DaskRunner(make_question([], [], tmp_path), Limits(memory_bytes=5), address=address)
    told = {}
    monkeypatch.setattr(
        runner, "_send", lambda _name, worker, _seconds, _unit, limits, _alone: told.update({worker: limits})
    )
    runner._client, runner._accepted = object(), {"tcp://a:1", "tcp://a:2", "tcp://b:1"}
    for name in ("x", "y", "z"):
        runner._units[name] = IndexUnit(name=name, ticket="T-1", request=None)
        runner._waiting.append(name)
    runner._send_waiting()
    expected = {worker: shared.get(worker.rpartition(":")[0], 0) for worker in runner._accepted}
    assert {worker: limits.workers for worker, limits in told.items()} == expected
    assert {limits.memory_bytes for limits in told.values()} == {5}


def test_the_time_without_workers_begins_with_the_first_unit_that_waits(tmp_path, monkeypatch):
    clock = [5000.0]
    monkeypatch.setattr("glasswright.run.workers.dask_runner.time.monotonic", lambda: clock[0])
    runner = DaskRunner(make_question([], [], tmp_path), Limits(), address="tcp://scheduler:1")
    runner._client = SimpleNamespace(sync=lambda *_, **__: {}, scheduler=SimpleNamespace(ncores=None))
    for name, seconds in (("x", 0), ("y", WITHOUT_WORKERS_S)):
        clock[0] += seconds
        runner.submit(IndexUnit(name=name, ticket="T-1", request=None))
        runner._look(now=True)
    clock[0] += 1
    with pytest.raises(WorkersError, match=r"no worker is left, and none came within 120 s: start workers"):
        runner._look(now=True)


def test_workers_are_killed_at_the_end_only_if_they_hold_a_unit(tmp_path, monkeypatch):
    nanny = SimpleNamespace(auto_restart=True, process=SimpleNamespace(pid=12345))
    runner = DaskRunner(make_question([], [], tmp_path), Limits(), workers=1)
    runner._cluster = SimpleNamespace(workers={0: nanny})
    killed = []
    monkeypatch.setattr("glasswright.run.workers.dask_runner.os.kill", lambda pid, _signal: killed.append(pid))
    runner._give_up()
    assert (nanny.auto_restart, killed) == (True, [])
    runner._units["x"] = IndexUnit(name="x", ticket="T-1", request=None)
    runner._give_up()
    assert (nanny.auto_restart, killed) == (False, [12345])


def test_the_options_exclude_one_another(bench, capsys):
    bench.add_ticket(1)
    assert run_command(bench.arguments("--serial", "--cluster", "tcp://127.0.0.1:1")) == 2
    assert "--serial, --workers and --cluster exclude one another" in capsys.readouterr().err
