"""Every kind of page at a phone's width, in a real browser: nothing is wider than the screen or scrolls sideways."""

import pytest

from glasswright import Setting
from glasswright.commands.main import run_command
from glasswright.judging import gatekeeper
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.outcome import Status
from glasswright.reports.pages import figures
from support.browser import PHONE
from support.page_toys import F2, STAND, ToyNight, judge_as_given, outcome, verdict, write_pages

WATCH = """
watch:
  serial: REF-1
  baseline: {from: 2026-03-01, to: 2026-03-20}
  fields:
    measure_mtf50.sharp_cy_per_px: {at: {f_number: 2}}
"""
KINDS = {"index.html", "side_by_side.html", "tickets", "settings", "models", "stands"}
OUTSIDE = """[...document.querySelectorAll('header *, main *, footer *')]
  .filter((e) => !e.closest('.hidden-words') && !(e.closest('svg') && e.tagName !== 'svg'))
  .filter((e) => e.getBoundingClientRect().right > innerWidth + 1
    || (getComputedStyle(e).overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1))
  .map((e) => `${e.tagName}.${e.className}: ${e.textContent.trim().slice(0, 60)}`)"""
LONG = "a-number-that-a-shop-made-up-of-year-2026-and-customer-0417-and-order-000231"


@pytest.fixture(scope="module")
def toy_pages(tmp_path_factory):
    """Pages of a ledger with long names, refused shots, a lens that came back and a stand out of control."""
    folder = tmp_path_factory.mktemp("phone")
    toy = ToyNight(folder / "toy.ledger", STAND + WATCH)
    for day in range(1, 23):
        number, at = f"R-{day:02}", f"2026-03-{day:02}T22:00:00+00:00"
        value = 0.25 if day == 22 else 0.3 + 0.001 * (-1) ** day
        changes = {"phase": "reference", "serial": "REF-1"}
        toy.run((number, [outcome(number, value=value)], [verdict(value=value)], changes), started_at=at)
    shaken = Setting(focal_length_mm=50.0, f_number=8.0, exposure_time_s=1 / 60)
    refused = {"status": Status.UNMEASURABLE, "shot": f"chart/{LONG}.dng", "reason": f"{LONG}.dng is too dark"}
    toy.run(("T-1", [outcome("T-1", value=0.25)], [verdict(Verdict.FAIL, value=0.25)], {"phase": "intake"}))
    visit = [outcome(LONG, value=0.3), outcome(LONG, shaken), outcome(LONG, F2, **refused)]
    toy.run((LONG, visit, [verdict()], {"remarks": LONG}), started_at="2026-03-22T23:00:00+00:00")
    marked = ["returned", "T-1", "--ledger", str(toy.path), "--by", "K. Moreau", "--why", f"soft on the left: {LONG}"]
    assert run_command(marked) == 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gatekeeper, "judge_ticket", judge_as_given)
        side_by_side = [
            "matrix",
            LONG,
            "T-1",
            "--ledger",
            str(toy.path),
            "--page",
            str(folder / "out/side_by_side.html"),
        ]
        assert run_command(side_by_side) == 0
        return write_pages(toy.path, folder / "out", "--workers", "1")


@pytest.fixture(scope="module")
def parted_pages(night, tmp_path_factory):
    """The rehearsed night's pages, with the drawings of each setting on a page of their own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figures, "MOST_LETTERS", 1)
        return write_pages(night[1], tmp_path_factory.mktemp("parted"), "--workers", "1")


@pytest.mark.parametrize("light", ["light", "dark"])
def test_nothing_is_out_of_sight_on_a_phone(browser, pages, parted_pages, toy_pages, light):
    every = [page for folder in (pages, parted_pages, toy_pages) for page in sorted(folder.rglob("*.html"))]
    kinds = {
        page.relative_to(folder).parts[0] for folder in (parted_pages, toy_pages) for page in folder.rglob("*.html")
    }
    assert kinds >= KINDS
    for page in every:
        browser.open(page, PHONE, light)
        browser.value("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        assert browser.value(OUTSIDE) == [], page
