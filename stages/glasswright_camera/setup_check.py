"""Checks of the stand's charts against the cards, and of the sharpness of their prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright import SetupFinding
from glasswright_camera.monochrome import COLOUR_FIELDS, NO_COLOURS
from glasswright_camera.print_edge import INK_UM, MOST_LOSS, describe_ink, lose_to_print
from glasswright_camera.printing.advice import FRAME_MM, chart_magnification

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright import CardFact
    from glasswright_camera.stand import ChartLayout, Stand

SHARP: Final = 0.4
"""Cycles per pixel, MTF50 of a good lens."""


def check_setup(stand: Stand, facts: tuple[CardFact, ...]) -> Iterator[SetupFinding]:
    """Compare the stand's charts with the chart and magnification of the cards."""
    if stand.sensor.monochrome:
        stages = {f"camera.{stage}": fields for stage, fields in COLOUR_FIELDS.items()}
        without = tuple(
            f"{stage}.{field}" if field else stage for stage, fields in stages.items() for field in fields or ("",)
        )
        yield SetupFinding(message=NO_COLOURS, not_applicable=without)
    layouts = {use.layout.name: use.layout for use in stand.charts}
    for layout in (use.layout for use in stand.charts if use.transfer is None):
        magnification = fill_frame(layout, stand)
        loss = lose_to_print(SHARP, INK_UM[1], magnification, stand.sensor.pixel_pitch_um)
        if layout.edge_blur_um is None and loss > MOST_LOSS:
            ink = describe_ink(magnification, stand.sensor.pixel_pitch_um)
            yield SetupFinding(message=f"chart `{layout.name}`: {ink}")
    charts = {fact.model: fact.text for fact in facts if fact.measure.endswith(".chart") and fact.text}
    for model, chart in charts.items():
        if chart not in layouts:
            has = ", ".join(f"`{name}`" for name in layouts)
            yield SetupFinding(
                model=model,
                blocks=True,
                message=f"the card is for chart `{chart}`, and the stand has {has}: hang the card's chart and name its "
                "layout in the stand file, or write a card for this chart",
            )
    for fact in facts:
        if fact.measure.endswith(".magnification_frac"):
            named = charts.get(fact.model)
            used = [layouts[named]] if named in layouts else [] if named else list(layouts.values())
            yield from (
                SetupFinding(model=fact.model, message=text)
                for layout in used
                if (text := compare_magnification(layout, fact, stand))
            )


def find_frame(stand: Stand) -> tuple[float, float]:
    """Return width and height of the stand's frames in mm; 36 x 24 if the stand file has none."""
    size, pitch = stand.sensor.frame_px, stand.sensor.pixel_pitch_um
    return (size[0] * pitch / 1000, size[1] * pitch / 1000) if size is not None else FRAME_MM


def fill_frame(layout: ChartLayout, stand: Stand) -> float:
    """Return the magnification at which a chart fills the stand's frame as intended."""
    across, down = (layout.columns - 1) * layout.pitch_mm, (layout.rows - 1) * layout.pitch_mm
    return chart_magnification(across, down, find_frame(stand))


def compare_magnification(layout: ChartLayout, fact: CardFact, stand: Stand) -> str:
    """Return a text if a chart that fills the frame is outside a card's range of magnification; empty if it fits."""
    magnification, (width, height) = fill_frame(layout, stand), find_frame(stand)
    low, high = fact.low or 0.0, fact.high or float("inf")
    if low <= magnification <= high:
        return ""
    size = "larger" if magnification > high else "smaller"
    return (
        f"chart `{layout.name}` fills a frame of {width:.3g} x {height:.3g} mm at a magnification of "
        f"{magnification:.3g}, and the card is valid from {low:g} to {high:g}: print it {size} (`--tiled`, "
        "`--paper A0`, `--pitch-mm`), or write a card for this magnification"
    )
