"""Decisions by persons: who may release a lens in review, on what evidence, and what voids it."""

import json

import pytest

from glasswright.ledger import Ledger
from glasswright.ledger.returned import mark_returned
from support.gate_shop import LIMITS, SHARP, STAND, Shop
from support.ledger_tampering import tamper
from support.ledger_toys import good_outcomes, run_record, sharpness

NEAR = f"{SHARP} at 50 mm f/2: 0.201 cycles/pixel"


def near(number, value=0.201, **others):
    return [sharpness(value, ticket=number, **others), *good_outcomes(number)[1:]]


class DecidingShop(Shop):
    def decide(self, capsys, *more, by="K. Moreau", why="as good as before the repair"):
        return self.run("decide", "T-1", "--ledger", self.ledger, "--by", by, "--why", why, *more, capsys=capsys)


@pytest.fixture
def shop(tmp_path, capsys):
    """A judged lens too near a limit for a verdict; K. Moreau may decide."""
    made = DecidingShop(tmp_path)
    made.stand.write_text(STAND + 'may_decide: ["K. Moreau", "A. Lind"]\n', encoding="utf-8")
    made.night(make=near)
    assert made.judge(capsys)[0] == 11
    assert made.gate(capsys)[0] == 11
    return made


def test_a_named_person_can_release_a_review(shop, capsys):
    code, out, err = shop.decide(capsys)
    assert (code, err) == (0, "")
    assert "T-1 (Corvane 50 mm f/2, serial C50-1): released by K. Moreau on review: as good as before the repair" in out
    assert f"  was in review: {NEAR}" in out
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (14, "T-1: RELEASED ON REVIEW")
    assert "  - released by K. Moreau on review, " in out
    assert ": as good as before the repair\n" in out
    assert f"  - was in review: {NEAR}" in out
    answer = json.loads(shop.gate(capsys, "--json")[1])
    assert (answer["decision"], answer["release"]) == ("RELEASED ON REVIEW", False)
    assert answer["released_by"].startswith("released by K. Moreau on review, ")
    with Ledger.open_for_reading(shop.ledger) as ledger:
        assert ledger.verify().damage == ()


def test_judge_export_and_record_show_a_decision_and_not_a_plain_pass(shop, capsys, tmp_path):
    shop.decide(capsys)
    code, out, _ = shop.judge(capsys)
    assert code == 11
    assert "T-1: RELEASED ON REVIEW: released by K. Moreau on review, " in out
    assert json.loads(shop.judge(capsys, "--json")[1])["decided"] == {"T-1": "RELEASED ON REVIEW"}
    assert shop.run("export", "--ledger", shop.ledger, "--out", tmp_path / "out", capsys=capsys)[0] == 0
    table = (tmp_path / "out/verdicts.csv").read_text(encoding="utf-8")
    assert "RELEASED ON REVIEW" in table
    assert "released by K. Moreau on review" in table
    junit = (tmp_path / "out/verdicts.junit.xml").read_text(encoding="utf-8")
    assert '<failure type="REVIEW"' in junit
    assert 'name="released_by" value="released by K. Moreau on review' in junit
    file = tmp_path / "r.pdf"
    code, out, _ = shop.run("record", "T-1", "--ledger", shop.ledger, "--out", file, capsys=capsys)
    assert (code, out.splitlines()[0]) == (0, f"{file}: record of a release on review of T-1, RELEASED ON REVIEW")
    code, out, err = shop.run("record", "--verify", file, "--ledger", shop.ledger, capsys=capsys)
    assert (code, err) == (0, "")
    shop.decide(capsys, "--withdraw", why="wrong lens looked at")
    code, out, _ = shop.run("record", "--verify", file, "--ledger", shop.ledger, capsys=capsys)
    assert code == 0
    assert "but the decision is now REVIEW" in out


def test_only_persons_in_the_stand_file_may_decide(shop, capsys):
    code, _, err = shop.decide(capsys, by="S. Else")
    assert code == 2
    assert (
        "S. Else may not decide, according to the stand file `north-bench`: only K. Moreau, A. Lind may: add the name"
        in err
    )
    shop.stand.write_text(STAND, encoding="utf-8")
    shop.judge(capsys)
    code, _, err = shop.decide(capsys)
    assert code == 2
    assert "nobody may: add the name to `may_decide` in the stand file, run `glasswright judge`" in err
    assert shop.gate(capsys)[0] == 11


