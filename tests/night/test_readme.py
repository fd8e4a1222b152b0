"""Every command in the README runs, in order, in a folder with the shipped configuration."""

import io
import re
import shlex

from glasswright.commands.main import run_command
from support import ROOT

ALLOWED = {"gate": (0, 10, 11, 12), "judge": (0, 10, 11, 12), "run": (0, 13), "watch": (0, 11)}
"""Exit codes of a successful command."""


def commands_of(text):
    """Return the glasswright commands of the shell blocks."""
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [line.split("#")[0].strip() for line in lines if line.startswith("glasswright ")]


def test_the_commands_run(tmp_path, monkeypatch):
    commands = commands_of((ROOT / "README.md").read_text())
    assert len(commands) >= 20
    (tmp_path / "configs").symlink_to(ROOT / "configs")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    for command in commands:
        words = shlex.split(command)[1:]
        allowed = ALLOWED.get(words[0], (0,))
        assert run_command(words) in allowed, command


def test_the_two_commands_are_there():
    text = (ROOT / "README.md").read_text()
    for name in ("ci/demo", "ci/check"):
        assert name in text
        assert (ROOT / name).stat().st_mode & 0o100
