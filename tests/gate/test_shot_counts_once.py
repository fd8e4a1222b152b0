"""A frame counts once, for one ticket, under any file name and metadata."""

import shutil

import pytest

from glasswright.ledger import Ledger
from glasswright.ledger.shot_content import PLACES_SQL
from support.night_bench import shots_of
from support.shop_of_numbers import READS_DARKS


def reasons(decision):
    return "; ".join(decision["reasons"])


def test_a_healthy_ticket_is_released_however_often_it_is_measured(shop):
    folder = shop.add(3)
    assert shop.measure() == 0
    assert shop.gate("T-0003")[0] == 0
    shop.write(folder, replace=[("ticket: T-0003", "notes: again\nticket: T-0003")])
    folder.rename(folder.with_name("moved"))
    (folder.with_name("moved") / "chart/f2_0.txt").rename(folder.with_name("moved") / "chart/f2_7.txt")
    assert shop.measure() == 0
    assert shop.gate("T-0003") == (0, {**shop.gate("T-0003")[1], "decision": "RELEASE"})


def test_a_folder_copied_under_another_number_is_named_in_both(shop):
    shop.add(3)
    shop.measure()
    assert shop.gate("T-0003")[0] == 0
    shop.copy(3, 103)
    shop.measure()
    for number, other in (("T-0103", "T-0003"), ("T-0003", "T-0103")):
        code, decision = shop.gate(number)
        assert code == 11
        assert f"ticket {other} has the same shots (chart/f2_0.txt; chart/f2_1.txt; chart/f4_0.txt; and 5 more)" in (
            reasons(decision)
        )


def test_an_intake_tickets_frames_in_a_release_ticket_are_named(shop):
    shop.add(3)
    shop.write(shop.bench.folder / "night/T-0003", replace=[("phase: release", "phase: intake")])
    shop.measure()
    released = shop.copy(3, 4)
    shop.write(released, replace=[("phase: intake", "phase: release")])
    shutil.rmtree(shop.bench.folder / "night/T-0003")  # the first ticket is in the ledger, and only there
    shop.measure()
    code, decision = shop.gate("T-0004")
    assert code == 11
    assert "ticket T-0003 has the same shots" in reasons(decision)


def test_an_intake_ticket_renamed_release_is_reported(shop):
    folder = shop.add(3)
    shop.write(folder, replace=[("phase: release", "phase: intake")])
    shop.measure()
    shop.write(folder, replace=[("phase: intake", "phase: release")])
    for shot in folder.glob("*/f*"):
        shot.write_text(shot.read_text() + " x")  # other files with the same pixels
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    assert "shots of this ticket were measured in phase `intake`, and the phase is now `release`" in reasons(decision)


def test_one_frame_six_times_with_other_metadata_is_no_repeat(shop):
    shots = {name: text for name, text in shots_of(3).items() if not name.startswith("chart/f2")}
    shots |= {f"chart/f2_{copy}.txt": f"23.20 22 {'x' * copy}" for copy in range(6)}
    shop.add(3, shots=shots)
    assert shop.measure() == 0
    code, decision = shop.gate("T-0003")
    assert code == 11
    assert "chart/f2_1.txt is chart/f2_0.txt again; chart/f2_2.txt is chart/f2_0.txt again" in reasons(decision)
    assert "and 2 more: a shot counts once: remove the copy, or shoot again" in reasons(decision)


def test_a_frame_under_two_roles_is_named(shop):
    shots = shots_of(3)
    shop.add(3, shots={**shots, "flat/f2_0.txt": shots["chart/f2_0.txt"] + " x"})
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert (code, "flat/f2_0.txt is chart/f2_0.txt again" in reasons(decision)) == (11, True)


def test_frames_without_content_are_no_twins(shop):
    shop.bench.write("plan.yaml", (shop.bench.folder / "plan.yaml").read_text() + READS_DARKS)
    for number in (3, 4):
        shop.add(number, shots={**shots_of(number), "dark/f2_0.txt": "0 0 0", "dark/f2_1.txt": "0 0 0 x"})
    shop.measure()
    assert [shop.gate(number)[0] for number in ("T-0003", "T-0004")] == [0, 0]


@pytest.mark.parametrize(("shared", "code"), [("", 11), ("shared: [dark]\n", 0)])
def test_darks_may_be_shared_if_a_ticket_declares_it(shop, shared, code):
    shop.bench.write("plan.yaml", (shop.bench.folder / "plan.yaml").read_text() + READS_DARKS)
    for number in (3, 4):
        shop.add(number, shots={**shots_of(number), "dark/f2_0.txt": "1 2 3"})
    shop.write(shop.bench.folder / "night/T-0004", shared)
    shop.measure()
    for number, other in (("T-0003", "T-0004"), ("T-0004", "T-0003")):
        found, decision = shop.gate(number)
        assert found == code
        if shared:
            assert f"shared with {other}, as declared: dark/f2_0.txt" in decision["notes"]
        else:
            assert f"ticket {other} has the same shots (dark/f2_0.txt)" in reasons(decision)


def test_a_role_that_measures_the_lens_cannot_be_shared(shop):
    shop.add(3)
    shop.copy(3, 4, "shared: [chart, flat]\n")
    shop.measure()
    code, decision = shop.gate("T-0004")
    assert code == 11
    assert "ticket.yaml: `shared` lists chart, and chart shots cannot be shared: remove it" in decision["notes"]


def test_a_ticket_that_replaces_a_misnumbered_one_has_its_shots_and_ends_it(shop):
    shop.add(3)
    shop.measure()
    shop.copy(3, 103, 'replaces: {ticket: T-0003, by: "K. Moreau", why: "number mistyped"}\n')
    shop.measure()
    code, decision = shop.gate("T-0103")
    assert code == 0
    assert "it replaces ticket T-0003: number mistyped (K. Moreau)" in decision["notes"]
    code, decision = shop.gate("T-0003")
    assert code == 12
    expected = "ticket T-0103 replaces this one (according to K. Moreau: number mistyped): ask the gate about T-0103"
    assert decision["reasons"] == [expected]


def test_a_ticket_that_has_none_of_its_shots_does_not_end_another(shop):
    shop.add(3)
    shop.add(4, 'replaces: {ticket: T-0003, by: "K. Moreau", why: "number mistyped"}\n')
    shop.measure()
    assert shop.gate("T-0003")[0] == 0
    code, decision = shop.gate("T-0004")
    assert code == 0
    assert "it replaces ticket T-0003: number mistyped (K. Moreau), of which it has no shot" in decision["notes"]


def test_shots_are_found_by_an_index_without_a_table_scan(shop):
    shop.add(3)
    shop.measure()
    with Ledger.open_for_reading(shop.bench.folder / "bench.ledger") as ledger:
        plan = [row[-1] for row in ledger.database.rows(f"EXPLAIN QUERY PLAN {PLACES_SQL}", "[]")]
    read = [line for line in plan if "shot_content" in line]
    assert len(read) == 2
    assert all("SEARCH shot_content USING" in line and "shot_content_by_digest (digest=?)" in line for line in read)
