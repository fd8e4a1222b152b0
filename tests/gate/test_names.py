"""Invalid names and kinds of files: each refuses its own ticket at most."""

import os
import socket
import subprocess
import sys
from contextlib import chdir
from pathlib import Path

import pytest

from glasswright.commands.main import run_command
from glasswright.intake.checksums import read_checksums
from glasswright.plain_text import escape, escape_name, is_plain
from support.night_bench import PROGRAM

NO_NAME = "its name is not UTF-8 text that can be printed and written to a list: rename it"


def write_raw(folder: Path, name: bytes, text: str = "21.9 3") -> None:
    with open(os.fsencode(folder) + b"/" + name, "w") as file:  # noqa: PTH123 - pathlib takes no bytes
        file.write(text)


BY_TICKET = "f-number from ticket.yaml alone, EXIF has none: chart/f2_0.txt and 7 more"
UNPRINTABLE = {
    b"f2_gr\xf6.txt": r"f2_gr\xf6.txt",
    b"f2_a\nb.txt": r"f2_a\nb.txt",
    b"f2_a\\nb.txt": r"f2_a\\nb.txt",
    b"f2_\x1b[31mPASS.txt": r"f2_\x1b[31mPASS.txt",
    "f2_\u202etxt.pass".encode(): r"f2_\u202etxt.pass",
}


def test_a_shot_whose_name_cannot_be_printed_is_refused_by_name_and_the_night_goes_on(bench, capsys):
    for number, name in enumerate(UNPRINTABLE, start=2):
        write_raw(bench.add_ticket(number) / "chart", name)
    bench.add_ticket(1)
    code, summary = bench.run(capsys, "--cards", str(bench.folder / "cards"), "--workers", "1")
    assert code == 13
    sound, *odd = summary["tickets"]
    assert (sound["verdict"], sound["refusals"], sound["findings"]) == ("PASS", [], [BY_TICKET])
    for ticket, shown in zip(odd, UNPRINTABLE.values(), strict=True):
        assert ticket["findings"] == [BY_TICKET, f"chart/{shown}: {NO_NAME}"]
        assert [each["what"] for each in ticket["reshoot"]] == [f"chart/{shown}"]
    pages = ["pages", "--ledger", str(bench.folder / "bench.ledger"), "--out", str(bench.folder / "pages")]
    assert run_command([*pages, "--tickets", str(bench.folder / "night"), "--workers", "1"]) == 0
    code, summary = bench.run(capsys, "--serial")
    assert (code, summary["measured"]) == (13, 0)


def test_a_ticket_folder_with_such_a_name_is_refused_under_its_number(bench, capsys):
    bench.add_ticket(2)
    folder = bench.add_ticket(1)
    bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    gate = ["gate", "T-0001", "--ledger", str(bench.folder / "bench.ledger")]
    assert run_command(gate) == 0
    os.rename(os.fsencode(folder), os.fsencode(folder.parent) + b"/T-\xf6")  # noqa: PTH104 - pathlib takes no bytes
    code, summary = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert code == 13
    (refused,) = summary["refused_tickets"]
    assert refused["folder"].endswith("/T-\\xf6")
    assert refused["number"] == "T-0001"
    assert refused["reason"] == "the folder's name is not UTF-8 text that can be printed: rename it"
    assert [each["number"] for each in summary["tickets"]] == ["T-0002"]
    # earlier results of it may no longer be valid
    assert run_command(gate) == 12


def test_names_that_differ_only_in_unicode_composition_are_refused(bench, capsys):
    folder = bench.add_ticket(1)
    write_raw(folder / "chart", "f2_\u00e4.txt".encode())
    write_raw(folder / "chart", "f2_a\u0308.txt".encode(), "21.8 3")
    write_raw(folder / "chart", "f4_\u00f6.txt".encode(), "21.7 3")
    code, summary = bench.run(capsys, "--serial")
    reasons = {each["reason"] for each in summary["tickets"][0]["reshoot"]}
    names = "'chart/f2_a\\u0308.txt' and 'chart/f2_\\xe4.txt'"
    assert reasons == {f"the names {names} differ only in how their letters are composed: rename all but one"}
    assert code == 13


def test_pipes_sockets_and_loops_are_named_without_waiting(bench, capsys):
    folder = bench.add_ticket(1)
    os.mkfifo(folder / "chart" / "f2_8.txt")
    os.mkfifo(folder / "SHA256SUMS")
    (folder / "chart" / "loop").symlink_to("loop")
    (folder / "up").symlink_to("..")
    with socket.socket(socket.AF_UNIX) as open_socket:
        with chdir(folder / "chart"):  # the whole path may be longer than a socket's may be
            open_socket.bind("f2_9.txt")
        other = bench.add_ticket(2)
        (other / "ticket.yaml").unlink()
        os.mkfifo(other / "ticket.yaml")
        (bench.add_ticket(3) / "ticket.yaml").unlink()
        (bench.folder / "night" / "T-0003" / "ticket.yaml").symlink_to("/dev/zero")
        (bench.folder / "night" / "T-0004").symlink_to("nowhere")
        code, summary = bench.run(capsys, "--workers", "1")
    assert code == 13
    (ticket,) = summary["tickets"]
    assert ticket["findings"] == [
        BY_TICKET,
        "chart/f2_8.txt is not a plain file: not used",
        "chart/f2_9.txt is not a plain file: not used",
        "SHA256SUMS is not a plain file: not read. Copy the list itself",
    ]
    assert ticket["unused"] == [
        "chart/loop is a symbolic link, which is not followed: copy the file itself",
        "up is a symbolic link, which is not followed: copy the files themselves",
    ]
    reasons = {Path(each["folder"]).name: each["reason"] for each in summary["refused_tickets"]}
    assert reasons.keys() == {"T-0002", "T-0003", "T-0004"}
    assert reasons["T-0002"].endswith("ticket.yaml: is not a plain file")
    assert reasons["T-0003"].endswith("ticket.yaml: is not a plain file")
    assert reasons["T-0004"].endswith("ticket.yaml: there is no such file: correct the path")


