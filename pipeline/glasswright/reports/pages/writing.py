"""Rendering of templates into files; the only module that imports the template engine."""

from __future__ import annotations

import re
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.plugin.field_names import MEASURE
from glasswright.reports.names import field_names
from glasswright.reports.pages.formats import (
    MINUS,
    format_heading,
    format_limits,
    format_measure,
    format_number,
    format_seconds,
    format_step,
    format_time,
    format_value,
)
from glasswright.whole_files import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

SIGNS = {"pass": "●", "fail": "✕", "review": "▲", "unknown": "■", "skipped": "–"}


class PagesError(GlasswrightError):
    """A page cannot be written."""

    exit_code = 2


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Return the template environment; values are escaped except drawings (`| drawing`)."""
    found = Environment(
        loader=PackageLoader("glasswright.reports.pages", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters.update(
        drawing=Markup,
        measure=format_measure,
        step=format_step,
        time=format_time,
        seconds=format_seconds,
        number=format_number,
        heading=format_heading,
        readable=make_readable,
        count=format_count,
    )
    found.globals.update(sign=SIGNS.get, format_value=format_value, format_limits=format_limits)
    return found


def make_readable(text: str) -> str:
    """Return a sentence with each measure replaced by its plugin's name for it, or else by its parts; so with steps."""
    named = re.sub(r"(?<![\w.-])-(?=\d)", MINUS, field_names().make_readable(text))
    named = MEASURE.sub(lambda match: f"{format_step(match[1].partition('.')[0])} {format_measure(match[1])}", named)
    return re.sub(r"`([a-z0-9_]+)`", lambda match: format_step(match[1]), named)


def fill(template: str, context: Mapping[str, Any]) -> str:
    """Render a template."""
    return environment().get_template(template).render(context)


def write_page(path: Path, data: bytes) -> None:
    """Write a file of the pages atomically.

    Raises
    ------
    PagesError
        If it cannot be written; the message gives the path and the reason.
    """
    try:
        write_whole(path, data, durable=False)
    except OSError as error:
        raise PagesError(f"{path}: cannot be written ({error.strerror or error}): choose another --out") from error


def copy_assets(folder: Path) -> None:
    """Copy the style sheet and the script to the folder of pages."""
    for file in resources.files("glasswright.reports.pages").joinpath("assets").iterdir():
        write_page(folder / file.name, file.read_bytes())
