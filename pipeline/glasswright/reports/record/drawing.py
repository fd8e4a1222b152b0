"""The PDF of a record, reproducible to the byte."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import KeepTogether, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table

from glasswright.plugin.paper import BOLD, PLAIN, register_fonts, show_missing
from glasswright.reports.record.field_picture import draw_field
from glasswright.reports.record.furniture import CODE_SIZE, FOOT, LOGO_GAP, LOGO_WIDTH, MARGIN, Furniture

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.reports.record.content import RecordContent

PAPERS: Final[Mapping[str, tuple[float, float]]] = {"A4": A4, "Letter": LETTER}
TEXT: Final = ParagraphStyle("text", fontName=PLAIN, fontSize=8.5, leading=11)
SMALL: Final = ParagraphStyle("small", parent=TEXT, fontSize=7.5, leading=9.6)
OWNER_SIZES: Final = (8.5, 8.0, 7.5, 7.0)
"""Sizes of the text for the owner: the largest with which it fits one page."""
CELL: Final = ParagraphStyle("cell", parent=TEXT, fontSize=8, leading=9.6)
RIGHT: Final = ParagraphStyle("right", parent=CELL, alignment=2)
TITLE: Final = ParagraphStyle("title", parent=TEXT, fontName=BOLD, fontSize=19, leading=24)
DECISION: Final = ParagraphStyle("decision", parent=TEXT, fontName=BOLD, fontSize=12, leading=16)
HEAD: Final = ParagraphStyle("head", parent=TEXT, fontName=BOLD, fontSize=9.5, leading=13, spaceBefore=7)
PADDING: Final = 6
"""Padding of the text frame in points, the template's default."""
COLUMNS: Final = (0.205, 0.135, 0.16, 0.105, 0.15, 0.13, 0.115)
"""Widths of the columns as fractions."""
HEADINGS: Final = ("measure", "at", "found (k = 2)", "unit", "limits", "rule", "verdict")
RULED: Final = (
    ("LINEBELOW", (0, 0), (-1, 0), 0.8, (0, 0, 0)),
    # empty cells have the height of the table's own font
    ("FONTSIZE", (0, 0), (-1, -1), 4),
    ("LEADING", (0, 0), (-1, -1), 5),
    ("TOPPADDING", (0, 0), (-1, -1), 1.2),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
    ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
)
HAIRLINE: Final = ("LINEBELOW", (0, 1), (-1, -1), 0.25, (0.6, 0.6, 0.6))


def draw_record(content: RecordContent, *, paper: str, note: str, fingerprint: str, logo: bytes = b"") -> bytes:
    """Return the record as PDF.

    Streams are not compressed, so that the bytes do not depend on the installed zlib; they are compared with those of a
    file that claims to be this record.

    Parameters
    ----------
    paper
        A name in `PAPERS`.
    note
        Encoded note for the file's properties, which `record --verify` reads.
    fingerprint
        Printed at the foot of every page, and as a QR code on the first.
    logo
        A PNG or JPEG file for the head of the first page; empty for none.
    """
    register_fonts()
    furniture = Furniture(content=content, fingerprint=fingerprint, logo=logo, pages=0)
    fitting = (size for size in OWNER_SIZES if _build(content, paper, note, furniture, size, only_owner=True)[1] == 1)
    size = next(fitting, OWNER_SIZES[-1])
    _, pages = _build(content, paper, note, furniture, size)
    data, _ = _build(content, paper, note, replace(furniture, pages=pages), size)
    return data


def _build(
    content: RecordContent, paper: str, note: str, furniture: Furniture, size: float, *, only_owner: bool = False
) -> tuple[bytes, int]:
    """Return the file and its number of pages."""
    file = io.BytesIO()
    document = SimpleDocTemplate(
        file,
        pagesize=PAPERS[paper],
        leftMargin=MARGIN - PADDING,
        rightMargin=MARGIN - PADDING,
        topMargin=MARGIN,
        bottomMargin=FOOT,
        invariant=1,
        pageCompression=0,
        title=f"{content.title}, ticket {dict(content.facts)['Ticket']}",
        author=content.signature.name,
        creator="glasswright",
        keywords=note,
        lang="en",
    )
    width = document.width - 2 * PADDING
    story = list(_for_owner(content, width, size, has_logo=bool(furniture.logo)))
    if not only_owner:
        story += [PageBreak(), *_in_numbers(content, width)]
    document.build(story, onFirstPage=furniture.draw, onLaterPages=furniture.draw)
    return file.getvalue(), document.page


def _for_owner(content: RecordContent, width: float, size: float, *, has_logo: bool) -> Iterable[Any]:
    """Yield the flowables of the first page, with text of a size in points."""
    text = ParagraphStyle("owner", parent=TEXT, fontSize=size, leading=1.28 * size)
    head = width - CODE_SIZE - 6 * mm - (LOGO_WIDTH + LOGO_GAP if has_logo else 0.0)
    shop = [_text(line, DECISION if place == 0 else SMALL) for place, line in enumerate(content.shop)]
    yield _beside_code(
        [*shop, _text(content.title, TITLE), _text(content.decision, DECISION), *_lens_lines(content)], head, width
    )
    if content.picture is not None:
        yield KeepTogether(
            [
                _text(content.picture.heading, HEAD),
                draw_field(content.picture, width),
                Spacer(1, 1 * mm),
                _text(content.picture.note, SMALL),
            ]
        )
    for heading, texts in (
        ("What was found", content.found),
        ("What it points to (a hint where to look first)", content.hints),
        ("Caveats of the measurement", content.caveats),
    ):
        if texts:
            yield _text(heading, HEAD)
            yield from (_text(f"• {each}", text) for each in texts)
    cautions = [_text("Mind", HEAD), *(_text(each, SMALL) for each in content.cautions)]
    yield KeepTogether([*cautions, *_sign(content, width)])


