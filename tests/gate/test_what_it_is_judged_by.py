"""A card or stand file other than the ledger's is reported with a release."""

import json

import pytest

from glasswright.commands.main import run_command
from support.night_bench import CARD, STAND, shots_of


@pytest.fixture
def failing(shop):
    """A shop whose ticket T-0003 fails by its card."""
    card = shop.bench.folder / "cards/corvane.yaml"
    card.write_text(CARD.replace("max: 100", "max: 2"))
    shop.add(3, shots=shots_of(3) | {"chart/f2_0.txt": "70 60", "chart/f2_1.txt": "71 60"})
    return shop


def judge(shop, stand, *more):
    path, folder = shop.bench.write("stand.yaml", stand), shop.bench.folder
    words = ["judge", "--ledger", str(folder / "bench.ledger"), "--cards", str(folder / "cards"), "--stand", str(path)]
    run_command([*words, *more])
    shop.capsys.readouterr()


def test_results_with_other_constants_of_the_stand_are_reviewed(failing):
    failing.bench.write("stand.yaml", STAND.replace("offset_dn: 1", "offset_dn: 1000"))
    failing.measure()
    judge(failing, STAND)
    code, decision = failing.gate("T-0003")
    assert code == 11
    assert decision["reasons"][0] == (
        "the stand file differs from the one it was measured with: `toy.offset_dn` was 1000 and is 1: run again"
    )
    assert decision["reasons"][1].startswith(
        "the stand file differs from the adopted one (as found by the first run with it, "
    )
    failing.measure()
    assert failing.gate("T-0003")[0] == 10


def test_another_reproducibility_needs_no_new_measurement(shop):
    shop.add(3)
    shop.measure()
    judge(shop, STAND.replace("u: 0.5", "u: 0.6"), "--adopt-stand", "--by", "K. Moreau", "--why", "a study")
    code, decision = shop.gate("T-0003")
    assert code == 0
    assert any(note.startswith("judged with a newer stand file") for note in decision["notes"])


def test_a_card_given_only_to_the_gate_is_reported(failing):
    failing.measure()
    assert failing.gate("T-0003")[0] == 10
    folder = failing.bench.folder
    failing.bench.write("other/corvane.yaml", CARD)
    code = run_command(
        ["gate", "T-0003", "--ledger", str(folder / "bench.ledger"), "--json",
         "--cards", str(folder / "other"), "--stand", str(folder / "stand.yaml")]
    )  # fmt: skip
    answer = json.loads(failing.capsys.readouterr().out)
    assert code == 0
    assert answer["notes"][0] == (
        "judged by another card than the ledger's latest judgement, which is FAIL: run `glasswright judge` to keep "
        "this one"
    )


def test_caveats_accepted_by_a_card_are_shown(shop):
    shop.add(3)
    shop.measure()
    _, decision = shop.gate("T-0003")
    assert "decided without their uncertainty, by the card (`rule: simple`): combine_chart.mean_dn" in decision["notes"]
    assert "caveats that the card accepts: unverified_copy" in decision["notes"]
    card = shop.bench.folder / "cards/corvane.yaml"
    card.write_text(CARD.replace("rule: simple", "rule: guarded\nconfidence: 0.500001"))
    judge(shop, STAND)
    code, decision = shop.gate("T-0003")
    assert code == 0
    assert "the card asks for a confidence of 0.500001 (default: 0.95)" in decision["notes"]
    assert not any("rule: simple" in note for note in decision["notes"])
