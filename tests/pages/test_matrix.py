"""Every measure at every setting in one view: at the terminal and on a ticket's page."""

import json
import re

import pytest

from glasswright.commands.main import run_command
from glasswright.ledger.verdict import Verdict
from glasswright.reports.matrix import Matrix, MatrixCell, MatrixRow
from glasswright.reports.pages.matrix_table import lay_matrix
from support.page_toys import F2, F8, ToyNight, outcome, verdict, write_pages


@pytest.fixture
def toy(tmp_path):
    toy = ToyNight(tmp_path / "toy.ledger")
    toy.run(("T-1", [outcome("T-1", value=0.250)], [verdict(Verdict.FAIL, value=0.25)], {"phase": "intake"}))
    after = [outcome("T-2", value=0.310), outcome("T-2", F8, value=0.301)]
    toy.run(("T-2", after, [verdict(value=0.31)]), started_at="2026-03-02T22:00:00+00:00")
    return toy


def run(toy, capsys, *words):
    capsys.readouterr()
    code = run_command(["matrix", *words, "--ledger", str(toy.path)])
    return code, capsys.readouterr()


def test_the_command_shows_tickets_below_one_another_at_all_settings(toy, capsys):
    code, printed = run(toy, capsys, "T-2", "T-1", "-v")
    assert code == 0
    (head,) = [line for line in printed.out.splitlines() if "measure" in line]
    assert re.split(r"\s{2,}", head.strip()) == ["measure", "unit", "ticket", str(F2), str(F8), "limit"]
    first, second = [line for line in printed.out.splitlines() if re.search(r"\bT-[12]  ", line)][-2:]
    assert "0.310" in first and "0.301" in first
    assert "0.250" in second and "0.301" not in second


def test_json_holds_every_cell(toy, capsys):
    data = json.loads(run(toy, capsys, "T-2", "-v", "--json")[1].out)
    assert data["tickets"] == ["T-2"]
    cells = {cell["at"]: cell for each in data["measures"] for cell in each["cells"] if "sharp" in each["measure"]}
    assert (cells[str(F2)]["value"], cells[str(F8)]["value"]) == (0.310, 0.301)


@pytest.mark.parametrize(
    ("words", "message"),
    [(("T-9",), "the ledger has no ticket `T-9`"), (("T-1", "T-1"), "T-1 is given twice: remove one")],
)
def test_wrong_tickets_are_refused(toy, capsys, words, message):
    code, printed = run(toy, capsys, *words)
    assert code == 2
    assert message in " ".join(printed.err.split())


def test_the_page_has_it_with_the_visit_before(toy, tmp_path):
    out = write_pages(toy.path, tmp_path / "out", "--workers", "1")
    text = (out / "tickets/T-2.html").read_text(encoding="utf-8")
    found = re.search(r'<section aria-labelledby="matrix">.*?</section>', text, re.S)
    assert found is not None
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[0]))
    assert "0.310" in words
    assert "before 0.250" in words


def test_two_lenses_are_side_by_side_on_a_page(toy, tmp_path, capsys):
    page = tmp_path / "new" / "two.html"
    code, printed = run(toy, capsys, "T-2", "T-1", "--page", str(page))
    assert code == 0
    assert printed.out.startswith(f"page written: open {page}\n")
    assert (page.parent / "assets/pages.css").is_file()
    (body,) = re.findall(r"Measures by setting and ticket</caption>.*?<tbody>(.*?)</tbody>", page.read_text(), re.S)
    cells = re.findall(r'data-label="([^"]*)">(.*?)</td>', body)
    found = {label: re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", inside)).strip() for label, inside in cells}
    assert found["50 mm f/2, T-2"] == "0.310 ± 0.010"
    assert found["50 mm f/2, T-1"] == "✕ FAIL 0.250 ± 0.010"
    assert found["50 mm f/8, T-2"] == "0.3010"
    assert found["50 mm f/8, T-1"] == ""
    assert found["limit"] == "at least 0.27"


def test_limits_that_are_the_same_everywhere_are_written_once_and_others_at_each_setting():
    def cell(lower):
        return MatrixCell(value=0.3, u=0.01, verdict=Verdict.PASS if lower else None, lower=lower)

    def lay(*lowers):
        row = MatrixRow(measure="m.sharp_cy_per_px", name="sharp", unit="cy/px", cells=(tuple(map(cell, lowers)),))
        (laid,) = lay_matrix(Matrix(tickets=("T-1",), settings=("a", "b", "c"), rows=(row,))).rows
        return laid.limits, laid.limits_at

    assert lay(0.27, None, 0.27) == ("at least 0.27", ("", "", ""))
    assert lay(0.27, None, 0.25) == ("", ("at least 0.27", "", "at least 0.25"))
    assert lay(0.27, 0.26, 0.25) == ("", ("at least 0.27", "at least 0.26", "at least 0.25"))
    assert lay(None, None, None) == ("", ("", "", ""))
