"""The gate on tickets that a later run refused: earlier results no longer count."""

import pytest

from glasswright.ledger import Ledger
from support.gate_shop import STAND, Shop
from support.ledger_tampering import tamper
from support.ledger_toys import good_outcomes, run_record, ticket_record


@pytest.fixture
def shop(tmp_path, capsys):
    made = Shop(tmp_path)
    for number in ("T-1", "T-2"):
        made.night(numbers=(number,), folder=f"/night/{number}")
    made.judge(capsys)
    return made


def later_run(shop, commit=(), refused=(), folder="/night/T-1", stopped=()):
    """Write a run with refused, unreached and unchanged tickets."""
    with Ledger.open_for_writing(shop.ledger) as ledger:
        run = ledger.begin_run(run_record(started_at="2026-03-02T22:00:00+00:00"))
        ledger.refuse_tickets(run, refused, folder, "ticket.yaml:4: not valid YAML")
        ledger.stop_tickets(run, stopped)
        for number in commit:
            outcomes = good_outcomes(number)
            ledger.commit_ticket(run, ticket_record(outcomes, number, f"/night/{number}"), outcomes)
        ledger.end_run(run, {})


def test_a_ticket_refused_since_is_incomplete(shop, capsys):
    assert shop.gate(capsys)[0] == 0
    later_run(shop, refused=["T-1"])
    for code, out, _ in (shop.gate(capsys), shop.gate_again(capsys)):
        assert (code, out.splitlines()[0]) == (12, "T-1: INCOMPLETE")
        assert "the run of 2026-03-02T22:00:00+00:00 could not read this ticket" in out
        assert "ticket.yaml:4: not valid YAML" in out
        assert "correct that and run again" in out
    assert shop.gate(capsys, ticket="T-2")[0] == 0


def test_a_night_stopped_before_a_ticket_leaves_it_incomplete(shop, capsys):
    later_run(shop, commit=("T-2",), stopped=["T-1"])
    code, out, _ = shop.gate(capsys)
    assert code == 12
    assert "the run of 2026-03-02T22:00:00+00:00 was stopped before this ticket was measured: run again" in out
    assert shop.gate(capsys, ticket="T-2")[0] == 0


def test_a_run_that_accepts_the_ticket_again_ends_the_refusal(shop, capsys):
    later_run(shop, refused=["T-1"])
    later_run(shop, commit=("T-2",))
    assert shop.gate(capsys)[0] == 12
    later_run(shop, commit=("T-1",))
    assert shop.gate(capsys)[0] == 0


def test_a_record_of_a_ticket_refused_later_remains_valid(shop, capsys, tmp_path):
    later_run(shop, refused=["T-1"])
    paper = tmp_path / "record.pdf"
    assert shop.run("record", "T-1", "--ledger", shop.ledger, "--out", paper, capsys=capsys)[0] == 0
    later_run(shop, commit=("T-1",))
    code, out, err = shop.run("record", "--verify", paper, "--ledger", shop.ledger, capsys=capsys)
    assert (code, err) == (0, ""), out


def test_the_gate_names_the_card_and_the_stand_file_that_it_uses(shop, capsys):
    for _, out, _ in (shop.gate(capsys), shop.gate_again(capsys)):
        assert "  measured by plan `plan` (" in out
        assert "  by card `Corvane 50 mm f/2` (" in out
        assert ") and stand file `north-bench` (" in out


def test_a_card_that_is_not_kept_releases_nothing(shop, capsys):
    tamper(shop.ledger, "DELETE FROM document WHERE kind = 'card'")
    code, _, err = shop.gate(capsys)
    assert code == 21
    assert "table document should have rows" in err


def test_another_stand_file_than_the_one_measured_with_is_noted(shop, capsys):
    shop.stand.write_text(f"# moved to the other room\n{STAND}", encoding="utf-8")
    code, out, _ = shop.gate_again(capsys)
    assert code == 0
    assert "  note: judged with a newer stand file than it was measured with (" in out
