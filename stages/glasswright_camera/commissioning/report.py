"""The commissioning report: the stand's constants, the missing ones, and how long each is valid."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glasswright.plugin.drawing import element, escape_text
from glasswright_camera.commissioning.step_result import format_with_u
from glasswright_camera.commissioning.steps import STEPS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from glasswright.config import StandConstant
    from glasswright_camera.commissioning.steps import Step

STYLE = (
    "body{font:16px/1.5 sans-serif;max-width:60em;margin:2em auto;padding:0 1em}table{border-collapse:collapse}"
    "td,th{padding:.2em .8em;border-bottom:1px solid #999;text-align:left}td.n{text-align:right}"
)


def draw_report(
    stand: str, constants: Mapping[str, StandConstant], found: Mapping[str, Mapping[str, Any] | None], today: date
) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    stand
        The stand file's name.
    constants
        Constants of the stand file by step.
    found
        Result of each step's last run on the folder; None where it was not run.
    today
        Constants that are no longer valid on this date are marked.
    """
    done = [step for step in STEPS if step.name in constants]
    missing = [step.title for step in STEPS if step.name not in constants]
    head = f"{len(done)} of {len(STEPS)} steps are in the stand file."
    body = [element("h1", escape_text(f"Constants of {stand}")), element("p", escape_text(head))]
    if missing:
        body.append(element("p", escape_text(f"Missing: {'; '.join(missing)}.")))
    for step in STEPS:
        body += _draw_step(step, constants.get(step.name), found.get(step.name), today)
    page = element(
        "html",
        element(
            "head", element("meta", charset="utf-8"), element("title", escape_text(stand)), element("style", STYLE)
        ),
        element("body", *body),
        lang="en",
    )
    return f"<!doctype html>\n{page}\n"


def _draw_step(step: Step, constant: StandConstant | None, found: Mapping[str, Any] | None, today: date) -> list[str]:
    parts = [element("h2", escape_text(step.title))]
    if constant is None:
        parts.append(element("p", escape_text("Not in the stand file.")))
    else:
        late = ": too old, fields that depend on it are in review" if today > constant.last_day else ""
        body = f" on body {constant.body}" if constant.body else ""
        state = f"Measured {constant.measured}{body}, valid until {constant.last_day}{late}. {constant.origin}."
        parts.append(element("p", escape_text(state)))
        meaning = {each["name"]: each["meaning"] for each in (found or {}).get("findings", ())}
        rows = [
            element(
                "tr",
                element("td", escape_text(meaning.get(name, name))),
                element("td", escape_text(format_with_u(number.value, number.u)), class_="n"),
                element("td", escape_text(name)),
            )
            for name, number in constant.values.items()
        ]
        parts.append(element("table", *rows))
        parts.append(element("p", escape_text(f"Fields that depend on it: {', '.join(constant.rests) or 'none'}.")))
    notes = [element("li", escape_text(note)) for note in (found or {}).get("notes", ())]
    return [*parts, element("ul", *notes)] if notes else parts
