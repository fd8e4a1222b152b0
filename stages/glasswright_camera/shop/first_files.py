"""The first files of a shop: stand, card, plan, chart and an example ticket, every key explained in comments."""

from __future__ import annotations

import re
from dataclasses import dataclass
from string import Template
from typing import TYPE_CHECKING, Final

from glasswright.config import find_shipped, read_config
from glasswright.preparing import adopt_first_plan
from glasswright_camera.printing.layout import write_layout
from glasswright_camera.stand import ChartLayout

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

PLANS: Final = {"fixed": "fixed_focal.yaml", "zoom": "zoom.yaml"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopFacts:
    """Values for the first files."""

    name: str
    """Name of the stand."""
    lens: str
    by: str
    day: str
    body: str
    pixel_pitch_um: float
    frame_px: tuple[int, int] | None
    plan: str
    """A key of `PLANS`."""
    chart: Path
    """The layout file of the stand's chart."""
    serial: str = "0001"


def write_first_files(folder: Path, facts: ShopFacts) -> list[Path]:
    """Write a shop's first files into an existing empty folder; return their paths.

    Raises
    ------
    ConfigError
        If the chart's layout has mistakes.
    """
    layout = read_config(facts.chart, ChartLayout)
    values = {
        "stand": facts.name,
        "lens": facts.lens,
        "by": facts.by,
        "day": facts.day,
        "body": facts.body,
        "pitch": f"{facts.pixel_pitch_um:g}",
        "frame": f"[{facts.frame_px[0]}, {facts.frame_px[1]}]" if facts.frame_px else "[6000, 4000]",
        "frame_mark": "" if facts.frame_px else "# ",
        "chart": layout.name,
        "chart_file": f"{layout.name}.yaml",
        "serial": facts.serial,
    }
    for name in ("cards", "charts", "tickets", "example"):
        (folder / name).mkdir()
    card = folder / "cards" / f"{slug(facts.lens)}.yaml"
    written = {
        folder / "stand.yaml": fill_template("stand.yaml", values),
        card: fill_template("card.yaml", values),
        folder / "plan.yaml": find_shipped("glasswright_camera", "plans", PLANS[facts.plan]).read_text(
            encoding="utf-8"
        ),
        folder / "charts" / f"{layout.name}.yaml": write_layout(layout, (f"From {facts.chart.name}.",)),
        folder / "example" / "ticket.yaml": fill_template("example_ticket.yaml", values),
    }
    for path, text in written.items():
        path.write_text(text, encoding="utf-8")
    adopt_first_plan(
        folder / "cards", facts.lens, folder / "plan.yaml", by=facts.by, why="the plan the shop begins with"
    )
    return list(written)


def fill_template(name: str, values: Mapping[str, str]) -> str:
    """Return a template with its `$name` places filled."""
    text = find_shipped("glasswright_camera", "templates", name).read_text(encoding="utf-8")
    return Template(text).substitute({key: escape_yaml(value) for key, value in values.items()})


def escape_yaml(text: str) -> str:
    """Return a text escaped for double quotes in YAML."""
    return text.replace("\\", "\\\\").replace('"', '\\"')


def slug(model: str) -> str:
    """Return a lens model's name as a file name: `corvane_50_mm_f_2`."""
    return re.sub(r"[^a-z0-9]+", "_", model.lower()).strip("_") or "lens"
