"""The pages of a rehearsed night in a real browser, as a technician uses them."""

import pytest

from support.browser import DESK, TABLET

SIZES = {"desk": DESK, "tablet": TABLET}
SHOWN = "[...document.querySelectorAll('.night-table tbody tr[data-kind]')].filter(r => !r.hidden)"
NUMBERS = f"{SHOWN}.map(r => r.cells[0].textContent.trim())"
MAP = "svg[aria-label='MTF50 over the field, sagittal']"


def all_pages(pages):
    return sorted(pages.rglob("*.html"))


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
@pytest.mark.parametrize("light", ["light", "dark"])
def test_every_page_opens_with_an_empty_console_and_no_request_outside(browser, pages, size, light):
    for page in all_pages(pages):
        browser.open(page, size, light)
        assert browser.messages == [], page
        outside = [each for each in browser.requests if not each.startswith((pages.resolve().as_uri(), "data:"))]
        assert outside == []
        assert len(browser.requests) > 2
        assert browser.value("document.scrollingElement.scrollWidth <= window.innerWidth"), f"{page} runs off sideways"
        assert browser.value("document.documentElement.dataset.light") == light


def test_the_night_names_the_most_urgent_tickets(browser, pages):
    browser.open(pages / "index.html")
    first = browser.value("[...document.querySelectorAll('.first li')].map(e => e.textContent.trim())")
    assert len(first) == 2
    assert first[0].startswith("shoot again") and "T-0001" in first[0]
    assert first[1].startswith("back to the bench") and "T-0002" in first[1]
    assert browser.value(NUMBERS) == ["T-0001", "T-0002"]


def test_the_table_sorts_both_ways(browser, pages):
    browser.open(pages / "index.html")
    browser.click(".night-table th:first-child button.sort")
    assert browser.value(NUMBERS) == ["T-0001", "T-0002"]
    browser.click(".night-table th:first-child button.sort")
    assert browser.value(NUMBERS) == ["T-0002", "T-0001"]
    assert browser.value("document.querySelector('.night-table th').getAttribute('aria-sort')") == "descending"


def test_the_table_filters_by_text_and_by_decision(browser, pages):
    browser.open(pages / "index.html")
    browser.click("input[name=text]")
    browser.write("t-0002 release")
    assert browser.value(NUMBERS) == ["T-0002"]
    assert browser.value("document.querySelector('output').textContent") == "1 of 2 tickets"
    browser.write(" nowhere")
    assert browser.value(NUMBERS) == []
    assert browser.value("document.querySelector('tr.empty').hidden") is False
    browser.open(pages / "index.html")
    browser.click("button[data-group=fail]")
    assert browser.value(NUMBERS) == ["T-0002"]
    browser.click("button[data-group=fail]")
    assert browser.value(NUMBERS) == ["T-0001", "T-0002"]


def test_a_held_ticket_opens_from_the_night(browser, pages):
    browser.open(pages / "index.html", TABLET)
    browser.follow(".night-table tr[data-kind=fail] a")
    assert browser.value("location.pathname").endswith("tickets/T-0002.html")
    assert "HOLD" in browser.value("document.querySelector('.decision .chip').textContent")
    assert "back to the bench" in browser.value("document.querySelector('.decision').textContent")
    shown = browser.value("[...document.images].map(i => i.loading === 'lazy' && i.alt.length > 10)")
    assert shown and all(shown)
    browser.middle_of("#frames")
    assert browser.value(
        "Promise.all([...document.images].slice(0, 3).map(i => i.decode().then(() => i.naturalWidth)))"
    )


def test_a_map_shows_its_values_by_mouse_and_keyboard(browser, pages):
    browser.open(pages / "tickets/T-0002.html")
    assert browser.value("document.querySelector('.tip').hidden") is True
    browser.point(f"{MAP} .mark:nth-of-type(5)")
    tip = browser.value("document.querySelector('.tip').hidden ? '' : document.querySelector('.tip').textContent")
    assert tip.startswith("column ") and "±" in tip and tip.endswith("cycles/pixel")
    browser.value(f'document.querySelector("{MAP}").focus()')
    start = browser.value("document.querySelector('.tip').textContent")
    browser.press("ArrowRight")
    right = browser.value("document.querySelector('.tip').textContent")
    browser.press("ArrowDown")
    below = browser.value("document.querySelector('.tip').textContent")
    column, row = place_of(start)
    assert place_of(right) == (column + 1, row)
    assert place_of(below) == (column + 1, row + 1)


def place_of(tip):
    column, row = tip.partition(":")[0].replace("column ", "").split(", row ")
    return int(column), int(row)


def test_the_switch_changes_light_and_dark_mode_for_all_pages(browser, pages):
    browser.open(pages / "index.html", light="light")
    before = browser.value("getComputedStyle(document.body).backgroundColor")
    browser.click("[data-light-switch]")
    assert browser.value("getComputedStyle(document.body).backgroundColor") != before
    browser.open(pages / "tickets/T-0002.html", light="light")
    assert browser.value("document.documentElement.dataset.light") == "dark"
    browser.click("[data-light-switch]")
    assert browser.value("document.documentElement.dataset.light") == "light"
    browser.value("localStorage.clear()")


@pytest.mark.parametrize("name", ["index.html", "tickets/T-0002.html"])
def test_a_page_prints_dark_on_white_in_both_modes(browser, pages, name):
    browser.open(pages / name, light="dark")
    browser.ask("Emulation.setEmulatedMedia", media="print")
    assert browser.value("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert browser.value("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert browser.value("getComputedStyle(document.querySelector('[data-light-switch]')).display") == "none"
    browser.ask("Emulation.setEmulatedMedia", media="")
    printed = browser.print_pdf()
    assert printed.startswith(b"%PDF-")
    sheets = printed.count(b"/Type /Page\n") or printed.count(b"/Type /Page/") or printed.count(b"/Type/Page/")
    assert sheets <= 20  # with a ramp shot and its drawings


def test_every_control_has_a_name_and_can_be_reached_by_keyboard(browser, pages):
    for page in all_pages(pages):
        browser.open(page)
        tree = browser.ask("Accessibility.getFullAXTree")["nodes"]
        wanted = {"button", "link", "textbox", "searchbox", "combobox", "image", "table", "group"}
        nameless = [
            node["role"]["value"]
            for node in tree
            if not node.get("ignored")
            and node.get("role", {}).get("value") in wanted - {"table", "group"}
            and not node.get("name", {}).get("value")
        ]
        assert nameless == [], page
        assert browser.value("document.querySelectorAll('svg.drawing:not([aria-label])').length") == 0
        assert browser.value("document.querySelectorAll('h1').length") == 1
