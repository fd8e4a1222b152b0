"""The text of pages of invented ledgers, without a browser."""

import re
from dataclasses import replace
from html import escape

import pytest

from glasswright.commands.main import run_command
from glasswright.config.schema.plugins import Plugins
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.drawing import Picture
from glasswright.plugin.outcome import Status
from glasswright.plugin.plugin_drawings import Drawings
from glasswright.reports.pages import building
from glasswright.reports.pages.stand_page import read_health
from glasswright.reports.pages.triage import Urgency, read_triages
from support.page_toys import F8, MEASURE, STAND, Sharp, ToyNight, outcome, text_of, verdict, write_pages

NASTY = "<script>alert('x')</script>\"><img src=x onerror=alert(1)>{{ 4321 * 8765 }}"


@pytest.fixture
def toy(tmp_path):
    return ToyNight(tmp_path / "toy.ledger")


def build(toy, tmp_path, *options):
    return write_pages(toy.path, tmp_path / "out", "--workers", "1", *options)


def test_content_of_a_ticket_is_shown_and_never_executed(toy, tmp_path):
    failed = outcome("T-1", F8, status=Status.CRASHED, reason=NASTY, traceback=NASTY)
    printed = [verdict(Verdict.REVIEW, reason=NASTY)]
    changes = {"model": NASTY, "serial": NASTY, "body": NASTY, "remarks": NASTY, "findings": (NASTY,)}
    toy.run(("T-1", [outcome("T-1"), failed], printed, changes), command=NASTY)
    out = build(toy, tmp_path)
    pages = sorted(out.rglob("*.html"))
    assert len(pages) == 4
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "<script>alert" not in text
        assert "<img src=x" not in text
        assert "onerror=alert(1)>" not in text.replace(escape(NASTY), "")
        assert str(4321 * 8765) not in text
        assert NASTY in text_of(page) or page.parent.name == "stands"
        assert re.fullmatch(r"[A-Za-z0-9._-]+", page.name)


