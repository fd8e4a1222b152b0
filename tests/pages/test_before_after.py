"""Comparison of a visit with the one before, on the ticket's page."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from glasswright.commands.main import run_command
from glasswright.judging.compare.comparing import Change, ChangeKind
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.plugin import kept
from glasswright.plugin.outcome import Status
from glasswright.reports.pages.before_after import MOST_ROWS, choose_before, format_cell
from glasswright.reports.pages.formats import format_change, format_change_side
from glasswright.reports.pages.triage import read_triages
from support.browser import DESK, TABLET
from support.page_toys import F2, F8, Sharp, ToyNight, outcome, text_of, verdict, write_pages

DAYS = [f"2026-03-0{day}T22:00:00+00:00" for day in range(1, 5)]
INTAKE = {"phase": "intake"}


@pytest.fixture
def toy(tmp_path):
    return ToyNight(tmp_path / "toy.ledger")


def read_section(toy, tmp_path, number):
    out = write_pages(toy.path, tmp_path / "out", "--workers", "1")
    page = out / f"tickets/{number}.html"
    text = page.read_text(encoding="utf-8")
    found = re.search(r'<section aria-labelledby="before">.*?</section>', text, re.S)
    return found.group(0) if found else ""


def words_of(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_changes_come_first_and_the_rest_is_folded(toy, tmp_path):
    before = [outcome("T-1", value=0.250), outcome("T-1", F8, value=0.300)]
    after = [outcome("T-2", value=0.310), outcome("T-2", F8, value=0.301)]
    toy.run(("T-1", before, [verdict(Verdict.FAIL, value=0.25)], INTAKE))
    toy.run(("T-2", after, [verdict()]), started_at=DAYS[1])
    section = read_section(toy, tmp_path, "T-2")
    printed = words_of(section)
    assert "Before: T-1, intake, measured 2026-03-01 22:00. After: this ticket, release." in printed
    # JCGM 100:2008, 5.1.2: each side 0.004 and 1 % of its value, u = hypot(0.004, 0.0025, 0.004, 0.0031) = 0.00692
    assert "MTF50: sharp cycles/pixel 50 mm f/2 0.250 0.310 +0.060 ± 0.014 8.7" in printed
    assert "Changed by less than the uncertainty (1)" in printed
    shown, folded = section.split("<details>")[:2]
    assert "50 mm f/8" not in shown
    # hypot(0.004, 0.003, 0.004, 0.00301) = 0.00708
    assert "0.300 → 0.301 (+0.001 ± 0.014)" in folded
    assert "Without a card, no direction counts as better." in printed


def test_visits_with_results_of_a_plugin_that_is_not_installed_are_compared(toy, tmp_path, monkeypatch):
    toy.run(("T-1", [outcome("T-1", None)], [verdict()], INTAKE))
    toy.run(("T-2", [outcome("T-2", None)], [verdict()]), started_at=DAYS[1])
    monkeypatch.setattr(kept, "_FOUND", {})
    installed = kept._open_packages()
    monkeypatch.setattr(kept, "_open_packages", lambda: installed - {Sharp.__module__.partition(".")[0]})
    assert "Before: T-1, intake" in words_of(read_section(toy, tmp_path, "T-2"))
    assert "No installed plugin draws these results: MTF50" in text_of(tmp_path / "out/tickets/T-2.html")
    assert run_command(["compare", "T-1", "T-2", "--ledger", str(toy.path)]) == 0


def test_a_lens_seen_for_the_first_time_has_no_before(toy, tmp_path):
    other = {"serial": "C50-2"}
    toy.run(("T-1", [outcome("T-1")], [verdict()], other), ("T-2", [outcome("T-2")], [verdict()]))
    assert read_section(toy, tmp_path, "T-2") == ""


def test_the_visit_just_before_is_chosen(toy):
    for number, day in (("T-3", 0), ("T-1", 1), ("T-2", 2), ("T-4", 3)):
        toy.run((number, [outcome(number)], None), started_at=DAYS[day])
    with Ledger.open_for_reading(toy.path) as ledger:
        visits = read_triages(ledger)
    chosen = {each.number: (choose_before(each, visits) or each).number for each in visits}
    assert chosen == {"T-3": "T-3", "T-1": "T-3", "T-2": "T-1", "T-4": "T-2"}


def test_in_one_night_intake_comes_before_release(toy):
    toy.run(("T-1", [outcome("T-1")], None, {"phase": "release"}), ("T-2", [outcome("T-2")], None, INTAKE))
    with Ledger.open_for_reading(toy.path) as ledger:
        release, intake = read_triages(ledger)
        assert choose_before(release, (release, intake)) is intake
        assert choose_before(intake, (release, intake)) is None


def test_fields_of_only_one_visit_are_shown_with_the_reason(toy, tmp_path):
    failed = outcome("T-1", status=Status.UNMEASURABLE, reason="overexposed; expose less")
    toy.run(("T-1", [failed], None, INTAKE))
    toy.run(("T-2", [outcome("T-2")], [verdict()]), started_at=DAYS[1])
    printed = words_of(read_section(toy, tmp_path, "T-2"))
    assert "Nothing changed by more than the uncertainty." in printed
    assert "Only one visit has it: T-1: unmeasurable: overexposed; expose less (1)" in printed


def test_two_bodies_are_not_compared_as_one(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1", value=0.2)], None, INTAKE | {"body": "Ostrel D9"}))
    toy.run(("T-2", [outcome("T-2")], [verdict()]), started_at=DAYS[1])
    printed = words_of(read_section(toy, tmp_path, "T-2"))
    assert (
        "Not comparable: two bodies: `Ostrel D9` and `Ostrel D7`; the difference between them is unknown (1)" in printed
    )
    assert "Nothing changed by more than the uncertainty." in printed


def test_an_unreadable_stand_file_removes_only_the_section(tmp_path):
    toy = ToyNight(tmp_path / "toy.ledger", "stand: north-bench\nbodies: 7\n")
    toy.run(("T-1", [outcome("T-1")], None, INTAKE))
    toy.run(("T-2", [outcome("T-2")], [verdict()]), started_at=DAYS[1])
    printed = words_of(read_section(toy, tmp_path, "T-2"))
    assert "The two visits cannot be compared: the stand file of ticket T-1 cannot be read: " in printed
    assert "measured 2026-03-02" in text_of(tmp_path / "out/tickets/T-2.html")


def test_many_changes_are_folded_too(toy, tmp_path):
    settings = [type(F2)(focal_length_mm=50.0 + k, f_number=2.0) for k in range(MOST_ROWS + 5)]
    toy.run(("T-1", [outcome("T-1", each, value=0.2) for each in settings], None, INTAKE))
    toy.run(("T-2", [outcome("T-2", each) for each in settings], [verdict()]), started_at=DAYS[1])
    section = read_section(toy, tmp_path, "T-2")
    assert section.split("<details>")[0].count('<th scope="row">') == MOST_ROWS
    assert "Also changed by more than the uncertainty (5)" in words_of(section)


def test_equal_values_without_an_uncertainty_are_shown_once():
    same = Change(
        measure="toy.name", at="50 mm f/2", kind=ChangeKind.WITHIN, reason="the same text", first="a", second="a"
    )
    assert format_cell(same) == "a"
    assert format_cell(replace(same, second="b")) == "a → b"
    assert format_cell(replace(same, second=None)) == "a → –"
    assert format_cell(replace(same, first=None, second=None)) == "–"


@pytest.mark.parametrize(
    ("change", "u", "words"),
    [
        (0.0123, 0.003, "+0.0123 ± 0.0060"),
        (-2.0, None, "−2"),
        (0.0, None, "0"),
        (None, None, ""),
        (float("nan"), 1, ""),
    ],
)
def test_a_change_is_written_with_its_sign(change, u, words):
    assert format_change(change, u) == words


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [(0.31234, 0.003, "0.3123"), (-3.0, None, "−3"), (None, None, "–"), ("upper left", None, "upper left")],
)
def test_a_value_has_as_many_digits_as_the_change(value, u, words):
    assert format_change_side(value, u) == words
    assert len(format_change_side("x" * 500, None)) == 40


@pytest.mark.parametrize("size", [DESK, TABLET], ids=["desk", "tablet"])
def test_before_and_after_fits_the_window_and_unfolds(browser, toy, tmp_path, size):
    settings = [type(F2)(focal_length_mm=20.0 + k, f_number=2.0) for k in range(12)]
    same = outcome("T-1", F8), outcome("T-2", F8)
    toy.run(("T-1", [*(outcome("T-1", each) for each in settings), same[0]], None, INTAKE))
    last = [*(outcome("T-2", each, value=0.3001) for each in settings), same[1]]
    toy.run(("T-2", last, [verdict()]), started_at=DAYS[1])
    read_section(toy, tmp_path, "T-2")
    browser.open(tmp_path / "out/tickets/T-2.html", size)
    browser.click("#before ~ details summary")
    assert browser.value("document.querySelector('#before ~ details').open")
    assert browser.value("document.querySelectorAll('#before ~ details td').length") >= 13
    assert browser.value("document.scrollingElement.scrollWidth <= window.innerWidth")
    assert browser.messages == []


def test_sentences_of_plugins_are_on_results_of_one_type_at_two_visits_of_one_lens(monkeypatch):
    from glasswright.reports import sequels

    first, second, other = Sharp(setting=None, sharp_cy_per_px=0.2), Sharp(setting=None, sharp_cy_per_px=0.3), object()
    whole = {}
    described = SimpleNamespace(
        drawings=SimpleNamespace(sequels={Sharp: lambda a, b: [f"{a.sharp_cy_per_px} then {b.sharp_cy_per_px}"]})
    )
    monkeypatch.setattr(sequels, "installed_plugins", lambda: described)
    monkeypatch.setattr(sequels, "load_whole", lambda _ledger, state: whole[state.record.ticket.number])

    def find(before, after, serial="1"):
        whole.update(A=before, B=after)
        states = [
            SimpleNamespace(record=SimpleNamespace(ticket=SimpleNamespace(number=number, serial=each)))
            for number, each in (("A", "1"), ("B", serial))
        ]
        return sequels.find_sequels(None, *states)

    assert find({"s": first, "t": other}, {"s": second, "t": other}) == ("0.2 then 0.3",)
    assert find({"s": first}, {"s": second}, serial="2") == ()
    assert find({"s": first}, {}) == ()
    assert find({"s": first}, {"s": other}) == ()
