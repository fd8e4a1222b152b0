"""A shop that releases healthy tickets of the toy bench, for attacks on the evidence of a release."""

from __future__ import annotations

import json
import shutil

from glasswright.commands.main import run_command

READS_DARKS = "  read_dark: {stage: toy.read_numbers, inputs: {shot: role.dark}}\n"


class NumbersShop:
    """The toy bench with its gate."""

    def __init__(self, bench, capsys):
        self.bench = bench
        self.capsys = capsys

    def measure(self):
        code, _ = self.bench.run(self.capsys, "--cards", str(self.bench.folder / "cards"), "--serial")
        return code

    def gate(self, number):
        """Return the exit code and the gate's output."""
        code = run_command(["gate", number, "--ledger", str(self.bench.folder / "bench.ledger"), "--json"])
        return code, json.loads(self.capsys.readouterr().out)

    def add(self, number, extra="", **others):
        """Add a healthy ticket."""
        folder = self.bench.add_ticket(number, **others)
        self.write(folder, extra)
        return folder

    def write(self, folder, extra="", replace=()):
        """Change ticket.yaml."""
        path = folder / "ticket.yaml"
        text = path.read_text()
        for old, new in replace:
            assert old in text
            text = text.replace(old, new)
        path.write_text(text + extra)

    def copy(self, number, new_number, extra=""):
        """Copy a ticket's folder under another number."""
        night = self.bench.folder / "night"
        folder = night / f"T-{new_number:04d}"
        shutil.copytree(night / f"T-{number:04d}", folder)
        self.write(folder, extra, [(f"ticket: T-{number:04d}", f"ticket: T-{new_number:04d}")])
        return folder
