"""Small parts of the engine: tasks, steps to run, display of a night."""

import io
import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_plan, load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.intake.index import TicketRequest
from glasswright.intake.shot_setting import Nominal
from glasswright.plugin.artefact import Setting, Ticket
from glasswright.plugin.outcome import Outcome, Status
from glasswright.plugin.roles import Role
from glasswright.run import progress
from glasswright.run.early import look_at_shots
from glasswright.run.graph.expansion import NIGHT
from glasswright.run.graph.gathering import take_inputs
from glasswright.run.graph.grouping import enclosing_setting, planned_settings
from glasswright.run.graph.instance import Instance, Key, One
from glasswright.run.graph.lineage import own_roles, rounds_of
from glasswright.run.graph.phases import Phase, phases_of
from glasswright.run.progress import PlainDisplay, Tally, format_seconds
from glasswright.run.reports import Refusal, Reshoot, TicketReport
from glasswright.run.session import find_requests
from glasswright.run.summary import _describe_reshoots, find_causes
from glasswright.run.workers.limits import Limits
from glasswright.run.workers.rescue import _describe_end, do_alone
from glasswright.run.workers.runners import SerialRunner
from glasswright.run.workers.work import IndexFailure, IndexUnit, NoWatch, perform
from support.night_bench import PLAN, shots_of


@pytest.fixture
def plan(bench):
    return load_plan(bench.write("plan.yaml", PLAN), load_plugins())


def test_a_shots_chain_is_one_task_and_light_steps_are_one_task_per_ticket(plan):
    assert phases_of(plan, plan.steps, ()) == (
        Phase(chains=(frozenset({"read_flat", "average_flat"}),)),
        Phase(light=frozenset({"combine_flat"})),
        Phase(chains=(frozenset({"read_chart", "average_chart"}),)),
        Phase(light=frozenset({"combine_chart", "combine_ticket"})),
    )


def test_a_flat_that_corrects_a_chart_is_not_a_source_of_its_value(plan):
    assert own_roles(plan)["combine_chart"] == {"chart"}
    assert own_roles(plan)["combine_flat"] == {"flat"}


def test_a_plan_without_night_wide_steps_has_one_round(plan):
    assert set(rounds_of(plan).values()) == {0}


def test_planned_settings_are_every_combination_of_the_nominal_values():
    assert planned_settings(Nominal(focal_length_mm=(24, 70), f_number=(4,))) == (
        Setting(focal_length_mm=24, f_number=4),
        Setting(focal_length_mm=70, f_number=4),
    )
    assert planned_settings(Nominal(f_number=(4,))) == (Setting(f_number=4),)
    assert planned_settings(Nominal()) == ()


def test_a_shot_takes_the_value_of_its_own_setting_before_a_more_general_one():
    general = Setting(focal_length_mm=50, f_number=2)
    near, timed = replace(general, focus_distance_m=1.0), replace(general, exposure_time_s=0.1)
    assert enclosing_setting(near, {general, near}) == near
    assert enclosing_setting(near, {general}) == general
    assert enclosing_setting(timed, {general}) == general
    assert enclosing_setting(general, {near}) is None
    assert enclosing_setting(None, {general}) is None


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (0, ""),
        (-9, "killed by signal 9 (SIGKILL)"),
        (-11, "killed by signal 11 (SIGSEGV)"),
        (3, "its process ended with code 3"),
    ],
)
def test_the_end_of_a_process_is_described_in_words(code, expected):
    assert _describe_end(code) == expected


def test_a_value_that_is_not_finite_is_stored_unchanged(bench, capsys):
    # the mean of a file without numbers is NaN: the stage is DONE, and what a card asks of it is for judging
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "words only"})
    with pytest.warns(RuntimeWarning, match="empty slice|invalid value"):
        code, _ = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert code == 0
    with bench.ledger() as ledger:
        (state,) = ledger.latest_tickets(["T-0001"])
    (kept,) = [each for each in state.outcomes if each.shot == "chart/f2_0.txt" and each.step == "average_chart"]
    assert str(kept.status) == "done"
    assert math.isnan(kept.measured["mean_dn"].value)


def test_too_much_memory_is_a_crash_of_that_step_alone(bench, capsys, monkeypatch):
    monkeypatch.setattr("glasswright.run.workers.limits.memory_of_worker", lambda workers: 700 * 2**20 // workers)
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "fill_memory"})
    code, summary = bench.run(capsys, "--workers", "1")
    assert code == 13
    (crash,) = [each for each in summary["tickets"][0]["refusals"] if each["status"] == "crashed"]
    assert crash["item"] == "T-0001 50 mm f/2 chart/f2_0.txt"
    # the worker is killed for it; alone, with the same limit, numpy is refused the memory
    assert "MemoryError: Unable to allocate 128. MiB" in crash["reason"]


