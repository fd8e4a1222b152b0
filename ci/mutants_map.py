"""Which tests run which lines, and how long each test takes: a plugin for pytest.

A run under it fills a folder: `lines.coverage` (of each line: the tests and shared fixtures that run it, as contexts of
coverage) and `tests.json` (of each test that passes: seconds without shared fixtures, and the shared fixtures it uses;
of each shared fixture: seconds). Tests that are already in it are not run again, so a run that was stopped goes on, and
new tests are added to an older map.

MUTANTS_MAP=FOLDER pytest -p mutants_map ...
"""

from __future__ import annotations

import json
import os
import time
from contextlib import contextmanager
from pathlib import Path

import coverage
import pytest

SOURCES = ["pipeline/glasswright", "stages/glasswright_camera", "stages/glasswright_rehearsal"]
KEEP_EVERY_S = 20


class Recorder:
    """The coverage of the run, with one context for each test and for each shared fixture."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._file = folder / "tests.json"
        self._known = {"tests": {}, "fixtures": {}, "failed": []}
        lines = folder / "lines.coverage"
        self._coverage = coverage.Coverage(data_file=str(lines), source=SOURCES)
        self._coverage.set_option("run:relative_files", True)
        self._coverage.set_option("run:disable_warnings", ["no-data-collected", "module-not-imported"])
        if self._file.exists():
            self._known = json.loads(self._file.read_text(encoding="utf-8"))
            self._coverage.load()
        self._contexts = [""]
        self._shared_s = 0.0
        self._kept_at = time.monotonic()
        self._failed = False
        self._coverage.start()

    @contextmanager
    def _inside(self, context: str):
        self._contexts.append(context)
        self._coverage.switch_context(context)
        try:
            yield
        finally:
            self._contexts.pop()
            self._coverage.switch_context(self._contexts[-1])

    def pytest_collection_modifyitems(self, config, items) -> None:
        known = self._known["tests"].keys() | self._known["failed"]
        old = [each for each in items if each.nodeid in known]
        config.hook.pytest_deselected(items=old)
        items[:] = [each for each in items if each.nodeid not in known]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        start, self._shared_s, self._failed = time.perf_counter(), 0.0, False
        with self._inside(item.nodeid):
            done = yield
        seconds = time.perf_counter() - start - self._shared_s
        definitions = [each for found in item._fixtureinfo.name2fixturedefs.values() for each in found]
        shared = sorted({name_fixture(each) for each in definitions if each.scope != "function"})
        if self._failed:
            self._known["failed"].append(item.nodeid)
        else:
            self._known["tests"][item.nodeid] = {"seconds": round(seconds, 4), "fixtures": shared}
        if time.monotonic() - self._kept_at > KEEP_EVERY_S:
            self._keep()
        return done

    def pytest_runtest_logreport(self, report) -> None:
        self._failed |= not report.passed  # a skipped test kills nothing either

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef):
        if fixturedef.scope == "function":
            return (yield)
        start, name = time.perf_counter(), name_fixture(fixturedef)
        with self._inside(name):
            made = yield
        seconds = time.perf_counter() - start
        self._shared_s += seconds
        self._known["fixtures"][name] = round(seconds, 4)
        return made

    def pytest_sessionfinish(self) -> None:
        self._coverage.stop()
        self._coverage.save()
        self._keep()

    def _keep(self) -> None:
        new = self._file.with_suffix(".new")
        new.write_text(json.dumps(self._known, indent=1), encoding="utf-8")
        new.replace(self._file)
        self._kept_at = time.monotonic()


def name_fixture(definition) -> str:
    """Name a shared fixture by where it is defined."""
    return f"{definition.baseid or '.'} fixture {definition.argname}"


@pytest.hookimpl(tryfirst=True)
def pytest_load_initial_conftests(early_config) -> None:
    """Start before the first module of the project is imported."""
    early_config.pluginmanager.register(Recorder(Path(os.environ["MUTANTS_MAP"]).absolute()), "recorder_of_lines")
