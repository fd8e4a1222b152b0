"""The command line: output of check and stages, discovery of commands, exit codes."""

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from importlib.metadata import EntryPoint

import click
import pytest
from click.testing import CliRunner

import glasswright
import glasswright.preparing as preparing
from glasswright import SetupFinding
from glasswright.commands import main as command_line
from glasswright.commands import plugin_notes, tables
from glasswright.commands.first_line import read_first_line
from glasswright.config import load_plan
from glasswright.config.schema.plugins import PluginFailure, Plugins
from glasswright.errors import ConfigError, GlasswrightError, LedgerBusyError, LedgerDamagedError, Problem
from glasswright.judging.cards import load_cards
from glasswright.run.readiness import needed_roles
from support.config_toys import GOOD_BOARD, GOOD_PLAN, GOOD_STAND, GOOD_TICKET, TOYS

LIMITS = """\
card: "Corvane 50 mm f/2"
valid_for: {stand: toy-bench, body: Ostrel D7}
limits:
  - {measure: average_chart.left.offset_px, max: 3}
  - {measure: average_chart.marks_count, min: 3, rule: simple}
"""
ADOPTED = """\
plan:
  name: toy_plan
  by: K. Moreau
  at: "2026-03-01"
  why: the first plan
  settings: {focal_length_mm: [50], f_number: [2, 4]}
  stages:
    open_chart: {stage: toy.open_picture, inputs: {shot: role.chart, bench: stand.toy}, settings: {crop_px: 4}}
    find_chart: {stage: toy.find_marks, inputs: {picture: open_chart, bench: stand.toy}, settings: {darkness_frac: 0.5}}
    refine_chart: {stage: toy.refine_marks, inputs: {picture: open_chart, marks: find_chart}}
    average_chart:
      stage: toy.average_marks
      inputs: {marks: refine_chart, ticket: ticket}
      settings: {trim_frac: 0.1}
      per: setting
      at_least: 2
"""
GOOD_CARD = LIMITS + ADOPTED