def _in_numbers(content: RecordContent, width: float) -> Iterable[Any]:
    """Yield the flowables of the technical pages."""
    yield _text("In numbers", TITLE)
    yield _pairs(content.facts[3:], width)
    if content.reasons:
        yield _text("Why", HEAD)
        yield from (_text(f"• {reason}", SMALL) for reason in content.reasons)
    if content.groups:
        yield _text("Results", HEAD)
        yield _results(content, width)
    if content.hand_checks:
        yield _text("By hand and eye", HEAD)
        yield _by_hand(content, width)
    for heading, texts in (("How it was decided", content.rules), ("Remarks", content.remarks)):
        if texts:
            yield KeepTogether([_text(heading, HEAD), *(_text(each, SMALL) for each in texts)])
    yield KeepTogether([_text("Where it comes from", HEAD), _pairs(content.sources, width)])


def _lens_lines(content: RecordContent) -> list[Any]:
    return [_text(f"{name}: {text}", TEXT) for name, text in content.facts[:3]]


def _text(text: str, style: ParagraphStyle) -> Paragraph:
    """Return a paragraph; nothing in the text is markup."""
    return Paragraph(escape(show_missing(text)), style)


def _beside_code(parts: list[Any], head: float, width: float) -> Table:
    """Return the head of the first page, with room for the QR code in the corner."""
    table = Table([[parts, ""]], colWidths=[head, width - head], minRowHeights=[CODE_SIZE + 2 * mm])
    table.setStyle([("LEFTPADDING", (0, 0), (-1, -1), 0), ("VALIGN", (0, 0), (-1, -1), "TOP")])
    return table


def _pairs(pairs: Sequence[tuple[str, str]], width: float) -> Table:
    rows = [[_text(name, SMALL), _text(text, SMALL)] for name, text in pairs]
    table = Table(rows, colWidths=[28 * mm, width - 28 * mm])
    table.setStyle(
        [
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ]
    )
    return table


def _results(content: RecordContent, width: float) -> Table:
    """Return the table of all limits; its head is repeated on each page, and a step's name stays with its first row."""
    rows: list[list[Any]] = [[_text(text, _style_of(column)) for column, text in enumerate(HEADINGS)]]
    style: list[Any] = list(RULED)
    for group in content.groups:
        place = len(rows)
        rows.append([_bold(group.step), *[""] * (len(HEADINGS) - 1)])
        style += [("SPAN", (0, place), (-1, place)), ("NOSPLIT", (0, place), (-1, place + 1))]
        for line in group.lines:
            texts = (line.measure, line.at, line.result, line.unit, line.limits, line.rule)
            cells = [_text(text, _style_of(column)) for column, text in enumerate(texts)]
            rows.append([*cells, _verdict(line.verdict)])
            style.append((*HAIRLINE[:1], (0, len(rows) - 1), (-1, len(rows) - 1), *HAIRLINE[3:]))
    table = Table(rows, colWidths=[share * width for share in COLUMNS], repeatRows=1)
    table.setStyle(style)
    return table


def _by_hand(content: RecordContent, width: float) -> Table:
    rows = [[_text(text, CELL) for text in ("check", "answer", "verdict")]]
    rows += [[_text(e.name, CELL), _text(e.result, CELL), _verdict(e.verdict)] for e in content.hand_checks]
    table = Table(rows, colWidths=[COLUMNS[0] * width, (1 - COLUMNS[0] - COLUMNS[-1]) * width, COLUMNS[-1] * width])
    table.setStyle([*RULED, HAIRLINE])
    return table


def _verdict(verdict: str) -> Paragraph:
    return _text(verdict, CELL) if verdict == "PASS" else _bold(verdict)


def _style_of(column: int) -> ParagraphStyle:
    """Return the style of a column; numbers are right-aligned."""
    return RIGHT if HEADINGS[column].startswith(("found", "limits")) else CELL


def _bold(text: str) -> Paragraph:
    return Paragraph(f"<b>{escape(show_missing(text))}</b>", CELL)


def _sign(content: RecordContent, width: float) -> list[Any]:
    """Return the signature line, with name and day below it if given."""
    labels = [f"Signed by: {content.signature.name}", f"Day: {content.signature.day}"]
    table = Table([[_text(label, TEXT) for label in labels]], colWidths=[0.65 * width, 0.35 * width])
    table.setStyle([("LINEABOVE", (0, 0), (0, 0), 0.6, (0, 0, 0)), ("LINEABOVE", (1, 0), (1, 0), 0.6, (0, 0, 0))])
    return [Spacer(1, 14 * mm), table]
