"""Output: requested folders, tables without executable cells, messages of a full disk."""

import csv
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright.commands.main import run_command
from glasswright.outputs import read_cell, write_cell

ON_A_FULL_DISK = """
import os, resource, signal, sys, types
from glasswright.commands.main import main
os.statvfs = lambda path: types.SimpleNamespace(f_bavail=3, f_frsize=4096)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))  # no room for the memory that readers share
main()
"""


def test_a_cell_that_a_spreadsheet_would_execute_is_written_as_text_and_reads_back(bench, capsys):
    folder = bench.add_ticket(1)
    text = (folder / "ticket.yaml").read_text()
    formula = '=HYPERLINK("http://example.org")'
    serial = '\'-2+3+cmd|"/C calc"!A0'
    text = text.replace('"Corvane 50 mm f/2"', repr(formula)).replace('"C50-T-0001"', f'"{serial}"'.replace('|"', "|'"))
    (folder / "ticket.yaml").write_text(text.replace('calc"', "calc'"))
    bench.run(capsys, "--serial")
    out = bench.folder / "tables"
    assert run_command(["export", "--ledger", str(bench.folder / "bench.ledger"), "--out", str(out)]) == 0
    for table in ("measurements", "verdicts"):
        with (out / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert rows
        assert {row["model"] for row in rows} == {f"'{formula}"}
        assert {read_cell(row["model"]) for row in rows} == {formula}
        assert {read_cell(row["serial"]) for row in rows} == {serial.replace('"', "'")}
        cells = {cell for row in rows for cell in row.values()}
        assert not [cell for cell in cells if cell[:1] in "=+-@\t\r" and cell and not _is_number(cell)]


def _is_number(text):
    try:
        float(text)
    except ValueError:
        return False
    return True


@given(st.text(st.sampled_from("'=+-@\t\r\n\uff1dab1 ")))
def test_every_text_reads_back(text):
    spelt = write_cell(text)
    assert read_cell(spelt) == text
    assert spelt[:1] not in tuple("=+-@\t\r\n\uff1d")


@pytest.mark.parametrize(
    "command", ["export", "pages", "record", "rehearse", "print chart", "print sheet", "reference-values", "tune"]
)
def test_no_folder_is_made_above_the_requested_one(bench, capsys, command):
    folder = bench.add_ticket(1)
    bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    ledger = ["--ledger", str(bench.folder / "bench.ledger")]
    out = ["--out", str(bench.folder / "misspelt" / "out")]
    cards = ["--cards", str(bench.folder / "cards")]
    table = bench.write("t.csv", "model,serial,measured_at,step,field,focal_length_mm,f_number,value\n")
    arguments = {
        "export": ["export", *ledger, *out],
        "pages": ["pages", *ledger, *out],
        "record": ["record", "T-0001", *ledger, *out, "--signed-by", "K. Moreau"],
        "rehearse": ["rehearse", out[1]],
        "print chart": ["print", "chart", "--paper", "A4", *out],
        "print sheet": ["print", "sheet", str(folder), *cards, *out],
        "reference-values": ["reference-values", "Corvane 50 mm f/2", str(table), *out],
        "tune": ["tune", "Corvane 50 mm f/2", *ledger, *cards, *out],
    }[command]
    assert run_command(arguments) == 2
    printed = capsys.readouterr()
    if command in {"export", "pages"}:
        assert "the folder" in printed.err
        assert "misspelt does not exist: make it, or correct --out" in printed.err
    assert not (bench.folder / "misspelt").exists()


def test_the_requested_folder_is_made(bench, capsys):
    bench.add_ticket(1)
    bench.run(capsys, "--serial")
    ledger = ["--ledger", str(bench.folder / "bench.ledger")]
    assert run_command(["export", *ledger, "--out", str(bench.folder / "tables")]) == 0
    assert run_command(["pages", *ledger, "--out", str(bench.folder / "pages"), "--workers", "1"]) == 0
    assert run_command(["print", "chart", "--paper", "A4", "--out", str(bench.folder / "prints")]) == 0


def on_a_full_disk(*arguments):
    return subprocess.run(
        [sys.executable, "-c", ON_A_FULL_DISK, *arguments], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("command", ["judge", "run"])
def test_a_full_disk_is_reported_as_full(bench, capsys, command):
    bench.add_ticket(1)
    bench.run(capsys, "--serial")
    bench.add_ticket(2)
    ledger = str(bench.folder / "bench.ledger")
    files = ["--ledger", ledger, "--cards", str(bench.folder / "cards"), "--stand", str(bench.folder / "stand.yaml")]
    ended = on_a_full_disk(*{"judge": ["judge", *files], "run": bench.arguments("--serial")}[command])
    assert "the disk is full: make room and run again; nothing kept is lost" in ended.stderr
    assert ended.returncode == 1
    assert run_command(["verify", "--ledger", ledger]) == 0


def test_the_gate_answers_on_a_full_disk(bench, capsys):
    bench.add_ticket(1)
    bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    asked = ["gate", "T-0001", "--ledger", str(bench.folder / "bench.ledger")]
    expected = run_command(asked)
    printed = capsys.readouterr().out
    ended = on_a_full_disk(*asked)
    assert (ended.returncode, ended.stdout) == (expected, printed)
