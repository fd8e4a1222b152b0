"""A ledger, cards and a stand file for tests of the gate."""

from glasswright.commands.main import run_command
from support.ledger_toys import (
    CARD_HEAD,
    good_outcomes,
    write_card,
    write_night,
)

SHARP = "measure_mtf50.centre.sharp_cy_per_px"


LIMITS = [f"{{measure: {SHARP}, min: 0.2}}", "{measure: measure_vignetting.corner_loss_ev, max: 2.5}"]


STAND = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_mtf50.*: {u: 0.004, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
  measure_vignetting.*: {u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
"""


class Shop:
    """A ledger, a folder of cards and a stand file."""

    def __init__(self, folder):
        self.ledger = folder / "bench.ledger"
        self.cards = folder / "cards"
        self.stand = folder / "stand.yaml"
        self.stand.write_text(STAND, encoding="utf-8")
        self.card()

    def card(self, limits=LIMITS, head=CARD_HEAD):
        write_card(self.cards / "corvane.yaml", limits, head)

    def night(self, make=good_outcomes, numbers=("T-1",), **others):
        write_night(self.ledger, numbers, make, **others)

    def run(self, *arguments, capsys):
        code = run_command([str(each) for each in arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    def judge(self, capsys, *more):
        return self.run(
            "judge", "--ledger", self.ledger, "--cards", self.cards, "--stand", self.stand, *more, capsys=capsys
        )

    def gate(self, capsys, *more, ticket="T-1"):
        return self.run("gate", ticket, "--ledger", self.ledger, *more, capsys=capsys)

    def gate_again(self, capsys):
        return self.gate(capsys, "--cards", self.cards, "--stand", self.stand)
