"""The shipped systemd units start commands that the program takes, and stop it in the time it needs."""

import re
import shlex
import shutil
import subprocess

import pytest

from glasswright.commands.main import glasswright
from glasswright.errors import LedgerDamagedError
from glasswright.run.summary import SOME_UNUSABLE
from glasswright.run.workers.stopping import GRACE_S, LAST_S
from support import ROOT

FOLDER = ROOT / "configs/systemd"
SERVICES = sorted(FOLDER.glob("*.service"))


def values(unit, key):
    return re.findall(rf"^{key}=(.*)$", unit.read_text(), flags=re.MULTILINE)


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.stem)
def test_the_program_takes_the_commands(unit):
    commands = values(unit, "ExecStart")
    assert commands
    for command in commands:
        program, *words = shlex.split(command)
        assert program.endswith("/bin/glasswright")
        outer = glasswright.make_context("glasswright", words)
        name, found, rest = glasswright.resolve_command(outer, [*outer._protected_args, *outer.args])
        assert found.make_context(name, rest, parent=outer).params
    assert int(values(unit, "TimeoutStopSec")[0]) > GRACE_S + LAST_S


def test_codes_and_units_fit():
    follow, night = SERVICES
    assert set(values(follow, "RestartPreventExitStatus")[0].split()) == {"2", str(LedgerDamagedError.exit_code)}
    assert values(night, "SuccessExitStatus") == [str(SOME_UNUSABLE)]
    assert (FOLDER / f"{night.stem}.timer").read_text().count("OnCalendar=") == 1


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
@pytest.mark.parametrize("unit", sorted(FOLDER.glob("*.*")), ids=lambda unit: unit.name)
def test_systemd_reads_them(unit):
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, check=False)
    lines = [line for line in done.stderr.splitlines() if "is not executable" not in line and unit.name in line]
    assert lines == []