@pytest.mark.parametrize("what", ["T-0001", "chart"])
def test_an_unreadable_folder_refuses_only_its_ticket(bench, capsys, monkeypatch, what):
    bench.add_ticket(1)
    bench.add_ticket(2)
    locked = bench.folder / "night" / "T-0001" if what == "T-0001" else bench.folder / "night" / "T-0001" / "chart"
    read = Path.iterdir

    def refuse(path):
        if path == locked:
            raise PermissionError(13, "Permission denied", str(path))
        return read(path)

    monkeypatch.setattr(Path, "iterdir", refuse)  # root may read everything
    assert run_command(bench.arguments("--serial")) == 13
    printed = capsys.readouterr().out
    assert f"T-0001  refused  its folder cannot be read: [Errno 13] Permission denied: '{locked}'" in printed
    assert "T-0002  Corvane 50 mm f/2" in printed


def test_a_file_too_large_for_any_raw_is_not_read(bench, capsys):
    folder = bench.add_ticket(1)
    os.truncate(folder / "chart" / "f2_0.txt", 2**42)
    code, summary = bench.run(capsys, "--serial")
    assert code == 13
    (shot,) = summary["tickets"][0]["reshoot"]
    assert shot["reason"] == "has 4398046511104 bytes, more than any raw file: copy it again"


def test_such_names_in_the_list_of_checksums_match_the_folder(tmp_path):
    sha = "0" * 64
    lines = [sha.encode() + b"  chart/gr\xf6.txt", b"\\" + sha.encode() + b"  chart/a\\nb.txt"]
    (tmp_path / "SHA256SUMS").write_bytes(b"\n".join(lines) + b"\n")
    assert list(read_checksums(tmp_path).by_name) == ["chart/gr\\xf6.txt", "chart/a\\nb.txt"]


def test_a_command_line_or_terminal_without_utf_8_works(bench):
    bench.add_ticket(1)
    program = [sys.executable, "-c", PROGRAM]
    arguments = bench.arguments("--cards", str(bench.folder / "cards"), "--serial", "--time-limit", "9\udcf6")

    def end(*given):
        environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
        ended = subprocess.run([*program, *given], env=environment, capture_output=True, check=False, text=True)
        assert "Traceback" not in ended.stderr
        return ended.returncode, ended.stderr

    assert end(*arguments)[0] == 2
    cards = os.fsencode(bench.folder) + b"/c\xf6"
    os.rename(bench.folder / "cards", cards)  # noqa: PTH104 - pathlib takes no bytes
    assert end(*arguments[:-2], "--cards", cards)[0] == 0
    assert end("gate", "T-0001", "--ledger", arguments[arguments.index("--ledger") + 1])[0] == 0
    code, printed = end("gate", "T-0001", "--ledger", os.fsencode(bench.folder) + b"/b\xf6.ledger")
    assert code == 2
    assert "b\\xf6.ledger: the path is not UTF-8, which SQLite needs: rename it, or choose another --ledger" in printed
    elsewhere = os.fsencode(bench.folder) + b"/\xf6"
    os.mkdir(elsewhere)  # noqa: PTH102 - pathlib takes no bytes
    os.rename(bench.folder / "night", elsewhere + b"/night")  # noqa: PTH104 - pathlib takes no bytes
    arguments = bench.arguments("--serial")
    arguments[arguments.index("--tickets") + 1] = elsewhere + b"/night"
    code, printed = end(*arguments)
    assert code == 2
    assert "\\xf6/night: the path is not UTF-8: rename the folders, or correct --tickets" in printed


def test_no_two_names_are_spelt_equally():
    names = ["a\nb", "a\\nb", "a\\\nb", "a\udcf6b", "a\\xf6b", "a\x1bb", "a\\x1bb", "a\u2028b", "plain \u00e4"]
    assert len({name if is_plain(name) else escape_name(name) for name in names}) == len(names)
    assert is_plain("gr\u00f6\u00dfe 50\u202fmm.dng")
    assert escape("two\nlines\u202e") == "two\\nlines\\u202e"


def test_notes_of_a_ticket_cannot_control_a_terminal(bench, capsys):
    folder = bench.add_ticket(1)
    with (folder / "ticket.yaml").open("a") as file:
        file.write('notes: "fine\\e[2K\\rT-0001: RELEASE"\n')
    code, summary = bench.run(capsys, "--serial")
    assert code == 13
    assert summary["refused_tickets"][0]["reason"].endswith(
        "`notes`: must contain no control or invisible characters except line ends and tabs, found the text "
        r"`fine\x1b[2K\rT-0001: RELEASE`"
    )
