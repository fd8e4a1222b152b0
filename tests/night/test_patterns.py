"""Twenty rehearsed lenses through the whole program: what the measurements point to is what is wrong."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    out = tmp_path_factory.mktemp("faults") / "table.json"
    command = [sys.executable, "ci/bench_faults.py", "--quick", "--json", str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "false alarms, upper end of the 95 % interval" in done.stdout
    return json.loads(out.read_text(encoding="utf-8"))


def test_no_healthy_lens_is_called_faulty(table):
    assert table["healthy"] == 5
    assert table["false_alarms"] == 0, table["not_right"]


def test_nine_faults_in_ten_are_named_and_none_is_called_likely_that_is_not_there(table):
    assert table["single"] == 14
    assert table["single_right"] >= 0.9 * table["single"], table["not_right"]
    assert table["wrong_and_likely"] == 0, table["not_right"]


def test_of_two_faults_none_is_invented(table):
    assert table["double"] == 1
    assert table["double_both"] + table["double_one"] == 1, table["not_right"]
