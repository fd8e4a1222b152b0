"""The ledger for other programs: read back by readers that are not ours, and compared with what was measured."""

import csv
import dataclasses
import math
import re
import sys
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import dataclass
from xml.dom import minidom

import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright import Artefact
from glasswright.commands.main import run_command
from glasswright.judging.gate import Decision, DecisionKind
from glasswright.judging.gatekeeper import Gated
from glasswright.ledger import Ledger
from glasswright.ledger.head import Head
from glasswright.plugin.outcome import Item
from glasswright.plugin.stage import Scope
from glasswright.reports.tables.junit import write_junit
from glasswright.reports.tables.tickets import NoSuchNightError, choose_tickets
from support.ledger_tampering import tamper
from support.ledger_toys import (
    CARD_HEAD,
    F2,
    F4,
    falloff,
    good_outcomes,
    outcome,
    sharpness,
    state,
    write_card,
    write_night,
)

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
STAND = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_mtf50.*: {u: 0.004, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
  measure_vignetting.*: {u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
"""
EVIL = "<b>&\"' ]]> \x00\x1b[31m\ufffe =1+1, Łódź"


@dataclass(frozen=True, slots=True, kw_only=True)
class Odd(Artefact):
    spread_px: float
    spread_px_u: float
    label: str


class Shop:
    def __init__(self, folder):
        self.folder = folder
        self.ledger = folder / "bench.ledger"
        self.out = folder / "out"

    def judge(self, *limits, head=CARD_HEAD):
        write_card(self.folder / "cards" / "corvane.yaml", limits, head)
        (self.folder / "stand.yaml").write_text(STAND, encoding="utf-8")
        run_command(
            [
                "judge",
                f"--ledger={self.ledger}",
                f"--cards={self.folder / 'cards'}",
                f"--stand={self.folder}/stand.yaml",
            ]
        )

    def export(self, capsys, *more):
        capsys.readouterr()
        code = run_command(["export", "--ledger", str(self.ledger), "--out", str(self.out), *more])
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    def csv(self, name="measurements"):
        with (self.out / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def junit(self):
        return ElementTree.parse(self.out / "verdicts.junit.xml").getroot()


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def odd_outcomes(number):
    return [
        *good_outcomes(number),
        outcome("odd", F2, Odd(spread_px=math.nan, spread_px_u=0.1, label=EVIL), ticket=number),
        outcome("lost", ticket=number, item=Item(scope=Scope.SHOT, ticket=number, setting=F4, shot="chart/0001.dng")),
    ]


def test_every_measurement_is_one_row_in_both_forms(shop, capsys):
    write_night(shop.ledger, ("T-1", "T-2"), odd_outcomes)
    code, out = shop.export(capsys, "--format", "csv", "--format", "parquet")
    assert code == 0, out
    rows = shop.csv()
    with Ledger.open_for_reading(shop.ledger) as ledger:
        states = ledger.latest_tickets()
    values = [(s.record.ticket.number, o.step, m) for s in states for o in s.outcomes for m in o.measured.values()]
    measured = [row for row in rows if row["field"]]
    assert len(measured) == len(values) > 20
    for row, (number, step, value) in zip(measured, values, strict=True):
        assert (row["ticket"], row["step"], row["field"], row["unit"]) == (number, step, value.path, value.unit)
        if value.value is not None and not math.isnan(value.value):
            assert float(row["value"]) == value.value
        assert row["u"] == ("" if value.u is None else repr(value.u))
    table = pyarrow.parquet.read_table(shop.out / "measurements.parquet").to_pylist()
    assert [list(row) for row in table] == [list(row) for row in rows]
    for ours, theirs in zip(table, rows, strict=True):
        spelled = {name: spell(cell) for name, cell in ours.items()}
        assert spelled == theirs


def spell(cell):
    if cell is None or isinstance(cell, str):
        return cell or ""
    return str(cell).lower() if isinstance(cell, bool) else repr(cell)


def test_nan_text_and_missing_values_are_exported_as_such(shop, capsys):
    write_night(shop.ledger, make=odd_outcomes)
    shop.export(capsys, "--format", "csv", "--format", "parquet")
    rows = {(row["step"], row["field"]): row for row in shop.csv()}
    spread = rows["odd", "spread_px"]
    assert (spread["value"], spread["u"], spread["unit"], spread["f_number"]) == ("nan", "0.1", "pixel", "2.0")
    assert rows["odd", "label"]["text"] == EVIL
    lost = rows["lost", ""]
    assert (lost["shot"], spread["shot"]) == ("chart/0001.dng", "")
    assert (lost["status"], lost["reason"], lost["value"], lost["f_number"]) == (
        "skipped",
        "lacks a chart shot",
        "",
        "4.0",
    )
    table = pyarrow.parquet.read_table(shop.out / "measurements.parquet").to_pylist()
    found = next(row for row in table if row["field"] == "spread_px")
    assert math.isnan(found["value"])
    assert next(row for row in table if row["step"] == "lost")["value"] is None


def judged_shop(shop):
    write_night(
        shop.ledger,
        make=lambda number: [
            sharpness(0.1, ticket=number),
            sharpness(0.301, F4, ticket=number),
            outcome("measure_vignetting", F2, ticket=number),
            falloff(0.5, F4, ticket=number),
        ],
    )
    shop.judge(
        f"{{measure: {SHARP}, min: 0.3, at: {{f_number: 2}}}}",
        f"{{measure: {SHARP}, min: 0.3, at: {{f_number: 4}}}}",
        "{measure: measure_vignetting.corner_loss_ev, max: 2.5}",
    )


def test_only_what_passed_is_a_passed_test(shop, capsys):
    judged_shop(shop)
    assert shop.export(capsys)[0] == 0
    (suite,) = shop.junit()
    cases = {case.get("name"): case for case in suite.iter("testcase")}
    kinds = {
        name: [(child.tag, child.get("type")) for child in case if child.tag != "properties"]
        for name, case in cases.items()
    }
    assert kinds == {
        "centre.sharp_cy_per_px at 50 mm f/2": [("failure", "FAIL")],
        "centre.sharp_cy_per_px at 50 mm f/4": [("failure", "REVIEW")],
        "corner_loss_ev at 50 mm f/2": [("error", "UNKNOWN")],
        "corner_loss_ev at 50 mm f/4": [],
    }
    assert {key: suite.get(key) for key in ("tests", "failures", "errors", "skipped")} == {
        "tests": "4",
        "failures": "2",
        "errors": "1",
        "skipped": "0",
    }
    assert shop.junit().get("failures") == "2"
    failure = cases["centre.sharp_cy_per_px at 50 mm f/2"]
    facts = {each.get("name"): each.get("value") for each in failure.iter("property")}
    assert facts == {
        "verdict": "FAIL",
        "value": "0.1",
        "u": repr(math.hypot(0.006, 0.004)),
        "lower": "0.3",
        "unit": "cycles/pixel",
    }
    assert "is below the limit 0.30 by more than the guard band" in failure.find("failure").get("message")


def test_the_verdicts_are_a_table_too(shop, capsys):
    judged_shop(shop)
    shop.export(capsys)
    rows = shop.csv("verdicts")
    assert Counter(row["verdict"] for row in rows) == {"FAIL": 1, "REVIEW": 1, "UNKNOWN": 1, "PASS": 1}
    assert {row["decision"] for row in rows} == {"HOLD"}
    loss = next(row for row in rows if row["verdict"] == "PASS")
    assert (loss["value"], loss["upper"], loss["lower"], loss["unit"]) == ("0.5", "2.5", "", "EV")


def test_a_ticket_that_is_not_judged_is_an_error_not_an_empty_suite(shop, capsys):
    write_night(shop.ledger)
    shop.export(capsys)
    (case,) = shop.junit().iter("testcase")
    assert case.find("error").get("type") == "UNKNOWN"
    assert "the ticket has not been judged: run `glasswright judge`" in case.find("error").get("message")


def test_a_ticket_measured_after_its_judgement_is_judged_again(shop, capsys):
    write_night(shop.ledger)
    shop.judge(f"{{measure: {SHARP}, min: 0.2}}")
    assert run_command(["export", "--ledger", str(shop.ledger), "--out", str(shop.out)]) == 0
    assert [case.find("error") for case in shop.junit().iter("testcase")] == [None, None]
    write_night(shop.ledger, make=lambda number: [sharpness(0.1, ticket=number, address="b")])
    shop.export(capsys)
    verdicts = {row["at"]: (row["verdict"], row["decision"]) for row in shop.csv("verdicts")}
    assert verdicts == {"50 mm f/2": ("FAIL", "HOLD"), "50 mm f/4": ("UNKNOWN", "HOLD")}


def test_two_limits_of_one_measure_are_two_tests(shop, capsys):
    write_night(shop.ledger, make=lambda number: [sharpness(0.3, ticket=number)])
    shop.judge(*[f"{{measure: {SHARP}, min: {low}, at: {{f_number: 2}}}}" for low in (0.1, 0.2)])
    shop.export(capsys)
    names = [case.get("name") for case in shop.junit().iter("testcase")]
    assert names == [f"centre.sharp_cy_per_px at 50 mm f/2{more}" for more in ("", " (2)")]


def test_any_text_of_a_ticket_gives_well_formed_xml(shop, capsys):
    write_night(shop.ledger, serial=EVIL)
    assert shop.export(capsys)[0] == 0
    (suite,) = shop.junit()
    serial = next(each.get("value") for each in suite.iter("property") if each.get("name") == "serial")
    # XML 1.0, section 2.2, has no place for these characters, even escaped
    assert serial == "<b>&\"' ]]> \ufffd\ufffd[31m\ufffd =1+1, Łódź"


@given(st.text(max_size=60))
def test_any_text_makes_xml_that_another_reader_reads(text):
    judged = Gated(
        state=state(serial=text, number="T-1"),
        judgement=None,
        decision=Decision(ticket="T-1", kind=DecisionKind.INCOMPLETE, reasons=(text,)),
        head=Head(ledger="ledger 1", commits=1, made_at="2026-03-01", digest="ab"),
    )
    document = minidom.parseString(write_junit([judged]))
    values = {
        each.getAttribute("name"): each.getAttribute("value") for each in document.getElementsByTagName("property")
    }
    allowed = "".join(
        c if re.match("[\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", c) else "\ufffd" for c in text
    )
    assert values["serial"] == allowed
    (error,) = document.getElementsByTagName("error")
    assert allowed in error.getAttribute("message")


class Shelf:
    """A ledger of tickets that were shot in given nights."""

    def __init__(self, **nights):
        self.nights = nights

    def latest_tickets(self, measures):
        assert measures == ()
        plain = [state(number=number) for number in self.nights]
        return [
            dataclasses.replace(each, record=dataclasses.replace(each.record, nights=nights))
            for each, nights in zip(plain, self.nights.values(), strict=True)
        ]


def test_a_ticket_belongs_to_every_night_in_which_it_was_shot():
    shelf = Shelf(A=("2026-03-13", "2026-03-14"), B=("2026-03-14",), C=("2026-03-12",))
    assert choose_tickets(shelf, "2026-03-13") == ("A",)
    assert choose_tickets(shelf, "2026-03-14") == ("A", "B")
    assert choose_tickets(shelf, "last") == ("A", "B")
    assert choose_tickets(shelf, None) == ("A", "B", "C")
    with pytest.raises(NoSuchNightError, match="the latest nights are: none"):
        choose_tickets(Shelf(), "last")


def test_a_given_night_or_the_last_is_exported(shop, capsys):
    write_night(shop.ledger, ("T-1", "T-2"))
    assert shop.export(capsys, "--night", "2026-03-01")[0] == 0
    assert {row["ticket"] for row in shop.csv()} == {"T-1", "T-2"}
    assert shop.export(capsys, "--night", "last")[0] == 0
    code, out = shop.export(capsys, "--night", "2026-03-02")
    assert code == 2
    assert "no ticket was shot in the night of 2026-03-02; the latest nights are: 2026-03-01" in out
    for wrong in ("yesterday", "2026-13-01", "20260301"):
        code, out = shop.export(capsys, "--night", wrong)
        assert code == 2
        assert f"`{wrong}` is not a date" in out
        assert "write the evening's as 2026-03-14, or `last`" in out


def test_without_pyarrow_parquet_says_what_to_install_and_csv_works(shop, capsys, monkeypatch):
    write_night(shop.ledger)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    code, out = shop.export(capsys, "--format", "parquet")
    assert code == 2
    assert "Parquet needs the library pyarrow: `pip install 'glasswright[export]'`, or use --format csv" in out
    assert shop.export(capsys, "--format", "csv")[0] == 0
    assert sorted(path.name for path in shop.out.iterdir()) == [
        "measurements.csv",
        "verdicts.csv",
        "verdicts.junit.xml",
    ]


def test_a_place_that_cannot_be_written_is_named(shop, capsys):
    write_night(shop.ledger)
    shop.out.write_text("a file, no folder", encoding="utf-8")
    code = run_command(["export", "--ledger", str(shop.ledger), "--out", str(shop.out / "below")])
    assert code == 2
    error = capsys.readouterr().err
    assert f"{shop.out}/below: cannot be made (Not a directory): choose another --out" in error
    assert "choose another --out" in error


def test_no_ledger_and_a_damaged_one_are_refused(shop, capsys):
    code, out = shop.export(capsys)
    assert code == 21
    assert "there is no ledger here" in out
    write_night(shop.ledger)
    tamper(shop.ledger, "UPDATE measurement SET value = 0.31 WHERE value = 0.3")
    code, out = shop.export(capsys)
    assert code == 21
    assert "does not match its hash: restore the ledger from a backup" in out
    assert not list(shop.out.glob("*.csv"))
