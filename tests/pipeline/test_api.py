"""Glasswright from Python: results as dataclasses, ledgers as tables that other libraries take."""

import gc
import math
import re
from pathlib import Path

import pyarrow as pa
import pytest

import glasswright
from glasswright.errors import GlasswrightError, LedgerDamagedError
from glasswright.reports.tables import arrow
from glasswright.reports.tables.arrow import Table
from support.night_bench import shots_of

ROOT = Path(__file__).parents[2]
COLUMNS = {"name": str, "value": float, "good": bool}
ROWS = [
    {"name": "ä", "value": 1.5, "good": True},
    {"name": None, "value": None, "good": False},
    {"name": "", "value": math.inf, "good": None},
    *({"name": f"n{k}", "value": float(k), "good": k % 3 == 0} for k in range(20)),
]


def test_a_table_comes_out_of_arrow_as_it_went_in():
    taken = pa.table(Table(COLUMNS, ROWS))
    taken.validate(full=True)
    assert taken.to_pylist() == ROWS
    assert taken.schema.types == [pa.large_string(), pa.float64(), pa.bool_()]
    assert [column.null_count for column in taken.columns] == [1, 1, 1]


def test_a_table_without_rows_keeps_its_columns():
    taken = pa.table(Table(COLUMNS, []))
    taken.validate(full=True)
    assert (taken.num_rows, taken.schema.names) == (0, list(COLUMNS))


def test_a_column_may_outlive_its_table_and_all_memory_is_given_back():
    before = len(arrow._ALIVE)
    column = pa.table(Table(COLUMNS, ROWS)).column("value")
    gc.collect()
    assert column[3].as_py() == 0.0
    capsule = Table(COLUMNS, ROWS).__arrow_c_stream__()
    del column, capsule
    gc.collect()
    assert len(arrow._ALIVE) == before
    assert arrow._CAPSULES == {}


def test_columns_and_rows_can_be_read_without_any_library():
    table = Table(COLUMNS, ROWS)
    assert len(table) == 23
    assert table["good"][:3] == [True, False, None]
    assert table.rows() == ROWS


def test_a_ledger_gives_its_measurements_and_verdicts(bench, capsys):
    bench.add_ticket(1)
    bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    with glasswright.open_ledger(bench.folder / "bench.ledger") as ledger:
        measured, verdicts = ledger.measurements(), ledger.verdicts("T-0001")
    assert set(measured["ticket"]) == {"T-0001"}
    assert "mean_dn" in measured["field"]
    assert pa.table(measured).num_rows == len(measured)
    assert set(verdicts["verdict"]) <= {"PASS", "REVIEW", "UNKNOWN", "FAIL"}
    with pytest.raises(LedgerDamagedError):
        glasswright.open_ledger(bench.folder / "none.ledger")


def test_a_folder_is_measured_without_writing_files(bench):
    folder = bench.add_ticket(1, shots_of(1))
    before = sorted(bench.folder.rglob("*"))
    found = glasswright.measure(folder, stand=bench.folder / "stand.yaml", plan=bench.folder / "plan.yaml")
    assert found.refusals == ()
    assert found.get("combine_chart")[0].mean_dn > 0
    assert found.get("nothing_of_this_name") == ()
    assert "combine_ticket" in found.table["step"]
    assert sorted(bench.folder.rglob("*")) == before
    with pytest.raises(GlasswrightError, match="there is no such file or folder"):
        glasswright.measure(folder / "none.dng", stand=bench.folder / "stand.yaml", plan=bench.folder / "plan.yaml")


def test_the_readmes_lines_run(tmp_path, monkeypatch, capsys):
    from glasswright.commands.main import run_command

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"### From Python\n\n```python\n(.*?)```", text, flags=re.DOTALL)
    assert len([line for line in lines.splitlines() if line.strip()]) <= 10
    monkeypatch.chdir(tmp_path)
    rehearsal = ["--tickets", "1", "--megapixels", "1", "--seed", "3", "--f-number", "2", "--fault", "none"]
    assert run_command(["rehearse", "night", *rehearsal]) == 0
    files = ["--stand", "night/stands/north_bench.yaml", "--tickets", "night/tickets"]
    assert (
        run_command(["run", "night/plans/fixed_focal.yaml", *files, "--ledger", "night/bench.ledger", "--serial"]) == 0
    )
    (chart,) = Path("night/tickets/T-0001/chart").iterdir()
    capsys.readouterr()
    exec(compile(re.sub(r"chart/\w+\.dng", f"chart/{chart.name}", lines), "README.md", "exec"), {})
    output = capsys.readouterr().out
    assert re.match(r"0\.\d+ ± 0\.0\d+\n", output)
    assert Path("field.svg").read_text(encoding="utf-8").startswith("<svg")