@pytest.fixture
def toys(monkeypatch):
    monkeypatch.setattr(plugin_notes, "load_plugins", lambda: TOYS)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder with one of each file, all good; the current folder."""
    monkeypatch.setattr(plugin_notes, "load_plugins", lambda: TOYS)
    monkeypatch.chdir(tmp_path)
    for folder in ("cards", "night/T-0412"):
        (tmp_path / folder).mkdir(parents=True)
    files = {
        "plan.yaml": GOOD_PLAN,
        "stand.yaml": GOOD_STAND,
        "board.yaml": GOOD_BOARD,
        "map.bin": "even",
        "cards/corvane.yaml": GOOD_CARD,
        "night/T-0412/ticket.yaml": GOOD_TICKET,
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    shots = [f"chart/{number}_f2_a.dng" for number in (1, 2)]
    (tmp_path / "night/T-0412/chart").mkdir()
    for shot in shots:
        (tmp_path / "night/T-0412" / shot).write_bytes(b"no EXIF in here")
    sums = "".join(f"{'0' * 64}  {shot}\n" for shot in shots)
    (tmp_path / "night/T-0412/SHA256SUMS").write_text(sums)
    return tmp_path


def run(capsys, *arguments):
    code = command_line.run_command(arguments)
    out, err = capsys.readouterr()
    return code, out, err


ALL = ("check", "plan.yaml", "--stand", "stand.yaml", "--cards", "cards", "--tickets", "night")


@pytest.mark.usefixtures("bench")
def test_check_lists_the_files_that_it_read(capsys):
    code, out, err = run(capsys, *ALL)
    assert (code, err) == (0, "")
    assert out.splitlines() == [
        "plan     toy_plan: 9 steps, 11 measured fields",
        "stand    toy-bench: Ostrel D7",
        "cards    1: Corvane 50 mm f/2",
        "tickets  1: T-0412",
        "no mistakes",
        "T-0412  Corvane 50 mm f/2  C50-00417: 2 of 2 limits can be met here",
    ]


def test_check_reports_the_mistakes_of_all_files_at_once(bench, capsys):
    (bench / "plan.yaml").write_text(GOOD_PLAN.replace("crop_px: 4", "crop: 4"))
    (bench / "board.yaml").write_text("name: small\n")
    (bench / "cards/corvane.yaml").write_text(GOOD_CARD.replace("max: 3", "maxi: 3"))
    (bench / "night/T-0412/ticket.yaml").write_text(GOOD_TICKET.replace("release", "sold"))
    code, out, err = run(capsys, *ALL)
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert [line.split(": ")[0] for line in lines[:-1]] == [
        "board.yaml:1",
        "cards/corvane.yaml:4",
        "night/T-0412/ticket.yaml:3",
        "plan.yaml:10",
    ], err
    assert lines[-1] == "4 mistakes in the configuration; nothing was done"


def test_a_bad_card_does_not_hide_the_mistakes_of_another(bench, capsys):
    (bench / "cards/bad.yaml").write_text("card: 3\n")
    (bench / "cards/corvane.yaml").write_text(GOOD_CARD.replace("marks_count", "mark_count"))
    code, _, err = run(capsys, *ALL)
    assert code == 2
    assert [line.split(": ")[0] for line in err.splitlines()[:-1]] == [
        "cards/bad.yaml:1",
        "cards/bad.yaml:1",
        "cards/corvane.yaml:5",
    ], err


def test_check_matches_cards_with_the_plan(bench, capsys):
    text = GOOD_CARD.replace("left.offset_px", "left.ofset_px").replace(", rule: simple", "")
    (bench / "cards/corvane.yaml").write_text(text)
    code, _, err = run(capsys, *ALL)
    assert code == 2
    first, second = (line for line in err.splitlines() if line.startswith("cards/") and "(a note)" not in line)
    assert first.startswith("cards/corvane.yaml:4: ")
    assert "did you mean `average_chart.left.offset_px`?" in first
    assert second.startswith("cards/corvane.yaml:5: ")
    assert "has no uncertainty" in second


def test_check_notes_unusual_values(bench, capsys):
    (bench / "night/T-0412/ticket.yaml").write_text(GOOD_TICKET.replace("Corvane", "Velm").replace("Ostrel", "Ostrol"))
    code, out, err = run(capsys, *ALL)
    assert code == 12
    assert "no mistakes\n" in out
    assert err.splitlines() == [
        "night/T-0412/ticket.yaml:1: body `Ostrol D7` is not one of the stand's: Ostrel D7 (a note)",
        "night/T-0412/ticket.yaml:1: there is no card for `Velm 50 mm f/2`: the lens will be measured, but cannot pass "
        "(a note)",
    ]


def test_check_asks_for_the_note_and_the_name_that_a_hand_check_lacks(bench, capsys):
    answers = 'hand_checks: {mount: {answer: fail, who: "K. Moreau", when: "2026-03-01T21:00:00+00:00"}}\n'
    (bench / "night/T-0412/ticket.yaml").write_text(GOOD_TICKET + answers)
    _, _, err = run(capsys, *ALL)
    expected = "night/T-0412/ticket.yaml:1: hand check `mount` failed without a note: add what was found (a note)"
    assert expected in err.splitlines()
    (bench / "night/T-0412/ticket.yaml").write_text(GOOD_TICKET + answers.replace("K. Moreau", "x"))
    _, _, err = run(capsys, *ALL)
    assert "night/T-0412/ticket.yaml:1: hand check `mount`: `x` is not the name of a person" in err


def test_check_refuses_two_tickets_of_one_number_and_folders_without_tickets(bench, capsys):
    (bench / "night/again").mkdir()
    (bench / "night/again/ticket.yaml").write_text(GOOD_TICKET)
    (bench / "night/empty").mkdir()
    code, _, err = run(capsys, *ALL)
    assert code == 2
    assert "night/again/ticket.yaml:1: ticket number `T-0412` is also that of night/T-0412/ticket.yaml" in err
    assert "night/empty/ticket.yaml: there is no such file: correct the path" in err


def test_check_prints_json(bench, capsys):
    code, out, _ = run(capsys, *ALL, "--json")
    assert code == 0
    assert json.loads(out)["ok"] is True
    (bench / "plan.yaml").write_text("plan: x\n")
    code, out, _ = run(capsys, *ALL, "--json")
    assert code == 2
    assert json.loads(out)["problems"] == [{"file": "plan.yaml", "line": 1, "message": "`stages` is missing"}]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("check", "none.yaml"), "none.yaml: there is no such file: correct the path"),
        (("check", "plan.yaml", "--cards", "none"), "none: there is no such folder of cards"),
        (("check", "plan.yaml", "--cards", "night"), "night: holds no card, so nothing can pass: correct --cards"),
        (("check", "plan.yaml", "--tickets", "none"), "none: there is no such folder of tickets"),
        (("check", "plan.yaml", "--tickets", "cards"), "cards: contains no ticket folder"),
        (("check",), "Missing argument 'PLAN'"),
        (("chek", "plan.yaml"), "unknown command `chek`; did you mean `check`?"),
        (("check", "plan.yaml", "--stnd", "x"), "No such option"),
        (("stages", "average_mark"), "unknown stage `average_mark`; did you mean `toy.average_marks`?"),
    ],
)
@pytest.mark.usefixtures("bench")
def test_a_wrong_command_ends_with_two(capsys, arguments, message):
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert message in err


@pytest.mark.usefixtures("toys")
def test_stages_are_listed(capsys):
    code, out, err = run(capsys, "stages")
    assert (code, err) == (0, "")
    assert [line.split()[0] for line in out.splitlines()[2:]] == list(TOYS.stages)
    assert re.search(r"toy\.average_marks +Mean +Average marks\.", out)


@pytest.mark.usefixtures("toys")
def test_a_stage_is_explained(capsys):
    code, out, _ = run(capsys, "stages", "open_picture")
    assert code == 0
    assert re.search(r"shot +one Shot\n", out)
    assert re.search(r"crop_px +pixel +whole number +0 +>= 0 +Width of the excluded border\.\n", out)
    assert "it has no measured fields" in out
    _, out, _ = run(capsys, "stages", "toy.average_marks")
    assert re.search(r"marks +several Marks \(gathered `per` setting, ticket or night\)\n", out)
    assert re.search(r"marks_count +count +no +Number of marks\.\n", out)
    assert re.search(r"left\.offset_px +pixel +yes\n", out)
    _, out, _ = run(capsys, "stages", "compare_means")
    assert re.search(r"method +ratio or difference +\(required\)\n", out)
    assert re.search(r"reference +one Mean, or none\n", out)
    assert "\x1b" not in out


@pytest.mark.usefixtures("toys")
def test_stages_print_json(capsys):
    _, out, _ = run(capsys, "stages", "--json")
    assert [stage["stage"] for stage in json.loads(out)] == list(TOYS.stages)
    _, out, _ = run(capsys, "stages", "average_marks", "--json")
    stage = json.loads(out)
    assert stage["settings"] == [
        {
            "name": "trim_frac",
            "unit": "1",
            "kind": "number",
            "required": False,
            "default": 0.1,
            "range": ">= 0, < 0.5",
            "meaning": "",
        }
    ]
    assert stage["fields"][1] == {
        "name": "left.offset_px",
        "unit": "pixel",
        "kind": "float",
        "has_uncertainty": True,
        "meaning": "",
    }


def test_a_stage_name_of_two_plugins_must_be_given_in_full(monkeypatch, capsys):
    twice = dict(TOYS.stages)
    twice["other.open_picture"] = twice["toy.open_picture"].__class__(
        **{
            **{name: getattr(twice["toy.open_picture"], name) for name in twice["toy.open_picture"].__slots__},
            "id": "other.open_picture",
        }
    )
    monkeypatch.setattr(plugin_notes, "load_plugins", lambda: Plugins(stages=twice))
    code, _, err = run(capsys, "stages", "open_picture")
    assert code == 2
    assert "several plugins have a stage `open_picture`: choose one of `toy.open_picture`, `other.open_picture`" in err


def test_a_failed_plugin_is_named_on_stderr(monkeypatch, capsys):
    failed = Plugins(failures=(PluginFailure("toy", "loading toy failed: ImportError: no camera"),))
    monkeypatch.setattr(plugin_notes, "load_plugins", lambda: failed)
    code, out, err = run(capsys, "stages")
    assert (code, out) == (2, "")
    assert err.splitlines() == [
        "plugin `toy` cannot be used: loading toy failed: ImportError: no camera",
        "glasswright: no plugin has a stage: correct the errors above",
    ]


@pytest.mark.usefixtures("bench")
def test_without_any_plugin_commands_fail(monkeypatch, capsys):
    monkeypatch.setattr(plugin_notes, "load_plugins", Plugins)
    for words in (["stages"], ["stages", "--json"], ALL):
        code, out, err = run(capsys, *words)
        assert (code, out) == (2, "")
        assert err == "glasswright: no plugin has a stage: install one, or install glasswright again\n"


@pytest.fixture
def plugin_command(monkeypatch):
    """Offer one command like a plugin."""

    def offer(function, value="config_commands_toy:toy"):
        point = EntryPoint(name="toy", value=value, group="glasswright.commands")
        monkeypatch.setattr(command_line, "_plugin_commands", lambda: [point])
        module = type(sys)("config_commands_toy")
        module.toy = click.command("toy")(function) if callable(function) else function
        monkeypatch.setitem(sys.modules, "config_commands_toy", module)

    return offer


def raiser(error):
    def toy():
        raise error

    return toy


@pytest.mark.parametrize(
    ("function", "code", "expected"),
    [
        (lambda: None, 0, ""),
        (lambda: 13, 13, ""),
        (lambda: click.get_current_context().exit(11), 11, ""),
        (lambda: "text", 0, ""),
        (raiser(GlasswrightError("it broke")), 1, "glasswright: it broke\n"),
        (raiser(LedgerBusyError("held by 12")), 20, "glasswright: held by 12\n"),
        (raiser(LedgerDamagedError("newer")), 21, "glasswright: newer\n"),
        (
            raiser(ConfigError([Problem("b.yaml", 2, "two"), Problem("a.yaml", 3, "three")])),
            2,
            "a.yaml:3: three\nb.yaml:2: two\n2 mistakes in the configuration; nothing was done\n",
        ),
        (
            raiser(ConfigError([Problem("b.yaml", 2, "two")])),
            2,
            "b.yaml:2: two\n1 mistake in the configuration; nothing was done\n",
        ),
        (raiser(click.ClickException("no")), 2, "Error: no\n"),
        (raiser(click.Abort()), 130, "interrupted\n"),
        (raiser(KeyboardInterrupt()), 130, "\ninterrupted\n"),
    ],
)
def test_every_end_of_a_command_has_its_exit_code(plugin_command, capsys, function, code, expected):
    plugin_command(function)
    assert run(capsys, "toy") == (code, "", expected)


def test_an_unexpected_failure_is_one_with_its_traceback(plugin_command, capsys):
    plugin_command(raiser(ZeroDivisionError("of nothing")))
    code, out, err = run(capsys, "toy")
    assert (code, out) == (1, "")
    assert "Traceback" in err
    assert "ZeroDivisionError: of nothing" in err
    assert err.splitlines()[-1].endswith("failed unexpectedly; the lines above say where")


@pytest.mark.parametrize(
    ("function", "value", "reason"),
    [
        (None, "no_module_of_this_name:toy", "cannot be loaded: ModuleNotFoundError: No module named 'no_module_of"),
        ("text", "config_commands_toy:toy", "is not a click command"),
    ],
)
def test_a_plugin_command_that_cannot_be_loaded_stops_no_other(plugin_command, capsys, function, value, reason):
    plugin_command(function, value)
    code, out, err = run(capsys, "--help")
    assert (code, err) == (0, "")
    assert re.search(r"^ *check .*", out, flags=re.MULTILINE)
    assert re.search(r"^ *toy *$", out, flags=re.MULTILINE)
    code, _, err = run(capsys, "toy")
    assert code == 2
    assert f"the plugin command `toy` ({value})" in err
    assert reason in err


DOCSTRING = '"""Do a toy\'s work. Then rest.\n\n    More."""\n'


