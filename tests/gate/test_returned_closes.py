"""A returned lens is not released again by earlier results."""

import pytest

from glasswright.commands.main import run_command
from support.night_bench import shots_of
from support.nights import Nights


@pytest.fixture
def nights(bench, capsys):
    bench.add_ticket(1)
    bench.add_ticket(2)
    made = Nights(bench, capsys)
    assert made.run()[0] == 0
    assert made.gate(1)[0] == 0
    assert mark(made) == 0
    return made


def mark(nights, *more):
    by = ["--by", "K. Moreau", "--why", "soft on the left"]
    return run_command(["returned", "T-0001", "--ledger", str(nights.ledger), *by, *more])


def test_the_gate_is_closed_until_the_mark_is_withdrawn(nights):
    code, out = nights.gate(1)
    assert (code, out.splitlines()[0]) == (12, "T-0001: INCOMPLETE")
    assert "  - its lens came back, as was marked on " in out
    assert " by K. Moreau (soft on the left): shoot all of it again, or withdraw the mark " in out
    assert nights.gate(2)[0] == 0
    assert mark(nights, "--withdraw") == 0
    assert nights.gate(1)[0] == 0


def test_the_same_shots_measured_again_do_not_open_the_gate(nights):
    plan = nights.bench.folder / "plan.yaml"
    plan.write_text(plan.read_text().replace("at_least: 2", "at_least: 1"))
    assert nights.run()[1]["measured"] > 0
    code, out = nights.gate(1)
    assert code == 12
    assert "its lens came back" in out


def test_a_few_new_shots_do_not_open_the_gate_and_the_old_ones_are_named(nights):
    nights.bench.write("night/T-0001/chart/f2_0.txt", shots_of(7)["chart/f2_0.txt"])
    nights.run()
    code, out = nights.gate(1)
    assert code == 12
    assert "chart/f2_1.txt, " in out
    assert " are from before: shoot all of it again" in out


def test_a_new_visit_opens_the_gate(nights):
    for name, text in shots_of(7).items():
        nights.bench.write(f"night/T-0001/{name}", text)
    assert nights.run()[0] == 0
    _, out = nights.gate(1)
    assert "its lens came back" not in out
    nights.bench.add_ticket(3, shots_of(9))
    nights.run()
    assert nights.gate(3)[0] == 0
