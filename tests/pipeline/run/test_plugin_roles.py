"""Roles are declared by plugins: the toy plugin has one that engine and camera do not define."""

import pytest

from glasswright.commands.main import run_command
from support.night_bench import PLAN, shots_of

LEVEL = """\
  read_level: {stage: toy.read_numbers, inputs: {shot: role.spirit_level}}
  average_level: {stage: toy.average, inputs: {numbers: read_level, stand: stand.toy}}
"""


@pytest.fixture
def levelled(bench):
    bench.write("plan.yaml", PLAN + LEVEL)
    bench.add_ticket(1, {**shots_of(1), "spirit_level/before.txt": "3 4"})
    return bench


def test_a_plugins_own_role_is_measured_and_needs_no_setting(levelled, capsys):
    assert levelled.run(capsys, "--serial")[0] == 0
    assert levelled.outcomes()["average_level", "T-0001 spirit_level/before.txt"] == ("done", "")
    with levelled.ledger() as ledger:
        (state,) = ledger.latest_tickets(["T-0001"])
    (shot,) = [each for each in state.record.shots if each.role == "spirit_level"]
    assert shot.setting is None
    # the body cannot know through which lens a level is seen, so its file is not asked for a serial number
    assert state.record.lens_serials == (0, len(shots_of(1)))


def test_the_message_of_an_unknown_role_lists_the_valid_ones(levelled, capsys):
    levelled.write("plan.yaml", PLAN + LEVEL.replace("role.spirit_level", "role.spirit_levl"))
    assert run_command(["check", str(levelled.folder / "plan.yaml")]) == 2
    assert "unknown role `spirit_levl`; did you mean `spirit_level`?" in capsys.readouterr().err


def test_a_ticket_file_may_name_a_plugins_own_role_and_no_unknown_one(levelled, capsys):
    path = levelled.folder / "night/T-0001/ticket.yaml"
    text = path.read_text()
    options = ["check", str(levelled.folder / "plan.yaml"), "--tickets", str(levelled.folder / "night")]
    path.write_text(text + '  - {files: "spirit_level/*", exposure_time_s: 1}\n')
    assert run_command(options) == 0
    path.write_text(text + '  - {files: "spirit_levels/*", exposure_time_s: 1}\n')
    assert run_command(options) == 2
    assert "unknown role `spirit_levels`; did you mean `spirit_level`?" in capsys.readouterr().err