def test_a_decision_by_an_unauthorised_person_has_no_effect(shop, capsys):
    """The decision is written with the ledger's own functions."""
    shop.decide(capsys)
    with Ledger.open_for_writing(shop.ledger) as ledger:
        decision = ledger.latest_decisions(["T-1"])["T-1"]
        run = ledger.begin_run(run_record())
        ledger.add_decision(
            run, type(decision)(ticket="T-1", releases=True, person="S. Else", why="x", basis=decision.basis)
        )
        ledger.end_run(run, {})
    code, out, _ = shop.gate(capsys)
    assert code == 11
    assert "void, because S. Else is not among those who may decide by the stand file" in out


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda number: near(number, 0.1), "HOLD"),
        (lambda number: good_outcomes(number)[1:], "INCOMPLETE"),
        (good_outcomes, "RELEASE"),
    ],
)
def test_only_a_review_can_be_decided(shop, capsys, make, expected):
    shop.night(make=make)
    code, _, err = shop.decide(capsys)
    assert code == 2
    assert f"ticket T-1 is {expected}, and only REVIEW can be decided: " in err


def test_damage_cannot_be_decided(shop, capsys):
    tamper(shop.ledger, "UPDATE verdict SET verdict = 'PASS'")
    assert shop.decide(capsys)[0] == 21


def remeasured(shop, _):
    shop.night(make=lambda number: near(number, 0.2011, address="b"))
    return "the measurements changed since"


def found_failing(shop, _):
    shop.night(make=lambda number: near(number, 0.1, address="b"))
    return "the ticket is no longer in review: it is HOLD"


def another_card(shop, capsys):
    shop.card([*LIMITS, f"{{measure: {SHARP}, min: 0.19}}"])
    shop.judge(capsys)
    return "the card changed since"


def another_stand(shop, capsys):
    shop.stand.write_text(shop.stand.read_text() + "# moved\n", encoding="utf-8")
    shop.judge(capsys)
    return "the stand changed since"


def came_back(shop, _):
    with Ledger.open_for_writing(shop.ledger) as ledger:
        run = ledger.begin_run(run_record())
        mark_returned(ledger, run, "T-1", "K. Moreau", "soft")
        ledger.end_run(run, {})
    return "the ticket is no longer in review: it is INCOMPLETE"


def being_measured(shop, _):
    with Ledger.open_for_writing(shop.ledger) as ledger:
        ledger.begin_ticket(ledger.begin_run(run_record()), "T-1", "/night/T-1")
    return "the ticket is no longer in review: it is INCOMPLETE"


@pytest.mark.parametrize("change", [remeasured, found_failing, another_card, another_stand, came_back, being_measured])
def test_any_change_of_evidence_voids_a_decision(shop, capsys, change):
    shop.decide(capsys)
    assert shop.gate(capsys)[0] == 14
    why = change(shop, capsys)
    code, out, _ = shop.gate(capsys)
    assert code in (10, 11, 12)
    assert "  note: released by K. Moreau on review, " in out
    assert f": as good as before the repair: void, because {why}" in out


def test_a_decision_is_withdrawn_by_another_event(shop, capsys):
    code, _, err = shop.decide(capsys, "--withdraw")
    assert code == 2
    assert "ticket T-1 was not released on review: there is nothing to withdraw" in err
    shop.decide(capsys)
    code, _, err = shop.decide(capsys, by="A. Lind")
    assert code == 2
    assert "is already decided: released by K. Moreau on review" in err
    code, out, _ = shop.decide(capsys, "--withdraw", by="A. Lind", why="seen again")
    assert (code, "release on review withdrawn by A. Lind: seen again" in out) == (0, True)
    assert shop.gate(capsys)[0] == 11
    assert shop.decide(capsys)[0] == 0
    assert shop.gate(capsys)[0] == 14


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--by", " "), "the name of a person is missing: write who it is"),
        (("--by", "K.\nMoreau"), "write it on one line"),
        (("--why", "  "), "write it in a few words on one line"),
        (("--why", "a\nb"), "write it in a few words on one line"),
    ],
)
def test_a_decision_without_a_name_or_a_reason_is_refused(shop, capsys, words, expected):
    code, _, err = shop.decide(capsys, *words)
    assert code == 2
    assert expected in err