def test_plain_lines_have_the_time_and_the_count(capsys):
    with PlainDisplay(Tally(2, 3)) as display:
        display.shot_done("T-1")
        display.ticket_done(TicketReport(number="T-1", shots=2, measured=4, verdict="PASS"))
        display.ticket_done(TicketReport(number="T-2", shots=1, verdict="FAIL"))
    lines = [line.partition(" ")[2].partition(" ")[2] for line in capsys.readouterr().err.splitlines()]
    assert lines[0] == "2 tickets, 3 shots"
    assert lines[1].startswith("T-1: PASS (1 of 2 tickets, 2 of 3 shots, about ")
    assert lines[2] == "T-2: FAIL (2 of 2 tickets, 3 of 3 shots, 1 FAIL, 1 PASS)"


def test_a_line_is_written_each_minute_between_tickets(capsys, monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    with PlainDisplay(Tally(1, 9)) as display:
        for seconds in (0, 59, 1, 1, 58, 1):
            now[0] += seconds
            display.shot_done("T-1")
    lines = [line.partition(" ")[2].partition(" ")[2] for line in capsys.readouterr().err.splitlines()]
    assert [re.findall(r"(\d) of 9", line) for line in lines] == [[], ["3"], ["6"]]


def test_the_bar_has_no_colours_where_none_are_wanted(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1")
    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    with progress.BarDisplay(Tally(1, 2)) as display:
        display.shot_done("T-1")
        display.ticket_done(TicketReport(number="T-1", shots=2, verdict="PASS"))
    shown = screen.getvalue()
    assert "1 of 1 ticket, 2 of 2 shots" in shown
    assert "1 PASS" in shown
    assert "\x1b[3" not in shown


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (4.4, "4 s"),
        (99.0, "99 s"),
        (100, "2 min"),
        (600, "10 min"),
        (99 * 60, "99 min"),
        (100 * 60, "1 h 40 min"),
        (11100, "3 h 05 min"),
    ],
)
def test_times_are_written_for_people(seconds, expected):
    assert format_seconds(seconds) == expected


def test_a_ticket_is_complete_if_all_its_shots_could_be_used():
    skipped = Refusal(step="s", item="i", status="skipped", reason="no panel shot at f/2")
    doubtful = Reshoot(what="chart/1", reason="the light moved: shoot again", lost=False)
    whole = TicketReport(number="T-1", refusals=(skipped,), reshoot=(doubtful,))
    assert whole.is_complete()
    assert not replace(whole, reshoot=(replace(doubtful, lost=True),)).is_complete()
    assert not replace(whole, refusals=(replace(skipped, status="crashed"),)).is_complete()
    assert not replace(whole, unused=("chrt/ is not a role",)).is_complete()


def test_shots_that_crash_a_step_before_their_ticket_is_complete_are_named(bench):
    plugins = load_plugins()
    plan, stand = load_plan(bench.folder / "plan.yaml", plugins), load_stand(bench.folder / "stand.yaml", plugins)
    shots = {**shots_of(1), "chart/f2_0.txt": "crash", "chart/f2_1.txt": "blank", "flat/f4_0.txt": "crash"}
    bench.add_ticket(1, shots)
    (request,), _ = find_requests(plan, plugins.roles, bench.folder / "night")
    halt = SimpleNamespace(is_stopped=lambda: False, is_overdue=lambda: False)
    names = ["chart/f2_0.txt", "chart/f2_1.txt", "chart/f4_0.txt", "flat/f4_0.txt"]
    with SerialRunner() as runner:
        found = look_at_shots(plan, stand, plugins.packages, request, names, runner, halt)
    assert {(each.what, each.reason) for each in found} == {
        ("chart/f2_0.txt", "`read_chart` failed: ZeroDivisionError: the toy broke"),
        ("chart/f2_1.txt", "the file holds no numbers"),
        ("flat/f4_0.txt", "`read_flat` failed: ZeroDivisionError: the toy broke"),
    }


def test_a_folder_without_tickets_is_refused(bench, capsys):
    assert run_command(bench.arguments("--serial")) == 2
    assert "contains no ticket folders (each with a ticket.yaml): correct --tickets" in capsys.readouterr().err


def test_two_folders_of_one_ticket_number_are_both_refused(bench, capsys):
    bench.add_ticket(1)
    text = (bench.folder / "night/T-0001/ticket.yaml").read_text()
    bench.write("night/copy/ticket.yaml", text)
    bench.add_ticket(2)
    code, summary = bench.run(capsys, "--serial")
    assert code == 13
    assert [each["number"] for each in summary["tickets"]] == ["T-0002"]
    expected = "ticket number T-0001 is in several folders (T-0001, copy): correct all but one"
    assert {each["reason"] for each in summary["refused_tickets"]} == {expected}


