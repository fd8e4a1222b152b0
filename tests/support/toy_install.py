"""The toy plugin, installed once by pip, and a bench that uses it."""

import importlib
import os
import subprocess
import sys

import pytest

from support.night_bench import TOY_SOURCE, Bench


@pytest.fixture(scope="session")
def toy_site(tmp_path_factory):
    site = tmp_path_factory.mktemp("site")
    options = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
    subprocess.run([sys.executable, "-m", "pip", "install", *options, "--target", site, TOY_SOURCE], check=True)
    return site


@pytest.fixture
def bench(tmp_path, toy_site, monkeypatch):
    monkeypatch.syspath_prepend(toy_site)
    monkeypatch.setenv("PYTHONPATH", str(toy_site) + os.pathsep + os.environ.get("PYTHONPATH", ""))
    importlib.invalidate_caches()
    return Bench(tmp_path)
