"""A night from folders to the ledger, with a toy plugin installed by pip."""

import json
import os
from collections import Counter

import pytest

from glasswright.commands.main import run_command
from support.night_bench import PLAN, shots_of


def test_a_healthy_night_measures_everything_and_a_second_run_nothing(bench, capsys):
    bench.add_ticket(1)
    code, summary = bench.run(capsys, "--serial")
    assert code == 0, summary
    assert summary["tickets"][0]["measured"] == 2 * (4 * 2) + 2 + 2 + 1
    assert all(status == "done" for status, _ in bench.outcomes().values()), bench.outcomes()
    before = bench.content()
    code, summary = bench.run(capsys, "--serial")
    assert (code, summary["measured"], summary["in_ledger"]) == (0, 0, 21)
    assert bench.content() == before


def test_worker_processes_and_one_process_give_the_same_outcomes(bench, capsys):
    for number in (1, 2, 3):
        bench.add_ticket(number)
    bench.add_ticket(4, {**shots_of(4), "chart/f2_0.txt": "blank", "flat/f4_1.txt": "crash"})
    code, _ = bench.run(capsys, "--serial", ledger="serial.ledger")
    assert code == 13
    code, _ = bench.run(capsys, "--workers", "2", ledger="dask.ledger")
    assert code == 13
    assert bench.outcomes("serial.ledger") == bench.outcomes("dask.ledger")
    assert bench.content("serial.ledger") == bench.content("dask.ledger")


def test_a_changed_setting_measures_its_step_and_what_depends_on_it_and_nothing_else(bench, capsys, monkeypatch):
    bench.add_ticket(1)
    bench.run(capsys, "--serial")
    log = bench.folder / "log"
    monkeypatch.setenv("TOY_LOG", str(log))
    bench.write("plan.yaml", PLAN.replace("per: setting, at_least: 2", "per: setting, settings: {weight_ratio: 2}"))
    code, summary = bench.run(capsys, "--serial")
    assert code == 0
    assert [line.split()[0] for line in log.read_text().splitlines()] == ["combine", "combine", "combine_all"]
    assert (summary["measured"], summary["in_ledger"]) == (3, 18)
    log.unlink()
    # a setting in the middle of a shot's task: the bulk before it is made again, for the four chart shots alone
    bench.write("plan.yaml", PLAN.replace("even: combine_flat}", "even: combine_flat}, settings: {shift_dn: 3}"))
    code, summary = bench.run(capsys, "--serial")
    ran = Counter(line.split()[0] for line in log.read_text().splitlines())
    assert ran == {"read_numbers": 4, "average": 4, "combine": 2, "combine_all": 1}
    assert summary["measured"] == 4 + 2 + 1
    log.unlink()
    bench.write("plan.yaml", PLAN)
    code, summary = bench.run(capsys, "--serial")
    assert (code, summary["measured"]) == (0, 0)
    assert not log.exists()


def test_faults_are_named_and_the_rest_of_the_night_goes_on(bench, capsys):
    bench.add_ticket(1)
    bench.add_ticket(2, {**shots_of(2), "chart/f2_0.txt": "blank"})
    bench.add_ticket(3, {**shots_of(3), "flat/f4_1.txt": "crash"})
    bench.add_ticket(4, model="Corvane 85 mm f/2")
    bench.add_ticket(5)
    bench.write("night/T-0005/ticket.yaml", "ticket: T-0005\n")
    code, summary = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert code == 13
    tickets = {each["number"]: each for each in summary["tickets"]}
    assert [each["verdict"] for each in tickets.values()] == ["PASS", "UNKNOWN", "PASS", "UNKNOWN"]
    (blank,) = [each for each in tickets["T-0002"]["refusals"] if each["status"] == "unmeasurable"]
    assert blank == {
        "step": "read_chart",
        "item": "T-0002 50 mm f/2 chart/f2_0.txt",
        "status": "unmeasurable",
        "reason": "the file holds no numbers",
    }
    assert tickets["T-0002"]["reshoot"] == [
        {"what": "chart/f2_0.txt", "reason": "the file holds no numbers", "lost": True}
    ]
    (crash,) = [each for each in tickets["T-0003"]["refusals"] if each["status"] == "crashed"]
    assert crash["reason"] == "ZeroDivisionError: the toy broke"
    skipped = {each["step"]: each["reason"] for each in tickets["T-0003"]["refusals"] if each["status"] == "skipped"}
    cause = "because read_flat of flat/f4_1.txt is crashed: ZeroDivisionError: the toy broke"
    assert skipped == {
        "average_flat": f"`numbers` is missing {cause}",
        "combine_flat": f"`means` has 1 of the 2 it needs {cause}",
        "average_chart": f"`even` is missing {cause}",
        "combine_chart": f"`means` has 0 of the 2 it needs {cause}",
        "combine_ticket": f"`combined` has 1 of the 2 it needs {cause}",
    }
    assert "no card" in " ".join(tickets["T-0004"]["verdict_reasons"])
    (refused,) = summary["refused_tickets"]
    assert "T-0005/ticket.yaml:1: " in refused["reason"]
    (failure,) = summary["plugin_failures"]
    assert failure["plugin"] == "broken"
    assert "no_such_module" in failure["reason"]


