"""The package that `plugin` writes: it loads, its plan is sound, and its own tests pass."""

import os
import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_plan
from glasswright.config.schema.plugins import collect_plugins


def test_the_package_loads_its_plan_checks_and_its_tests_pass(tmp_path, monkeypatch):
    assert run_command(["plugin", "extra", "--out", str(tmp_path / "extra")]) == 0
    monkeypatch.syspath_prepend(str(tmp_path / "extra"))
    points = [EntryPoint(name, package, "glasswright.stages") for name, package in
              (("camera", "glasswright_camera"), ("extra", "glasswright_extra"))]  # fmt: skip
    plugins = collect_plugins(points)
    assert plugins.failures == ()
    assert [field.path for field in plugins.stages["extra.measure_brightness"].fields] == ["median_light_frac"]
    plan = load_plan(tmp_path / "extra/plan.yaml", plugins)
    assert plan.fields()["measure_brightness.median_light_frac"].has_uncertainty
    assert plugins.field_names.make_readable("measure_brightness.median_light_frac is low") == "median light is low"
    sys.modules.pop("glasswright_extra", None)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_stage.py"],
        cwd=tmp_path / "extra",
        env={**os.environ, "PYTHONPATH": str(tmp_path / "extra")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "2 passed" in done.stdout


@pytest.mark.parametrize("name", ["Extra", "1st", "a-b", ""])
def test_a_name_that_cannot_be_a_plugins_is_refused(tmp_path, name, capsys):
    assert run_command(["plugin", name, "--out", str(tmp_path / "x")]) == 2
    assert "lower-case letters, digits and `_`, a letter first" in capsys.readouterr().err


def test_a_folder_that_is_not_empty_is_not_changed(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    assert run_command(["plugin", "extra", "--out", str(tmp_path)]) == 2
    assert "is not empty" in capsys.readouterr().err
