"""Printed hand checks: all checks of the card are there, and any content of a ticket is plain text."""

import pypdfium2
import pytest

from glasswright.commands.main import run_command
from glasswright_camera.hand_checks.instructions import HAND_LIST
from glasswright_camera.printing.paper import SIZES_MM, choose_paper
from glasswright_camera.printing.sheet import SheetHead, draw_sheet

TICKET = """\
ticket: T-0412
lens: {model: "Corvane 50 mm f/2", serial: "C50-00417"}
phase: intake
body: {model: "Ostrel D7"}
"""
CARD = """\
card: "Corvane 50 mm f/2"
valid_for: {stand: north-bench, body: Ostrel D7}
limits: []
"""


def pages_of(data):
    return [" ".join(page.get_textpage().get_text_bounded().split()) for page in pypdfium2.PdfDocument(data)]


@pytest.fixture
def shop(tmp_path):
    (tmp_path / "T-0412").mkdir()
    (tmp_path / "T-0412" / "ticket.yaml").write_text(TICKET, encoding="utf-8")
    (tmp_path / "cards").mkdir()
    return tmp_path


def run(shop, capsys, *checks):
    card = CARD + "".join(["hand_checks:\n", *(f"  - {check}\n" for check in checks)] if checks else [])
    (shop / "cards" / "corvane.yaml").write_text(card, encoding="utf-8")
    code = run_command(["print", "sheet", f"{shop}/T-0412", f"--cards={shop}/cards", f"--out={shop}/out"])
    captured = capsys.readouterr()
    return code, captured.out + captured.err


def test_every_check_of_the_card_is_printed_with_its_caution(shop, capsys):
    code, out = run(shop, capsys, "look_through", "contacts")
    assert code == 0
    assert out.endswith("T-0412-hand-checks.pdf\n")
    (text,) = pages_of((shop / "out" / "T-0412-hand-checks.pdf").read_bytes())
    assert "Ticket T-0412, serial number C50-00417 Corvane 50 mm f/2 Checked by Day" in text
    for place, name in enumerate(("look_through", "contacts"), start=1):
        check = HAND_LIST[name]
        assert f"{place} of 2: {check.title} Caution: {check.caution} {check.how} pass fail not applicable" in text
    assert "Never look through a lens at the sun" in text


def test_a_card_with_no_or_unknown_checks_is_refused(shop, capsys):
    code, out = run(shop, capsys)
    assert code == 2
    assert "the card of `Corvane 50 mm f/2` lists no hand checks: there is nothing to print" in out
    code, out = run(shop, capsys, "smell")
    assert code == 2
    assert "lists `smell`, which is not a hand check: correct it" in out


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3"])
def test_the_whole_list_is_printed_without_losing_or_cutting_a_check(paper):
    head = SheetHead(ticket="T-1", model="<b>&amp; \u202eM" + "x" * 300, serial="中")
    sheet = choose_paper(paper, "portrait", is_wide=False)
    data = draw_sheet(head, list(HAND_LIST.values()), sheet)
    pages = pages_of(data)
    text = " ".join(pages)
    assert [text.count(f" {place} of 12: ") for place in range(1, 13)] == [1] * 12
    for page in pages:
        assert "serial number [U+4E2D] <b>&amp; [U+202E]M" in page
        assert "this paper is not read" in page
        assert page.count(" of 12: ") == page.count("not applicable")
    width, height = (size / 25.4 * 72 for size in SIZES_MM[paper])
    for page in pypdfium2.PdfDocument(data):
        objects = [each.get_bounds() for each in page.get_objects()]
        assert min(left for left, *_ in objects) > 0
        assert max(right for _, _, right, _ in objects) < width
        assert max(top for *_, top in objects) < height
