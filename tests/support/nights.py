"""Judged nights of the toy bench."""

from glasswright.commands.main import run_command
from glasswright.ledger import Ledger


class Nights:
    """A toy bench with judged tickets, and the gate's code for each."""

    def __init__(self, bench, capsys):
        self.bench, self.capsys = bench, capsys
        self.cards = ("--cards", str(bench.folder / "cards"))
        self.ledger = bench.folder / "bench.ledger"

    def run(self, *more):
        return self.bench.run(self.capsys, "--serial", *self.cards, *more)

    def gate(self, number=1):
        self.capsys.readouterr()
        code = run_command(["gate", f"T-{number:04d}", "--ledger", str(self.ledger)])
        return code, self.capsys.readouterr().out

    def attempts(self):
        with Ledger.open_for_reading(self.ledger) as ledger:
            rows = ledger.database.rows("SELECT ticket, state FROM attempt ORDER BY id")
            assert ledger.verify().damage == ()
        return rows