@pytest.mark.parametrize(
    ("source", "line"),
    [
        ("@click.command()\ndef work():\n    " + DOCSTRING, "Do a toy's work."),
        ('@click.command(short_help="Work.")\ndef work():\n    ' + DOCSTRING, "Work."),
        ("def other():\n    " + DOCSTRING, ""),
        ("def work(:", ""),
    ],
)
def test_the_help_line_of_a_plugin_command_is_read_without_loading_it(tmp_path, monkeypatch, source, line):
    package = tmp_path / "listed_toy"
    package.mkdir()
    (package / "__init__.py").write_text("raise RuntimeError('loaded')\n", encoding="utf-8")
    (package / "commands.py").write_text(source, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    assert read_first_line(EntryPoint("toy", "listed_toy.commands:work", command_line.PLUGIN_GROUP)) == line
    assert read_first_line(EntryPoint("toy", "listed_toy.missing:work", command_line.PLUGIN_GROUP)) == ""


def test_the_commands_of_the_shipped_plugins_are_listed_with_a_line(capsys):
    _, out, _ = run(capsys, "--help")
    words = " ".join(out.split())
    assert " rehearse Write a night of raw files with known true values. " in words
    assert " print Print charts and sheets true to scale, as PDF. " in words


@pytest.mark.parametrize("words", [["--help"], ["nothing"]])
def test_help_and_errors_load_neither_plugins_nor_numbers_nor_clusters(words):
    heavy = {"glasswright_camera", "glasswright_rehearsal", "numpy", "dask", "distributed", "numba", "sqlite3", "rich"}
    code = (
        f"import sys; from glasswright.commands.main import run_command; run_command({words});"
        f"print(sorted({heavy} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_package_runs_as_a_module_and_knows_its_version(capsys):
    _, version, _ = run(capsys, "--version")
    done = subprocess.run(
        [sys.executable, "-m", "glasswright", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout == version == f"{glasswright.__version__}\n"


def test_numeric_libraries_are_kept_to_one_thread(monkeypatch):
    for name in command_line.THREADS:
        monkeypatch.setenv(name, "8")
    command_line.use_one_thread()
    assert {os.environ[name] for name in command_line.THREADS} == {"1"}


def test_the_version_is_that_of_the_distribution(capsys):
    code, out, _ = run(capsys, "--version")
    assert code == 0
    assert re.fullmatch(r"\d+\.\d+\.\d+\n", out)


@pytest.mark.parametrize("name", ["check", "stages"])
def test_help_contains_an_example(name):
    command = command_line.glasswright.get_command(click.Context(command_line.glasswright), name)
    out = CliRunner().invoke(command, ["--help"]).output
    assert f"Example:\n    glasswright {name}" in out


def test_check_notes_limits_without_effect(bench, capsys):
    text = LIMITS + "  - {measure: average_panel.left.offset_px, min: 1, at: {f_number: 2.8}}\n" + ADOPTED
    (bench / "cards/corvane.yaml").write_text(text)
    (bench / "stand.yaml").write_text(GOOD_STAND.replace("average_*.*_px", "average_panel.*_px"))
    (bench / "cards/other.yaml").write_text(GOOD_CARD.replace("toy-bench", "[east, west]").replace("50 mm", "35 mm"))
    code, _, err = run(capsys, *ALL)
    assert code == 12
    assert err.splitlines() == [
        "cards/corvane.yaml:4: stand `toy-bench` declares no reproducibility for `average_chart.left.offset_px`: this "
        "limit is REVIEW at best (a note)",
        "cards/corvane.yaml:6: plan `toy_plan` lists no setting f/2.8: this limit is UNKNOWN unless a ticket has such "
        "shots (a note)",
        "cards/corvane.yaml:7: plan `toy_plan` differs from the card's `toy_plan`: the card's plan does not "
        "say how `average_panel` is made; limits on it are UNKNOWN unless `glasswright adopt` takes it (a note)",
        "1 note on cards of lenses that have no ticket here: -v lists them",
    ]
    _, _, err = run(capsys, *ALL, "-v")
    last = "cards/other.yaml:2: the card is not for stand `toy-bench`: every verdict will be UNKNOWN (a note)"
    assert err.splitlines()[-1] == last


def test_a_table_on_a_terminal_is_ruled_and_takes_no_text_for_a_colour(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    tables.print_table("Title", ("one", "two"), [("[red]", "a b")])
    out, _ = capsys.readouterr()
    assert re.search(r"│ \[red\] │ a b │", out)
    tables.print_table("Title", ("one",), [])
    assert capsys.readouterr().out == ""


def test_required_inputs_of_a_step_are_read_from_the_plan(tmp_path):
    (tmp_path / "plan.yaml").write_text(GOOD_PLAN)
    needs = needed_roles(load_plan(tmp_path / "plan.yaml", TOYS))
    assert needs["find_chart"] == {"chart": 1}
    assert needs["average_chart"] == {"chart": 2}, "at_least: 2"
    assert needs["average_panel"] == {"panel": 1}
    # the reference is optional and not wired
    assert needs["compare"] == {"chart": 2}


def test_a_missing_shot_is_named_with_the_limits_that_need_it(bench, capsys, tmp_path):
    (bench / "night/T-0412/chart/2_f2_a.dng").unlink()
    code, out, _ = run(capsys, *ALL, "--shooting-list", str(tmp_path / "list.txt"))
    assert code == 12
    assert out.splitlines()[5:] == [
        "T-0412  Corvane 50 mm f/2  C50-00417: 0 of 2 limits can be met here",
        "  cannot be met, because chart at 50 mm f/2: 1 shot lacking: all limits",
        "  still to be shot:",
        "    chart at 50 mm f/2: 1 shot",
    ]
    assert "[ ] chart at 50 mm f/2: 1 shot" in (tmp_path / "list.txt").read_text()


def test_a_folder_that_is_no_role_is_named_with_the_remedy(bench, capsys):
    (bench / "night/T-0412/chart").rename(bench / "night/T-0412/Chart")
    code, out, err = run(capsys, *ALL)
    assert code == 12
    assert "Chart/ is not a role: its 2 files are not used; rename it to `chart`" in err
    assert "chart at each setting: 2 shots lacking" in out


def test_a_limit_at_a_setting_that_was_not_shot_is_named_separately(bench, capsys):
    (bench / "cards/corvane.yaml").write_text(GOOD_CARD.replace("max: 3", "max: 3, at: {f_number: 4}"))
    code, out, _ = run(capsys, *ALL, "-v")
    assert code == 12
    assert "average_chart.left.offset_px at f/4: cannot be met, because: chart at f/4: 2 shots lacking" in out
    assert "average_chart.marks_count: can be met" in out


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "reason"),
    [
        ("stand.yaml", "average_*.*_px: {relative_u", "other.*_px: {relative_u", 11, "declares no reproducibility"),
        ("stand.yaml", "toy-bench", "new-bench", 12, "the card is valid for stand toy-bench, this is `new-bench`"),
        ("night/T-0412/ticket.yaml", "Ostrel D7", "Velm X1", 12, "the card is valid for body Ostrel D7"),
        ("plan.yaml", "crop_px: 4", "crop_px: 5", 12, "plan `toy_plan` differs from the card's plan"),
        ("night/T-0412/SHA256SUMS", "0  chart/1_f2_a.dng", "0  chart/9_f2_a.dng", 11, "1 of its shots are not in"),
        ("cards/corvane.yaml", "confidence: 0.95", "identity: serial", 12, "2 of 2 files carry no lens serial"),
        ("cards/corvane.yaml", "confidence: 0.95", "hand_checks: [a]", 2, "hand"),
    ],
)
def test_each_reason_is_shown(bench, capsys, file, old, new, code, reason):
    card = bench / "cards/corvane.yaml"
    card.write_text(card.read_text().replace("limits:", "confidence: 0.95\nlimits:"))
    path = bench / file
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))
    found, out, err = run(capsys, *ALL)
    assert (found, reason in out + err) == (code, True), out + err


def test_json_holds_every_limit_with_its_reasons(bench, capsys):
    (bench / "night/T-0412/SHA256SUMS").unlink()
    code, out, _ = run(capsys, *ALL, "--json")
    assert code == 11
    (ticket,) = json.loads(out)["foreseen"]
    assert [limit["outlook"] for limit in ticket["limits"]] == ["review at best"] * 2
    assert ticket["limits"][0]["reasons"][0].startswith("no SHA256SUMS: run `sha256sum */* > SHA256SUMS`")


def test_all_mistakes_of_a_card_are_reported_at_once(bench, capsys):
    broken = GOOD_CARD.replace("left.offset_px, max: 3", "left.ofset_px, max: 3").replace(
        "min: 3, rule", "mini: 3, rule"
    )
    (bench / "cards/corvane.yaml").write_text(broken)
    code, _, err = run(capsys, *ALL)
    assert code == 2
    assert "cards/corvane.yaml:4: the plan measures no `average_chart.left.ofset_px`" in err
    assert "cards/corvane.yaml:5: `limits[1].mini`: unknown key" in err


@pytest.mark.usefixtures("bench")
def test_a_plugin_can_report_that_a_card_does_not_match_the_stand(capsys, monkeypatch):
    def check(section, facts):
        assert type(section).__name__ == "Bench"
        assert facts == ()
        yield SetupFinding(model="Corvane 50 mm f/2", message="the board is too small", blocks=True)

    monkeypatch.setattr(plugin_notes, "load_plugins", lambda: replace(TOYS, setup_checks={"toy": check}))
    code, out, err = run(capsys, *ALL)
    assert code == 12
    assert "cards/corvane.yaml:1: the board is too small (a note)" in err
    assert "cannot be met, because the board is too small: all limits" in out


def test_the_first_plan_is_written_into_a_card_once(bench, monkeypatch):
    monkeypatch.setattr(preparing, "load_plugins", lambda: TOYS)
    path, model = bench / "cards/corvane.yaml", "Corvane 50 mm f/2"
    path.write_text(LIMITS)
    preparing.adopt_first_plan(bench / "cards", model, bench / "plan.yaml", by="K. Moreau", why="the first plan")
    written = path.read_text()
    assert written.startswith(LIMITS)
    plan = load_cards(bench / "cards")[model].card.plan
    assert (plan.name, plan.by, plan.why) == ("toy_plan", "K. Moreau", "the first plan")
    now = datetime.now().astimezone()
    assert plan.at in {each.date().isoformat() for each in (now, now - timedelta(minutes=5))}
    preparing.adopt_first_plan(bench / "cards", model, bench / "plan.yaml", by="L. Osei", why="once more")
    assert path.read_text() == written
