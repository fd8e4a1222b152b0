"""The hand checks of a ticket on paper, to be filled in at the bench and typed in afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth

from glasswright.plugin.paper import BOLD, PLAIN, clean_text, show_missing
from glasswright_camera.printing.pen import Pen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_camera.hand_checks.instructions import Instruction
    from glasswright_camera.printing.paper import Paper

MARGIN_MM: Final = 15.0
FOOT_MM: Final = 14.0
LINE_MM: Final = 4.2
SIZE_MM: Final = 3.0
BOX_MM: Final = 4.0
INSET_MM: Final = 3.0
"""Indent of a caution, for the thick line beside it."""
ANSWERS: Final = ("pass", "fail", "not applicable")
ANSWER_MM: Final = 34.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetHead:
    """Head of a sheet: ticket and lens."""

    ticket: str
    model: str
    serial: str


def draw_sheet(head: SheetHead, checks: Sequence[Instruction], paper: Paper) -> bytes:
    """Return the sheet as PDF: each check with its caution, instruction, boxes to tick and a line for a note."""
    pen = Pen(f"Hand checks, ticket {head.ticket}", paper.width_mm, paper.height_mm)
    width = paper.width_mm - 2 * MARGIN_MM
    sheets = _share_out(checks, width, paper)
    number = 0
    for index, sheet in enumerate(sheets):
        if index:
            pen.next_sheet()
        y = _draw_head(pen, head, paper)
        for check in sheet:
            number += 1
            y = _draw_check(pen, f"{number} of {len(checks)}: {check.title}", check, y, width)
        foot = f"Hand checks, ticket {head.ticket}, sheet {index + 1} of {len(sheets)}. Type the answers in with "
        pen.text(MARGIN_MM, paper.height_mm - 8, foot + "`glasswright hand-checks`: this paper is not read.", size=2.4)
    return pen.finish()


def _share_out(checks: Sequence[Instruction], width: float, paper: Paper) -> list[list[Instruction]]:
    """Return the checks of each sheet; a check is never divided."""
    room = paper.height_mm - FOOT_MM - _head_height()
    sheets: list[list[Instruction]] = [[]]
    used = 0.0
    for check in checks:
        height = _height_of(check, width)
        if sheets[-1] and used + height > room:
            sheets.append([])
            used = 0.0
        sheets[-1].append(check)
        used += height
    return sheets


def _head_height() -> float:
    return MARGIN_MM + 27.0


def _draw_head(pen: Pen, head: SheetHead, paper: Paper) -> float:
    pen.text(MARGIN_MM, MARGIN_MM + 5, "Hand checks", size=6.5, font=BOLD)
    pen.text(MARGIN_MM, MARGIN_MM + 11, _fit(f"Ticket {head.ticket}, serial number {head.serial}", paper), size=SIZE_MM)
    pen.text(MARGIN_MM, MARGIN_MM + 15.5, _fit(head.model, paper), size=SIZE_MM)
    half = paper.width_mm / 2
    for x, label in ((MARGIN_MM, "Checked by"), (half, "Day")):
        pen.text(x, MARGIN_MM + 22.5, label, size=SIZE_MM)
        pen.line(x + 20, MARGIN_MM + 23, x + half - MARGIN_MM - 6, MARGIN_MM + 23)
    return _head_height()


def _fit(text: str, paper: Paper) -> str:
    """Return a text shortened to the sheet's width."""
    shown, room = show_missing(clean_text(text)), paper.width_mm - 2 * MARGIN_MM
    if stringWidth(shown, PLAIN, SIZE_MM) <= room:
        return shown
    while stringWidth(f"{shown}…", PLAIN, SIZE_MM) > room:
        shown = shown[:-1]
    return f"{shown}…"


def _wrap(text: str, width: float) -> list[str]:
    return list(simpleSplit(show_missing(clean_text(text)), PLAIN, SIZE_MM, width))


def _cautions_of(check: Instruction, width: float) -> list[str]:
    return _wrap(f"Caution: {check.caution}", width - INSET_MM) if check.caution else []


def _height_of(check: Instruction, width: float) -> float:
    return 5.5 + LINE_MM * len([*_cautions_of(check, width), *_wrap(check.how, width)]) + 14.0


def _draw_check(pen: Pen, title: str, check: Instruction, y: float, width: float) -> float:
    """Draw one check; return the place of the next."""
    pen.line(MARGIN_MM, y, MARGIN_MM + width, y, grey=0.5)
    pen.text(MARGIN_MM, y + 4.8, title, size=3.4, font=BOLD)
    base = y + 5.5
    cautions = _cautions_of(check, width)
    if cautions:
        pen.line(MARGIN_MM + 0.6, base + 1.0, MARGIN_MM + 0.6, base + LINE_MM * len(cautions) + 1.0, thick=1.2)
    for text in cautions:
        base += LINE_MM
        pen.text(MARGIN_MM + INSET_MM, base, text, size=SIZE_MM)
    for text in _wrap(check.how, width):
        base += LINE_MM
        pen.text(MARGIN_MM, base, text, size=SIZE_MM)
    base += 3.0
    for index, answer in enumerate(ANSWERS):
        pen.box(MARGIN_MM + index * ANSWER_MM, base, BOX_MM)
        pen.text(MARGIN_MM + index * ANSWER_MM + BOX_MM + 1.5, base + 3.1, answer, size=SIZE_MM)
    left = MARGIN_MM + len(ANSWERS) * ANSWER_MM + 4
    pen.text(left, base + 3.1, "note", size=SIZE_MM)
    pen.line(left + 9, base + 4, MARGIN_MM + width, base + 4)
    return y + _height_of(check, width)
