"""A ticket that replaces another inherits its history: a new number does not remove it."""

import pytest

from glasswright.commands.main import run_command
from support.night_bench import shots_of

REPLACES = 'replaces: {ticket: T-0003, by: "K. Moreau", why: "number mistyped"}\n'
BAD = "chart/f2_2.txt"


def mark_returned(shop, why, *more):
    ledger = str(shop.bench.folder / "bench.ledger")
    assert run_command(["returned", "T-0003", "--ledger", ledger, "--by", "K. Moreau", "--why", why, *more]) == 0
    shop.capsys.readouterr()


def release_shots_of_intake(shop, folder):
    shop.write(folder, replace=[("phase: intake", "phase: release")])
    return 11, "shots of this ticket were measured in phase `intake`, and the phase is now `release`"


def give_another_serial(shop, folder):
    shop.write(folder, replace=[("C50-T-0003", "C50-00417")])
    return 12, "this ticket number was used for another lens before (Corvane 50 mm f/2, serial C50-T-0003)"


def drop_a_shot(_, folder):
    (folder / BAD).unlink()
    return 12, f"an earlier run read shots that are now missing ({BAD})"


@pytest.mark.parametrize("change", [release_shots_of_intake, give_another_serial, drop_a_shot])
def test_a_ticket_that_replaces_another_has_its_past(shop, change):
    folder = shop.add(3, shots=shots_of(3, repeats=3))
    shop.write(folder, replace=[("phase: release", "phase: intake")])
    shop.measure()
    code, reported = change(shop, shop.copy(3, 103, REPLACES))
    shop.measure()
    found, decision = shop.gate("T-0103")
    assert found == code
    assert any(reason.startswith(reported) for reason in decision["reasons"])


def test_a_lens_that_came_back_is_not_released_under_another_number(shop):
    shop.add(3)
    shop.measure()
    mark_returned(shop, "soft on the left")
    shop.copy(3, 103, REPLACES)
    shop.measure()
    code, decision = shop.gate("T-0103")
    assert code == 12
    (reason,) = decision["reasons"]
    assert reason.startswith("its lens came back, as was marked on ")
    assert " for ticket T-0003 (soft on the left): shoot all of it again" in reason
    mark_returned(shop, "another lens was meant", "--withdraw")
    code, decision = shop.gate("T-0103")
    assert code == 0
    (note,) = [note for note in decision["notes"] if note.startswith("the mark that its lens came back was withdrawn")]
    assert ", ticket T-0003, " in note
    assert note.endswith(": another lens was meant")


def test_the_history_continues_through_several_numbers(shop):
    shop.write(shop.add(3), replace=[("phase: release", "phase: intake")])
    shop.copy(3, 103, REPLACES)
    shop.measure()
    last = shop.copy(103, 203)
    shop.write(last, replace=[("{ticket: T-0003", "{ticket: T-0103"), ("phase: intake", "phase: release")])
    shop.measure()
    code, decision = shop.gate("T-0203")
    assert code == 11
    assert any("measured in phase `intake`" in reason for reason in decision["reasons"])


def test_rehearsed_shots_do_not_become_real_ones(shop):
    folder = shop.add(3, "rehearsed: true\n")
    shop.measure()
    shop.write(folder, replace=[("rehearsed: true\n", "")])
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    assert decision["reasons"][0].startswith(
        "shots of this ticket were measured in phase `release, rehearsed`, and the phase is now `release`"
    )
