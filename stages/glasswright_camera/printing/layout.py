"""Writer of a print's layout file."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Final

import yaml

from glasswright import Artefact
from glasswright.plugin.paper import PaperError

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_STRETCH: Final = 0.001
"""Largest relative difference of scale across and down, as a layout has one pitch."""
MOST_OFF: Final = 0.05
"""Of a bar's length. Chosen: a print further off was scaled to a page."""


def write_layout(layout: Artefact, comments: Sequence[str]) -> str:
    """Return a layout as YAML, with comments at its head."""
    engine = {field.name for field in fields(Artefact)}
    data = {name: _plain(value) for name, value in asdict(layout).items() if name not in engine and value != ()}
    head = "".join(f"# {' '.join(line.split())}\n" for line in comments)
    return head + yaml.safe_dump(data, sort_keys=False, allow_unicode=True)


def _plain(value: object) -> object:
    if isinstance(value, (tuple, list)):
        return [_plain(each) for each in value]
    return {name: _plain(each) for name, each in value.items()} if isinstance(value, dict) else value


def find_scale(across_mm: float, down_mm: float) -> float:
    """Return the scale of a print from the measured lengths of its bars of 100 mm.

    Raises
    ------
    PaperError
        If a length cannot be that of a bar, or the two differ too much for one pitch.
    """
    for name, length in (("across", across_mm), ("down", down_mm)):
        if abs(length / 100 - 1) > MOST_OFF:
            message = (
                f"a bar of 100 mm {name} cannot measure {length:g} mm unless it was printed at another size: print it "
                "again at 100 %, or measure it again"
            )
            raise PaperError(message)
    stretch = abs(across_mm - down_mm) / 100
    if stretch > MOST_STRETCH:
        message = (
            f"the print is stretched: its bars measure {across_mm:g} mm across and {down_mm:g} mm down, {stretch:.2%} "
            "apart, and a chart has one pitch: print it on another machine or another paper"
        )
        raise PaperError(message)
    return (across_mm + down_mm) / 200