def test_a_wrong_plan_stand_and_card_are_reported_at_once_and_nothing_is_done(bench, capsys):
    bench.add_ticket(1)
    bench.write("plan.yaml", PLAN.replace("role.flat", "role.flatt"))
    bench.write("stand.yaml", "stand: toy-bench\n")
    bench.write("cards/corvane.yaml", "card: [\n")
    assert run_command(bench.arguments("--cards", str(bench.folder / "cards"))) == 2
    printed = capsys.readouterr().err
    assert all(f"{bench.folder}/{name}:" in printed for name in ("plan.yaml", "stand.yaml", "cards/corvane.yaml"))
    assert not (bench.folder / "bench.ledger").exists()


def test_a_night_with_a_ledger_that_another_holds_ends_with_20(bench):
    from glasswright.ledger import Ledger

    bench.add_ticket(1)
    with Ledger.open_for_writing(bench.folder / "bench.ledger"):
        assert run_command(bench.arguments("--serial")) == 20


def test_the_json_summary_is_one_document(bench, capsys):
    bench.add_ticket(1)
    capsys.readouterr()
    assert run_command(bench.arguments("--serial", "--json")) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["exit_code"] == 0
    assert document["tickets"][0]["number"] == "T-0001"


def test_a_folder_that_is_gone_or_cannot_be_listed_refuses_its_ticket_alone(tmp_path):
    ticket = Ticket(number="T-1", model="m", serial="s", phase="release", body="b")
    request = TicketRequest(
        folder=tmp_path / "gone",
        ticket=ticket,
        body_serial=None,
        rules=(),
        nominal=Nominal(),
        roles={"chart": Role()},
        by_setting=frozenset(),
    )
    found = perform(IndexUnit(name="T-1/index", ticket="T-1", request=request), NoWatch())
    assert isinstance(found, IndexFailure)
    assert found.reason.startswith("its folder cannot be read: [Errno 2] No such file or directory")
    broken = IndexUnit(name="T-1/index", ticket="T-1", request=None)
    found = do_alone(broken, Limits())
    assert isinstance(found, IndexFailure)
    assert found.reason.startswith("its files could not be listed: its process ended with code 1. AttributeError")


def test_what_an_unknown_verdict_lacks_comes_before_steps_that_no_limit_speaks_of():
    skipped = (
        Refusal(step="autofocus", item="T-1 50 mm f/2", status="skipped", reason="`traces` has 1 of the 5 it needs"),
        Refusal(step="check_light", item="T-1 50 mm f/4", status="skipped", reason="no chart shot at 50 mm f/4"),
        Refusal(step="find_spots", item="T-1", status="skipped", reason="no flat shot in the ticket"),
    )
    reasons = (
        "sharpness at 50 mm f/4: UNKNOWN, `measure_sharpness` was not run at 50 mm f/4",
        "spots at the whole ticket: UNKNOWN, `find_spots` is skipped: no flat shot in the ticket",
    )
    causes = find_causes(TicketReport(number="T-1", verdict="UNKNOWN", refusals=skipped, verdict_reasons=reasons))
    assert causes == [
        "find_spots: no flat shot in the ticket",
        "check_light of 50 mm f/4: no chart shot at 50 mm f/4",
        *reasons,
        "autofocus of 50 mm f/2: `traces` has 1 of the 5 it needs",
    ]


def test_shots_to_be_shot_again_are_named_once_for_each_reason_the_most_first():
    def report(number, count, reason):
        return TicketReport(number=number, reshoot=tuple(Reshoot(what=f"c/{k}", reason=reason) for k in range(count)))

    several = (report("T-1", 1, "dark"), report("T-2", 4, "soft"), report("T-3", 5, "bright"))
    summary = SimpleNamespace(reports=several)
    assert list(_describe_reshoots(summary, detail=False))[1:] == [
        "  T-3 c/0, T-3 c/1, T-3 c/2, T-3 c/3 and 1 more: bright",
        "  T-2 c/0, T-2 c/1, T-2 c/2, T-2 c/3: soft",
        "  T-1 c/0: dark",
    ]
    assert list(_describe_reshoots(summary, detail=True))[1].endswith("T-3 c/4: bright")
    assert list(_describe_reshoots(SimpleNamespace(reports=()), detail=True)) == []


def test_an_input_is_needed_unless_a_step_may_do_without():
    key, item = Key(step="combine_flat", item=NIGHT), Key(step="compare", item=NIGHT)
    failed = Outcome(
        step="combine_flat", stage="toy.combine", item=NIGHT, address="a", status=Status.UNMEASURABLE, reason="too dark"
    )
    needed = take_inputs(Instance(key=item, inputs={"whole": One(key=key)}), {}, {key: failed})
    assert (needed.status, needed.reason) == (
        Status.SKIPPED,
        "`whole` is missing because combine_flat of the night is unmeasurable: too dark",
    )
    optional = take_inputs(Instance(key=item, inputs={"whole": One(key=key, may_lack=True)}), {}, {key: failed})
    assert (dict(optional.values), optional.caveats) == ({"whole": None}, {"made_without"})
    assert optional.notes == ("made without combine_flat of the night is unmeasurable: too dark",)
