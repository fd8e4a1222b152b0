"""A failing shot cannot be dropped unnoticed."""

import hashlib

import pytest

from support.night_bench import shots_of

BAD = "chart/f2_2.txt"
ASIDE = f'set_aside: [{{file: {BAD}, by: "K. Moreau", why: "the chart was knocked"}}]\n'


@pytest.fixture
def folder(shop):
    """A ticket held by one of its three repeats; without it, it would be released."""
    card = shop.bench.folder / "cards/corvane.yaml"
    card.write_text(card.read_text().replace("max: 100", "max: 2"))
    made = shop.add(3, shots=shots_of(3, repeats=3) | {BAD: "70 60"})
    shop.measure()
    assert shop.gate("T-0003")[0] == 10
    return made


def write_sums(folder):
    files = sorted(path for path in folder.glob("*/*") if path.is_file())
    lines = [f"{hashlib.sha256(each.read_bytes()).hexdigest()}  {each.parent.name}/{each.name}" for each in files]
    (folder / "SHA256SUMS").write_text("\n".join(lines) + "\n")


def delete(folder):
    (folder / BAD).unlink()


def delete_and_leave_it_listed(folder):
    write_sums(folder)
    (folder / BAD).unlink()


def spoil(folder):
    (folder / BAD).write_text("blank")


def shoot_again(folder):
    (folder / BAD).write_text("23.25 22")


@pytest.mark.parametrize("drop", [delete, delete_and_leave_it_listed, spoil, shoot_again])
def test_a_missing_failing_shot_is_reviewed(shop, folder, drop):
    drop(folder)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    (reason,) = decision["reasons"]
    assert reason.startswith(f"an earlier run read shots that are now missing ({BAD}): put them back, or write")


def test_a_failing_shot_moved_to_an_unread_folder_is_reviewed(shop, folder):
    (folder / "ramp").mkdir()
    (folder / BAD).rename(folder / "ramp/a.txt")
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert (code, f"({BAD}, now ramp/a.txt)" in decision["reasons"][0]) == (11, True)


@pytest.mark.usefixtures("folder")
def test_a_failing_shot_left_out_under_a_new_number_is_reviewed(shop):
    other = shop.copy(3, 103)
    (other / BAD).unlink()
    shop.measure()
    code, decision = shop.gate("T-0103")
    assert (code, "ticket T-0003 has the same shots" in decision["reasons"][0]) == (11, True)


def test_an_excluded_shot_is_named_with_person_and_reason(shop, folder):
    delete(folder)
    shop.write(folder, ASIDE)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 0
    assert f"{BAD} is set aside by K. Moreau (the chart was knocked): its file is not there" in decision["notes"]


def test_an_excluded_shot_that_is_still_there_is_not_measured(shop, folder):
    shop.write(folder, ASIDE)
    write_sums(folder)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 0
    assert decision["notes"][0] == f"{BAD} is set aside by K. Moreau (the chart was knocked): not measured"
    assert not [name for _, name in shop.bench.outcomes() if BAD in name]


@pytest.mark.parametrize(
    ("by", "why", "expected"),
    [
        ("x", "knocked", "must be a person's name: `x` is not the name of a person: write who it is"),
        ("K. Moreau", "", "must not be empty"),
    ],
)
def test_an_exclusion_needs_a_name_and_a_reason(shop, folder, by, why, expected):
    shop.write(folder, f'set_aside: [{{file: {BAD}, by: "{by}", why: "{why}"}}]\n')
    assert shop.measure() == 13
    code, decision = shop.gate("T-0003")
    assert code == 10
    assert expected in "; ".join(decision["reasons"])


def test_a_renamed_shot_is_not_missing(shop, folder):
    shop.write(folder, replace=[("*/f2_*", "*/*2_*")])
    for path in (folder / "chart").iterdir():
        path.rename(path.with_name(path.name.replace("f2_", "a2_")))
    shop.measure()
    assert "now missing" not in "; ".join(shop.gate("T-0003")[1]["reasons"])


def test_a_damaged_copy_that_is_replaced_is_not_missing(shop):
    folder = shop.add(3)
    write_sums(folder)
    sound = (folder / "chart/f2_0.txt").read_text()
    (folder / "chart/f2_0.txt").write_text("garbled 1 2")
    assert shop.measure() == 13
    (folder / "chart/f2_0.txt").write_text(sound)
    assert shop.measure() == 0
    assert shop.gate("T-0003")[0] == 0


def say_another_f_number(shop, folder):
    shot = f'  - {{files: "{BAD}", focal_length_mm: 50, f_number: 4}}\n'
    shop.write(folder, replace=[("shots:\n", f"shots:\n{shot}")])
    return f"{BAD}, measured at 50 mm f/2 and now said to be at 50 mm f/4"


def list_another_sum(_, folder):
    write_sums(folder)
    sums = folder / "SHA256SUMS"
    sums.write_text("".join(f"{'0' * 64}{line[64:]}\n" if BAD in line else f"{line}\n"
                            for line in sums.read_text().splitlines()))  # fmt: skip
    return f"{BAD}, there and no longer measured"


@pytest.mark.parametrize("change", [say_another_f_number, list_another_sum])
def test_a_failing_shot_that_is_no_longer_used_is_reviewed(shop, folder, change):
    reported = change(shop, folder)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    (reason,) = decision["reasons"]
    assert reason.startswith(f"an earlier run read shots that are now missing ({reported}): put them back")


def test_settings_of_one_nominal_setting_are_the_same(shop, folder):
    (folder / BAD).write_text("23.25 22")
    shop.write(folder, ASIDE)
    shop.write(folder, replace=[("f_number: 2}", "f_number: 2.05}")])
    shop.measure()
    assert shop.gate("T-0003")[0] == 0


@pytest.mark.parametrize("drop", [lambda shot: shot.unlink(), lambda shot: shot.write_text("23.25 22")])
def test_a_listed_shot_that_is_missing_or_changed_is_reviewed_the_first_time(shop, drop):
    made = shop.add(3, shots=shots_of(3, repeats=3))
    write_sums(made)
    drop(made / BAD)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    assert decision["reasons"] == [
        f"SHA256SUMS lists shots that are missing or changed ({BAD}): copy them again, or write each under "
        "`set_aside` in ticket.yaml: {file: ..., by: ..., why: ...}"
    ]
    shop.write(made, ASIDE)
    shop.measure()
    assert shop.gate("T-0003")[0] == 0
