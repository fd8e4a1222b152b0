"""The commissioning report: what the stand can tell apart, what it cannot, its constants and how long each is valid."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from glasswright.plugin.drawing import element, escape_text
from glasswright.plugin.paper import BOLD, PLAIN, register_fonts, show_missing
from glasswright_camera.commissioning.step_result import format_with_u
from glasswright_camera.commissioning.steps import LEDGER_STEPS, STEPS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from glasswright.config import StandConstant
    from glasswright_camera.commissioning.steps import Step

STYLE: Final = (
    "body{font:16px/1.5 sans-serif;max-width:60em;margin:2em auto;padding:0 1em}table{border-collapse:collapse}"
    "td,th{padding:.2em .8em;border-bottom:1px solid #999;text-align:left}"
)
CONFIDENCE: Final = 0.95
DECLARED_FREEDOM: Final = 8.0
"""Degrees of freedom of a declared spread, which counts as known to 25 % (JCGM 100, G.4.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of the report."""

    title: str
    texts: tuple[str, ...] = ()
    header: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The report's content."""

    title: str
    sections: tuple[Section, ...]


def collect_report(
    name: str,
    stand: Mapping[str, Any],
    constants: Mapping[str, StandConstant],
    found: Mapping[str, Mapping[str, Any] | None],
    today: date,
) -> Report:
    """Return the report's content.

    Parameters
    ----------
    name
        The stand file's name.
    stand
        The stand file's data.
    constants
        Constants of the stand file by step.
    found
        Result of each step's last run on the folder; None where it was not run.
    today
        Constants that are no longer valid on this date are marked.
    """
    done = [step for step in STEPS if step.name in constants]
    summary = Section(
        title="Summary",
        texts=(f"{len(done)} of {len(STEPS)} steps are in the stand file.",),
        rows=tuple((step.title, step.describe_state(stand) or "not done") for step in LEDGER_STEPS),
    )
    steps = [_describe_step(step, constants.get(step.name), found.get(step.name), today) for step in STEPS]
    return Report(
        title=f"Constants of {name}",
        sections=(summary, _list_differences(stand), _list_unknown(constants, today), *steps),
    )


def _list_differences(stand: Mapping[str, Any]) -> Section:
    """Return the smallest difference between two visits that is not chance, for each entry of `reproducibility`."""
    from scipy.stats import t

    rows = []
    for measure, entry in (stand.get("reproducibility") or {}).items():
        freedom = entry.get("freedom") or DECLARED_FREEDOM
        factor = float(t.ppf((1 + CONFIDENCE) / 2, freedom)) * 2**0.5
        relative = "relative_u" in entry
        size = factor * (100 * entry["relative_u"] if relative else entry["u"])
        basis = f"study, {entry['freedom']:g} degrees of freedom" if "freedom" in entry else "declared"
        rows.append((measure, f"{size:.2g}{' %' if relative else ''}", basis))
    texts = (
        "Two visits of one lens that differ by less than this cannot be told apart "
        f"({100 * CONFIDENCE:g} %; from the scatter of mounting a lens again, without that of the measurement itself).",
    )
    return Section(
        title="What the stand can tell apart",
        texts=texts if rows else ("Nothing is known: no scatter was studied or declared (`reproducibility`).",),
        header=("field", "smallest difference", "from") if rows else (),
        rows=tuple(rows),
    )


def _list_unknown(constants: Mapping[str, StandConstant], today: date) -> Section:
    notes = []
    for step in STEPS:
        constant = constants.get(step.name)
        if constant is None:
            notes.append(f"{step.title}: not measured. {step.without}")
        elif today > constant.last_day:
            notes.append(f"{step.title}: too old since {constant.last_day}. Fields that depend on it are in review.")
    notes.append("Scale: all lengths on the print rest on the steel rule; all light on the shutter's relative times.")
    return Section(title="What the stand cannot tell", notes=tuple(notes))


def _describe_step(step: Step, constant: StandConstant | None, found: Mapping[str, Any] | None, today: date) -> Section:
    notes = tuple(str(note) for note in (found or {}).get("notes", ()))
    if constant is None:
        return Section(title=step.title, texts=("Not in the stand file.",), notes=notes)
    late = ": too old, fields that depend on it are in review" if today > constant.last_day else ""
    body = " ".join(filter(None, (" on body", constant.body, constant.body_serial))) if constant.body else ""
    findings = {each["name"]: each for each in (found or {}).get("findings", ())}
    rows = []
    for name, number in constant.values.items():
        ceiling = findings.get(name, {}).get("ceiling_u")
        wide = ceiling is not None and not number.u <= ceiling
        meaning = str(findings.get(name, {}).get("meaning", name))
        rows.append((meaning, format_with_u(number.value, number.u), name, "u above its limit" if wide else ""))
    return Section(
        title=step.title,
        texts=(
            f"Measured {constant.measured}{body}, valid until {constant.last_day}{late}. {constant.origin}.",
            f"Fields that depend on it: {', '.join(constant.rests) or 'none'}.",
        ),
        header=("constant", "value", "name", ""),
        rows=tuple(rows),
        notes=notes,
    )


def draw_page(report: Report) -> str:
    """Return the report as HTML."""
    body = [element("h1", escape_text(report.title))]
    for section in report.sections:
        body.append(element("h2", escape_text(section.title)))
        body += [element("p", escape_text(text)) for text in section.texts]
        rows = [element("tr", *(element("th", escape_text(cell)) for cell in section.header))] if section.header else []
        rows += [element("tr", *(element("td", escape_text(cell)) for cell in row)) for row in section.rows]
        body += [element("table", *rows)] if rows else []
        notes = [element("li", escape_text(note)) for note in section.notes]
        body += [element("ul", *notes)] if notes else []
    head = element(
        "head", element("meta", charset="utf-8"), element("title", escape_text(report.title)), element("style", STYLE)
    )
    return f"<!doctype html>\n{element('html', head, element('body', *body), lang='en')}\n"


def draw_pdf(report: Report) -> bytes:
    """Return the report as PDF on A4, the same for the same content."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph, SimpleDocTemplate, Spacer, Table

    register_fonts()
    text = ParagraphStyle("text", fontName=PLAIN, fontSize=8.5, leading=11)
    cell = ParagraphStyle("cell", parent=text, fontSize=7.5, leading=9.5)
    bold = ParagraphStyle("bold", parent=cell, fontName=BOLD)
    head = ParagraphStyle("head", parent=text, fontName=BOLD, fontSize=11, leading=15, spaceBefore=9)
    title = ParagraphStyle("title", parent=text, fontName=BOLD, fontSize=17, leading=22)

    def write(words: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(escape(show_missing(words)), style)

    file = io.BytesIO()
    document = SimpleDocTemplate(
        file, pagesize=A4, invariant=1, title=report.title, creator="glasswright", lang="en",
        leftMargin=50, rightMargin=50, topMargin=50, bottomMargin=50,
    )  # fmt: skip
    story: list[Any] = [write(report.title, title)]
    for section in report.sections:
        story.append(write(section.title, head))
        story += [write(words, text) for words in section.texts]
        rows = [[write(each, bold) for each in section.header]] if section.header else []
        rows += [[write(each, cell) for each in row] for row in section.rows]
        if rows:
            table = Table(rows, colWidths=[(document.width - 12) / len(rows[0])] * len(rows[0]))
            table.setStyle(
                [("LINEBELOW", (0, 0), (-1, -1), 0.25, (0.6, 0.6, 0.6)), ("VALIGN", (0, 0), (-1, -1), "TOP")]
            )
            story += [Spacer(1, 3), table]
        story += [write(f"• {note}", text) for note in section.notes]
    document.build(story)
    return file.getvalue()
