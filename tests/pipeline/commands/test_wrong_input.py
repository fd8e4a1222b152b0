"""Common mistakes of newcomers: each message names the remedy, and no files are left behind."""

import click
import pytest
from click.testing import CliRunner

from glasswright.commands.main import glasswright, run_command
from glasswright.config import find_shipped
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from support import CONFIGS
from support.ledger_toys import write_night


def run_program(capsys, *arguments):
    code = run_command([str(each) for each in arguments])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return code, captured.out, captured.err


@pytest.mark.parametrize("inside", ["absent", "folders_of_something_else"])
def test_a_wrong_folder_of_tickets_leaves_no_ledger_behind(tmp_path, bench, capsys, inside):
    wrong = tmp_path / "wrong"
    if inside != "absent":
        (wrong / "charts").mkdir(parents=True)
        (wrong / "stands").mkdir()
    arguments = [wrong if each.endswith("/night") else each for each in bench.arguments(ledger="new.ledger")]
    code, _, err = run_program(capsys, *arguments)
    assert code == 2
    assert "correct --tickets" in err
    assert not list(tmp_path.glob("**/new.ledger*"))


def test_the_message_of_a_missing_file_has_no_line(tmp_path, capsys):
    code, _, err = run_program(capsys, "check", tmp_path / "nix.yaml")
    assert code == 2
    assert f"{tmp_path / 'nix.yaml'}: there is no such file: correct the path" in err
    code, _, err = run_program(capsys, "check", tmp_path)
    assert f"{tmp_path}: is a folder, not a file: correct the path" in err


def test_a_file_of_another_kind_is_not_reported_as_a_damaged_ledger(tmp_path, capsys):
    other = tmp_path / "stand.yaml"
    other.write_text("stand: north-bench\n" * 100)
    code, _, err = run_program(capsys, "gate", "T-1", "--ledger", other)
    assert code == 21
    assert (
        "the ledger is damaged, or this is not a ledger (file is not a database): restore it from a backup, or correct"
        in err
    )


def test_a_file_of_another_kind_gets_no_lock_beside_it(tmp_path, bench, capsys):
    bench.add_ticket(1)
    (tmp_path / "other.md").write_text("no ledger")
    code, _, err = run_program(capsys, *bench.arguments(ledger="other.md"))
    assert code == 21
    assert "this is not a ledger (file is not a database)" in err
    assert list(tmp_path.glob("other.md*")) == [tmp_path / "other.md"]


def test_rehearsing_and_printing_work_away_from_the_project(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    size = ("--tickets", "1", "--megapixels", "0.3", "--f-number", "4", "--fault", "none", "--workers", "1")
    assert run_program(capsys, "rehearse", "night", *size)[0] == 0
    for name in ("plans/fixed_focal.yaml", "cards/corvane_50_f2.yaml"):
        assert (tmp_path / "night" / name).read_bytes() == (CONFIGS / name).read_bytes()
    for what in ("chart", "ramp"):
        assert run_program(capsys, "print", what, "--out", "prints")[0] == 0
    assert sorted(path.suffix for path in (tmp_path / "prints").iterdir()) == [".pdf", ".pdf", ".yaml", ".yaml"]


def test_a_stand_or_layout_that_is_not_there_is_named(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in (("rehearse", "night", "--stand"), ("print", "chart", "--layout"), ("print", "ramp", "--layout")):
        code, _, err = run_program(capsys, *words, "nix.yaml")
        assert code == 2
        assert "there is no file nix.yaml: name another, or omit the option" in err
    assert list(tmp_path.iterdir()) == []


def test_a_package_without_configuration_files_is_named():
    with pytest.raises(
        GlasswrightError, match=r"the package click contains no configs/plans: install glasswright again"
    ):
        find_shipped("click", "plans")


def test_pages_that_cannot_be_written_name_the_remedy(tmp_path, capsys):
    ledger = tmp_path / "bench.ledger"
    write_night(ledger)
    (tmp_path / "file").write_text("")
    code, _, err = run_program(capsys, "pages", "--ledger", ledger, "--out", tmp_path / "file" / "pages")
    assert code == 2
    assert "cannot be made (Not a directory): choose another --out" in err


def test_no_summary_of_a_command_is_cut_short():
    out = CliRunner().invoke(glasswright, ["--help"]).output
    assert "..." not in out.partition("Commands:")[2].partition("Example")[0]


def test_one_ticket_is_written_in_the_singular():
    assert [format_count(number, "ticket") for number in (0, 1, 2)] == ["0 tickets", "1 ticket", "2 tickets"]
    assert [format_count(number, "lens") for number in (1, 2)] == ["1 lens", "2 lenses"]


PLAN, STAND, CARDS = CONFIGS / "plans/fixed_focal.yaml", CONFIGS / "stands/north_bench.yaml", CONFIGS / "cards"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((STAND, "--stand", STAND), f"{STAND}: this is a stand file, and a plan is needed here"),
        ((PLAN, "--stand", PLAN), f"{PLAN}: this is a plan, and a stand file is needed here"),
        ((PLAN, "--stand", CARDS / "corvane_50_f2.yaml"), "this is a card, and a stand file is needed here"),
    ],
    ids=["stand for plan", "plan for stand", "card for stand"],
)
def test_a_file_of_another_kind_is_one_mistake(capsys, words, message):
    code, _, err = run_program(capsys, "check", *words)
    assert code == 2
    assert message in err
    assert "1 mistake in the configuration" in err


def test_a_place_that_is_not_writable_is_named(tmp_path, bench, capsys):
    # a file in a folder's place refuses everybody, whatever rights the tests run with
    bench.add_ticket(1)
    (tmp_path / "new.ledger.lock").mkdir()
    code, _, err = run_program(capsys, *bench.arguments("--serial", ledger="new.ledger"))
    assert code == 2
    assert "its lock new.ledger.lock cannot be written (Is a directory): check who may write there" in err
    (tmp_path / "file").write_text("")
    code, _, err = run_program(capsys, "rehearse", tmp_path / "file" / "night")
    assert code == 2
    assert "(Not a directory): choose another folder" in " ".join(err.split())


NEEDED = {
    "pages": "ledger out",
    "tune": "ledger cards",
    "mountings": "stand cards lens",
    "verify": "ledger",
    "compare": "ledger",
    "decide": "ledger by why",
    "record": "ledger",
    "export": "ledger out",
    "watch": "ledger stand",
    "inspected": "ledger by why",
    "study": "ledger stand",
    "gate": "ledger",
    "returned": "ledger by why",
    "run": "stand tickets ledger",
    "matrix": "ledger",
    "judge": "ledger cards stand",
    "adopt": "cards by why",
}


@pytest.mark.parametrize("command", NEEDED)
def test_an_option_that_a_command_needs_is_named_when_it_is_missing(command):
    found = glasswright.get_command(click.Context(glasswright), command)
    needed = {each.name: each for each in found.params if isinstance(each, click.Option) and each.required}
    assert {each.opts[0].removeprefix("--") for each in needed.values()} == set(NEEDED[command].split())