def test_the_summary_for_people_names_causes_and_what_to_shoot_again(bench, capsys):
    bench.add_ticket(2, {**shots_of(2), "chart/f2_0.txt": "blank"})
    capsys.readouterr()
    assert run_command(bench.arguments("--serial", "-v")) == 13
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert "  read_chart of 50 mm f/2 chart/f2_0.txt unmeasurable: the file holds no numbers" in lines
    place = lines.index("To be corrected (shoot again, copy again, move, or describe in ticket.yaml):")
    assert lines[place + 1] == "  T-0002 chart/f2_0.txt: the file holds no numbers"
    assert not any(line.startswith("Crashed") for line in lines)
    assert lines[-1].startswith("21 outcomes measured, 0 already in the ledger (1 ticket, ")
    assert "1 ticket, 8 shots" in printed.err
    assert run_command(bench.arguments("--serial")) == 13
    assert "nothing to measure: 21 outcomes already in the ledger" in capsys.readouterr().out


def test_check_and_run_report_a_shot_without_a_setting_which_is_not_used(bench, capsys):
    folder = bench.add_ticket(1, {**shots_of(1), "chart/manual.txt": "21 3", "flat/manual.txt": "22 3"})
    expected = "no focal length and no f-number in EXIF or ticket.yaml: give them in ticket.yaml under `shots`"
    look = ["check", str(bench.folder / "plan.yaml"), "--tickets", str(bench.folder / "night")]
    assert run_command(look) == 2
    errors = capsys.readouterr().err.splitlines()
    assert f"T-0001/ticket.yaml:1: chart/manual.txt and 1 more: {expected}" in errors[1]
    code, summary = bench.run(capsys, "--serial")
    assert code == 13
    (ticket,) = summary["tickets"]
    assert {"what": "chart/manual.txt", "reason": expected, "lost": True} in ticket["reshoot"]
    assert bench.outcomes()["read_chart", "T-0001 chart/manual.txt"] == ("unmeasurable", expected)
    # it could belong to any setting, so none is complete; no setting "any" is made
    assert {thing for step, thing in bench.outcomes() if step == "combine_chart"} == {
        "T-0001 50 mm f/2",
        "T-0001 50 mm f/4",
    }
    ticket_file = folder / "ticket.yaml"
    ticket_file.write_text(ticket_file.read_text() + '  - {files: "*/manual*", focal_length_mm: 50, f_number: 4}\n')
    assert run_command(look) == 0
    assert bench.run(capsys, "--serial")[0] == 0
    assert bench.outcomes()["read_chart", "T-0001 chart/manual.txt"] == ("done", "")


def test_the_summary_for_people_lists_what_crashed_and_where_its_traceback_is(bench, capsys):
    bench.add_ticket(3, {**shots_of(3), "flat/f4_1.txt": "crash"})
    capsys.readouterr()
    assert run_command(bench.arguments("--serial")) == 13
    lines = capsys.readouterr().out.splitlines()
    (place,) = [index for index, line in enumerate(lines) if line.startswith("Crashed")]
    assert lines[place] == (
        "Crashed by a bug in the program or a plugin (`glasswright pages` shows each traceback on the ticket's page):"
    )
    assert lines[place + 1] == "  T-0003 read_flat of 50 mm f/4 flat/f4_1.txt: ZeroDivisionError: the toy broke"


def test_what_crashed_is_kept_and_measured_again_only_on_demand(bench, capsys):
    folder = bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "crash_once 20"})
    marker = folder.parent.parent / "marker"
    os.environ["TOY_CRASH_UNLESS"] = str(marker)
    try:
        assert bench.run(capsys, "--serial")[0] == 13
        marker.touch()
        code, summary = bench.run(capsys, "--serial")
        assert (code, summary["measured"]) == (13, 0)
        code, summary = bench.run(capsys, "--serial", "--retry")
        # the shot's two steps, its gather and the ticket's
        assert (code, summary["measured"]) == (0, 4)
        assert bench.outcomes()["read_chart", "T-0001 chart/f2_0.txt"] == ("done", "")
        code, summary = bench.run(capsys, "--serial")
        assert (code, summary["measured"]) == (0, 0)
    finally:
        del os.environ["TOY_CRASH_UNLESS"]


@pytest.mark.parametrize("options", [("--serial",), ("--workers", "1")])
def test_a_stage_that_prints_does_not_change_the_summary(bench, options):
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "print 20"})
    night = bench.start("--json", *options)
    printed, shown = night.communicate()
    assert night.returncode == 0, shown
    assert json.loads(printed)["measured"] == 21
    assert "a stage that prints" in shown


def test_bulk_that_cannot_be_recomputed_is_a_crash_and_no_lasting_skip(bench, capsys, monkeypatch):
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "crash_once 20"})
    marker = bench.write("marker", "")
    monkeypatch.setenv("TOY_CRASH_UNLESS", str(marker))
    assert bench.run(capsys, "--serial")[0] == 0
    marker.unlink()
    bench.write("plan.yaml", PLAN.replace("even: combine_flat}", "even: combine_flat}, settings: {shift_dn: 3}"))
    assert bench.run(capsys, "--serial")[0] == 13
    outcomes = bench.outcomes()
    assert outcomes["read_chart", "T-0001 chart/f2_0.txt"] == ("done", "")
    assert outcomes["average_chart", "T-0001 chart/f2_0.txt"] == (
        "crashed",
        "read_chart of T-0001 50 mm f/2 chart/f2_0.txt was done in an earlier run and is now crashed "
        "(ZeroDivisionError: the toy broke, this once)",
    )
    marker.touch()
    assert bench.run(capsys, "--serial", "--retry")[0] == 0


def test_a_file_that_is_written_to_while_it_is_measured_gives_no_value(bench, capsys):
    path = bench.folder / "night/T-0001/chart/f2_0.txt"
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": f"change 20 {path}"})
    assert bench.run(capsys, "--serial")[0] == 13
    assert bench.outcomes()["read_chart", "T-0001 chart/f2_0.txt"] == (
        "crashed",
        "chart/f2_0.txt was written to while it was measured: measure it again with --retry",
    )