def test_pages_carry_no_address_of_any_other_host(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1")], [verdict()]))
    out = build(toy, tmp_path)
    for file in [*out.rglob("*.html"), *out.rglob("*.css"), *out.rglob("*.js")]:
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert re.findall(r"https?://|url\(|@import|//[a-z]+\.", text) == []


def test_a_released_ticket_and_one_that_was_never_judged(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1")], [verdict()]), ("T-2", [outcome("T-2")], None))
    out = build(toy, tmp_path)
    assert "RELEASE The one limit is met" in text_of(out / "tickets/T-1.html")
    second = text_of(out / "tickets/T-2.html")
    assert "INCOMPLETE The ticket has not been judged: run `glasswright judge` Next: complete it." in second
    assert "There is no verdict: the ticket was not judged" in second
    assert "1 ticket was not judged since it was measured" in text_of(out / "models/Corvane-50-mm-f-2.html")


def test_everything_refused_is_on_the_tickets_page_with_its_reason(toy, tmp_path):
    outcomes = [
        outcome("T-1", status=Status.UNMEASURABLE, shot="chart/1.dng", reason="overexposed; expose less"),
        outcome("T-1", F8, status=Status.CRASHED, reason="ZeroDivisionError", traceback="line 12, in divide"),
        outcome("T-1", F8, status=Status.SKIPPED, shot="chart/2.dng", reason="lacks a flat"),
    ]
    toy.run(("T-1", outcomes, [verdict(Verdict.UNKNOWN, value=None, u=None)]))
    page = text_of(build(toy, tmp_path) / "tickets/T-1.html")
    printed = page[page.index("What was not measured, and why") :]
    assert re.search(
        r"MTF50 50 mm f/8 ✕ ?crashed ZeroDivisionError Where the program failed line 12, in divide", printed
    )
    assert re.search(r"MTF50 50 mm f/2 chart/1.dng ■ ?unmeasurable overexposed; expose less", printed)
    assert re.search(r"MTF50 50 mm f/8 chart/2.dng – ?skipped lacks a flat", printed)
    assert printed.index("crashed") < printed.index("unmeasurable") < printed.index("skipped")


URGENCIES = {
    "T-1": (Urgency.NOTHING, [outcome("T-1")], [verdict()], {}),
    "T-2": (Urgency.HOLD, [outcome("T-2")], [verdict(Verdict.FAIL, value=0.2)], {}),
    "T-3": (Urgency.REVIEW, [outcome("T-3")], [verdict(Verdict.REVIEW)], {}),
    "T-4": (Urgency.INCOMPLETE, [outcome("T-4")], None, {}),
    "T-5": (Urgency.RESHOOT, [outcome("T-5", status=Status.UNMEASURABLE)], [verdict(Verdict.UNKNOWN)], {}),
    "T-6": (Urgency.IDENTITY, [outcome("T-6")], [verdict()], {"caveats": ("identity_contradiction",)}),
    "T-7": (Urgency.CRASHED, [outcome("T-7", status=Status.CRASHED)], [verdict(Verdict.UNKNOWN)], {}),
    "T-8": (Urgency.REFERENCE, [outcome("T-8")], [verdict(Verdict.FAIL, value=0.2)], {"phase": "reference"}),
    "T-9": (Urgency.NOTHING, [outcome("T-9")], [verdict()], {"phase": "reference"}),
}


def test_the_most_urgent_ticket_comes_first(toy, tmp_path):
    toy.run(*((number, outcomes, printed, changes) for number, (_, outcomes, printed, changes) in URGENCIES.items()))
    with Ledger.open_for_reading(toy.path) as ledger:
        found = {each.number: each.urgency for each in read_triages(ledger)}
    assert found == {number: urgency for number, (urgency, *_) in URGENCIES.items()}
    page = text_of(build(toy, tmp_path) / "index.html")
    listed = page[page.index("Needs a person first") : page.index("Lens model")]
    assert re.findall(r"T-\d", listed)[:7] == ["T-8", "T-7", "T-6", "T-5", "T-3", "T-2", "T-4"]
    for heading in ("check the stand", "report the fault", "check which lens it is", "shoot again", "decide"):
        assert heading in listed
    assert "T-1" not in listed


@pytest.mark.parametrize(
    ("stand", "lost", "why"),
    [
        (STAND, True, "the ledger has no stand file for it"),
        ("stand: [north-bench]\n", False, "its stand file cannot be read: "),
        (STAND, False, "its stand file has no section `watch`"),
    ],
)
def test_a_stand_whose_file_tells_nothing_is_never_in_control(tmp_path, stand, lost, why):
    toy = ToyNight(tmp_path / "toy.ledger", stand)
    toy.run(("T-1", [outcome("T-1")], [verdict()]))
    with Ledger.open_for_reading(toy.path) as ledger:
        (triage,) = read_triages(ledger)
        if lost:
            state = triage.state
            triage = replace(triage, state=replace(state, record=replace(state.record, stand_sha256="f" * 64)))
        health = read_health(ledger, "north-bench", [triage])
    assert (health.kind, health.label) == ("unknown", "not watched")
    assert health.why_not.startswith(why)


def test_the_reason_for_holding_a_lens_names_its_worst_result(toy, tmp_path):
    near = verdict(Verdict.FAIL, value=0.25, u=0.01, reason="two uncertainties below")
    far = verdict(Verdict.FAIL, at=str(F8), value=0.26, u=0.001, reason="ten uncertainties below")
    toy.run(("T-1", [outcome("T-1"), outcome("T-1", F8)], [near, far]))
    page = text_of(build(toy, tmp_path) / "index.html")
    assert "MTF50 sharp at 50 mm f/8: ten uncertainties below and 1 more" in page


def test_a_ticket_measured_twice_shows_the_latest_results(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1", value=0.31)], [verdict(value=0.31)]))
    toy.run(("T-1", [outcome("T-1", value=0.2222)], None), started_at="2026-03-02T22:00:00+00:00")
    page = text_of(build(toy, tmp_path) / "tickets/T-1.html")
    assert "There is no card for `Corvane 50 mm f/2`" in page  # it is judged again, and no card was ever given
    assert "0.2222 ± 0.0080" in page


def test_the_night_is_the_latest_run_that_measured_with_killed_ones_before_it(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1")], [verdict()]))
    toy.run(("T-2", [outcome("T-2")], [verdict()]), ends=False, started_at="2026-03-02T22:00:00+00:00")
    toy.run(("T-3", [outcome("T-3")], [verdict()]), started_at="2026-03-02T23:00:00+00:00")
    toy.run(started_at="2026-03-03T08:00:00+00:00")  # a run that only judges
    page = text_of(build(toy, tmp_path) / "index.html")
    assert "Night of 2026-03-02" in page
    assert {"T-2", "T-3"} == set(re.findall(r"T-\d", page))
    assert "Run 2, begun 2026-03-02 22:00, did not finish: tickets may be missing here." in page
    first = text_of(build(toy, tmp_path, "--night", "1") / "index.html")
    assert {"T-1"} == set(re.findall(r"T-\d", first))


def test_an_invalid_night_is_refused(toy, tmp_path, capsys):
    toy.run()
    toy.run(("T-1", [outcome("T-1")], None))
    wrong = ["pages", "--ledger", str(toy.path), "--out", str(tmp_path / "out"), "--night", "1"]
    assert run_command(wrong) == 2
    assert "run 1 measured no ticket: choose --night from 2" in capsys.readouterr().err


def test_a_ledger_without_tickets(toy, tmp_path, capsys):
    toy.run()
    assert run_command(["pages", "--ledger", str(toy.path), "--out", str(tmp_path / "out")]) == 2
    printed = "the ledger contains no ticket: measure a night with `glasswright run` first"
    assert printed in capsys.readouterr().err


def test_a_folder_of_tickets_that_is_not_there(toy, tmp_path, capsys):
    toy.run(("T-1", [outcome("T-1")], None))
    command = ["pages", "--ledger", str(toy.path), "--out", str(tmp_path / "out"), "--tickets", str(tmp_path / "no")]
    assert run_command(command) == 2
    assert "there is no such folder of tickets: correct --tickets, or leave it out" in capsys.readouterr().err


def test_a_ticket_that_is_measured_while_pages_are_written(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1")], None))
    job = building.Job(
        ledger=toy.path,
        out=tmp_path,
        ticket="T-1",
        content="what the night's page has",
        folder=None,
        same_lens=("T-1",),
        places=building.Places.of(["T-1"], [], []),
    )
    with pytest.raises(
        building.NoNightError, match="ticket T-1 was measured again in the meantime: build the pages when"
    ):
        building.build_ticket(job)


def draw_well(sharp):
    return [Picture("A drawing", "<svg></svg>", f"it shows {sharp.sharp_cy_per_px}")]


def draw_badly(sharp):
    raise ZeroDivisionError(f"no light at {sharp.setting}")


@pytest.mark.parametrize("draw", [draw_well, draw_badly])
def test_a_failing_drawing_does_not_fail_the_page(toy, tmp_path, monkeypatch, capsys, draw):
    monkeypatch.setattr(building, "_plugins", lambda: Plugins(drawings=Drawings(one={Sharp: draw})))
    toy.run(("T-1", [outcome("T-1")], [verdict()]))
    page = text_of(build(toy, tmp_path) / "tickets/T-1.html")
    failed = draw is draw_badly
    assert ("it shows 0.3" in page) is not failed
    assert ("A drawing could not be made: measure_mtf50: ZeroDivisionError: no light at 50 mm f/2" in page) is failed
    assert ("1 drawing failed; the pages of the tickets say why" in capsys.readouterr().err) is failed


def test_other_visits_of_the_same_lens_are_named(toy, tmp_path):
    intake = ("T-1", [outcome("T-1")], [verdict(Verdict.FAIL, value=0.2)], {"phase": "intake"})
    toy.run(intake, ("T-2", [outcome("T-2")], [verdict()], {}), ("T-3", [outcome("T-3")], None, {"serial": "other"}))
    page = text_of(build(toy, tmp_path) / "tickets/T-2.html")
    visits = page[page.index("Other visits of this lens") : page.index("What was not measured")]
    assert re.search(r"T-1 .* intake ✕ ?FAIL", visits)
    assert "T-3" not in visits


def test_an_unmonitored_stand_is_reported(toy, tmp_path):
    toy.run(("T-1", [outcome("T-1")], [verdict()]))
    page = text_of(build(toy, tmp_path) / "stands/north-bench.html")
    assert "not watched Its stand file has no section watch: it is unknown whether the stand has changed." in page
    assert "measure_mtf50.*_cy_per_px 1 % of the value declared" in page


WATCH = """
watch:
  serial: REF-1
  baseline: {from: 2026-03-01, to: 2026-03-20}
  fields:
    measure_mtf50.sharp_cy_per_px: {at: {f_number: 2}}
"""


@pytest.mark.parametrize("last", [0.301, 0.25], ids=["in control", "moved"])
def test_a_stand_that_moved_comes_first_and_is_marked_on_its_chart(tmp_path, last):
    toy = ToyNight(tmp_path / "toy.ledger", STAND + WATCH)
    toy.run(("T-1", [outcome("T-1")], [verdict()]), started_at="2026-02-28T22:00:00+00:00")
    values = [0.3 + 0.001 * (-1) ** day for day in range(1, 22)] + [last]
    for day, value in enumerate(values, 1):
        number, at = f"R-{day:02}", f"2026-03-{day:02}T22:00:00+00:00"
        changes = {"phase": "reference", "serial": "REF-1"}
        toy.run((number, [outcome(number, value=value)], [verdict(value=value)], changes), started_at=at)
    out = build(toy, tmp_path)
    night, stand = text_of(out / "index.html"), text_of(out / "stands/north-bench.html")
    moved = last < 0.3
    assert ("check the stand north-bench MTF50 sharp at 50 mm f/2 on 2026-03-22" in night) is moved
    assert ("out of control When the latest tickets were shot" in stand) is moved
    assert ("in control The reference lens was within its control limits" in stand) is not moved
    assert ("Out of control: 2026-03-22: beyond the limits" in stand) is moved
    drawing = (out / "stands/north-bench.html").read_text(encoding="utf-8")
    visits = drawing.partition('id="reference"')[2].partition("</section>")[0]
    assert re.findall(r">([RT]-\d+)<", visits) == [f"R-{day:02}" for day in range(len(values), 0, -1)]
    assert len(re.findall(r'r="5" class="sign fail"', drawing)) == int(moved)
    assert len(re.findall(r"<title>2026-03-\d\d: ", drawing)) == len(values)


def test_every_verdict_of_a_model_is_on_its_page(toy, tmp_path):
    verdicts = [Verdict.PASS] * 5 + [Verdict.FAIL, Verdict.REVIEW]
    tickets = [
        (f"T-{k}", [outcome(f"T-{k}")], [verdict(each, value=0.3 - 0.01 * k)]) for k, each in enumerate(verdicts)
    ]
    toy.run(*tickets, ("T-9", [outcome("T-9")], [verdict(Verdict.UNKNOWN, value=None, u=None)]))
    page = build(toy, tmp_path) / "models/Corvane-50-mm-f-2.html"
    printed = "7 tickets, median 0.270 cycles/pixel; limit at least 0.27. 5 PASS, 1 REVIEW, 1 UNKNOWN, 1 FAIL; 1 not"
    assert printed in text_of(page)
    text = page.read_text(encoding="utf-8")
    assert text.count("<circle cx=") == 5
    assert len(re.findall(r'class="cross fail"', text)) == 2


def test_pages_built_twice_and_in_several_processes_are_the_same(night, pages, tmp_path):
    folder, ledger = night
    again = write_pages(ledger, tmp_path / "again", "--tickets", str(folder / "tickets"), "--workers", "2")
    files = sorted(path.relative_to(pages) for path in pages.rglob("*") if path.is_file())
    assert sorted(path.relative_to(again) for path in again.rglob("*") if path.is_file()) == files
    for file in files:
        assert (again / file).read_bytes() == (pages / file).read_bytes(), file


def test_a_tickets_page_weighs_under_a_megabyte(pages):
    weights = {page.name: page.stat().st_size for page in (pages / "tickets").iterdir()}
    assert len(weights) == 2
    assert max(weights.values()) < 1_000_000


def test_frames_are_shown_only_of_the_files_that_were_measured(night, pages, tmp_path):
    ledger = night[1]
    shown = text_of(pages / "tickets/T-0001.html")
    assert "flat/0002_50mm_f2.dng 50 mm f/2 the raw file cannot be shown: " in shown
    assert "chart/0003_50mm_f2.dng 50 mm f/2 117 discs found, outlined; their edges were not measured" in shown
    assert re.search(r"chart/0009_50mm_f4.dng 50 mm f/4 11[67] discs measured, outlined", shown)
    changed = tmp_path / "tickets"
    (changed / "T-0002/chart").mkdir(parents=True)
    (changed / "T-0002/chart/0003_50mm_f2.dng").write_bytes(b"another lens")
    out = write_pages(ledger, tmp_path / "out", "--tickets", str(changed), "--workers", "1")
    text = text_of(out / "tickets/T-0002.html")
    assert "chart/0003_50mm_f2.dng 50 mm f/2 the raw file is no longer the one that was measured" in text
    assert "chart/0009_50mm_f4.dng 50 mm f/4 the raw file can no longer be read: No such file or directory" in text
    without = text_of(write_pages(ledger, tmp_path / "none", "--workers", "1") / "tickets/T-0002.html")
    assert "The frames are not shown: the pages were written without --tickets" in without


def test_a_rehearsed_ticket_says_so_on_both_pages(pages):
    assert "Every ticket is rehearsed" in text_of(pages / "index.html")
    assert "Rehearsed: rendered frames, no lens on the stand." in text_of(pages / "tickets/T-0002.html")


def test_every_number_and_every_hash_is_on_a_tickets_page(night, pages):
    ledger = night[1]
    page = text_of(pages / "tickets/T-0002.html")
    with Ledger.open_for_reading(ledger) as opened:
        (state,) = opened.latest_tickets(["T-0002"])
    assert all(shot.sha256 in page for shot in state.record.shots)
    assert state.content in page
    wanted = replace(state.record).plan_sha256
    assert wanted in page
    values = [
        each.measured["green.centre.mean_cy_per_px"].value for each in state.outcomes if each.step == "measure_mtf50"
    ]
    assert len(values) == 3
    assert all(re.search(rf"\b{value:.3f}", page) for value in values)


def test_the_toys_have_the_expected_measure():
    assert MEASURE.partition(".")[2] in Sharp.__dataclass_fields__
