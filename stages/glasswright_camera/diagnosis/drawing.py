"""Drawing of a diagnosis: every kind of sign, and its departure from the reference."""

from __future__ import annotations

from math import isfinite, log10
from typing import TYPE_CHECKING, Final

from glasswright.plugin.drawing import Picture, Scale, canvas, dot, element, label, line, mark
from glasswright_camera.diagnosis.signs import STANDS_OUT, format_sign, list_signs
from glasswright_camera.plots import WIDTH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_camera.diagnosis.result import Diagnosis, Sign

LEFT: Final = 150.0
"""Left end of the scale; names are to the left of it."""
ROW: Final = 21.0
LEAST, MOST = 0.03, 30.0
"""Ends of the scale, in units of a just significant departure; departures beyond are drawn at the ends."""
TICKS: Final = (0.1, 1.0, 10.0)


def draw_diagnosis(diagnosis: Diagnosis) -> list[Picture]:
    """Draw the strongest sign of each kind; those explained by a fault are filled."""
    signs = choose_signs(diagnosis.signs)
    scale = Scale(low=log10(LEAST), high=log10(MOST), start=LEFT, end=WIDTH - 20.0)
    bottom = 14 + ROW * len(signs)
    claimed = {sign.kind for finding in diagnosis.findings for sign in finding.signs}
    parts = [
        element("rect", x=LEFT, y=6.0, width=scale(0.0) - LEFT, height=bottom - 6, class_="band"),
        line(scale(0.0), 6, scale(0.0), bottom, "limit"),
    ]
    for place, sign in enumerate(signs):
        y = 6 + ROW * (place + 0.6)
        x = scale(min(max(log10(max(abs(sign.strength) / STANDS_OUT, LEAST)), scale.low), scale.high))
        shape = dot(x, y, "fill one" if sign.kind in claimed else "hollow one", 5.0)
        parts += [label(LEFT - 8, y + 4, sign.kind, anchor="end", class_="name"), mark(shape, format_sign(sign))]
    parts += [label(scale(log10(tick)), bottom + 16, f"{tick:g}") for tick in TICKS]
    parts.append(label((LEFT + WIDTH) / 2, bottom + 34, "departure from the reference; significant from 1 on"))
    title = "What it points to"
    drawing = canvas(WIDTH, bottom + 44, *parts, label=title, marks=True)
    return [Picture(title, drawing, describe(diagnosis))]


def choose_signs(signs: Sequence[Sign]) -> list[Sign]:
    """Return the strongest sign of each kind, of those with a reference."""
    strongest: dict[str, Sign] = {}
    for sign in signs:
        if isfinite(sign.strength):
            strongest.setdefault(sign.kind, sign)
    return list(strongest.values())


def describe_hint(diagnosis: Diagnosis) -> list[str]:
    """Return a sentence for each fault indicated, or one that there is none.

    A limit may fail although every sign is as in healthy copies, so the text does not say "nothing unusual".
    """
    if diagnosis.findings:
        return [f"{finding.surety.capitalize()}: {finding.name}: {finding.says}" for finding in diagnosis.findings]
    outstanding = [sign for sign in diagnosis.signs if abs(sign.strength) >= STANDS_OUT]
    return [
        "No known fault fits"
        + (f", although these signs are significant: {list_signs(outstanding)}" if outstanding else "")
    ]


def describe(diagnosis: Diagnosis) -> str:
    """Return the drawing's caption: the faults, and how the signs are drawn."""
    found = [f"{finding.surety.capitalize()}: {finding.name}: {finding.says}." for finding in diagnosis.findings]
    text = " ".join(found) or f"{describe_hint(diagnosis)[0]}."
    where = "healthy copies of the model" if diagnosis.compared_with[0].isdigit() else "a perfect lens"
    return (
        f"{text} Compared with {where} ({diagnosis.compared_with}). Filled: signs of a fault named here. Times are "
        "clock positions on the lens, seen from its front with the camera upright. It is a hint where to look first, "
        "not a proof."
    )
