"""The command `print`: charts and sheets on paper, true to scale."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glasswright.config import find_shipped, read_config
from glasswright.judging.hand_check_entry import find_hand_checks, open_entry
from glasswright.outputs import make_folder
from glasswright.plugin.paper import PaperError, write_file
from glasswright_camera.hand_checks.instructions import HAND_LIST
from glasswright_camera.print_edge import describe_ink
from glasswright_camera.printing.advice import advise, chart_magnification, find_edge_need, ramp_magnification
from glasswright_camera.printing.card_fit import compare_with_cards
from glasswright_camera.printing.chart import draw_chart
from glasswright_camera.printing.layout import find_scale, write_layout
from glasswright_camera.printing.paper import SIZES_MM, choose_paper
from glasswright_camera.printing.picture import fit_pitch, scale_layout
from glasswright_camera.printing.sheet import SheetHead, draw_sheet
from glasswright_camera.stand import ChartLayout, RampLayout

if TYPE_CHECKING:
    from collections.abc import Callable

    from glasswright_camera.printing.advice import EdgeNeed
    from glasswright_camera.printing.paper import Orientation
    from glasswright_camera.printing.picture import AnyLayout, PrintedLayout

EXAMPLE = """\b
Examples:
  glasswright print chart --paper A2 --out prints
  glasswright print chart --paper A3 --tiled --out prints
  glasswright print ramp --paper A4 --out prints
  glasswright print sheet night/tickets/T-0412 --cards configs/cards --out prints
"""
RAMP = "ramp_9x17.yaml"
CHART = "lattice_13x9.yaml"
Command = Any


@click.group(name="print", epilog=EXAMPLE, short_help="Print charts and sheets true to scale, as PDF.")
def print_paper() -> None:
    """Print charts and sheets true to scale, as PDF, with the layout file that describes the print."""


def _with_options(*options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    def add(function: Command) -> Command:
        for option in reversed(options):
            function = option(function)
        return function

    return add


ON_PAPER = _with_options(
    click.option(
        "--paper", type=click.Choice(list(SIZES_MM)), default="A3", show_default=True, help="Size of a sheet."
    ),
    click.option(
        "--orientation", type=click.Choice(["auto", "landscape", "portrait"]), default="auto", show_default=True
    ),
    click.option(
        "--out", type=click.Path(path_type=Path, file_okay=False), default=Path(), help="Folder to write into."
    ),
)
TO_SCALE = _with_options(
    click.option("--magnification", type=click.FloatRange(1e-4, 2), help="Size on the sensor over size on the print."),
    click.option(
        "--pixel-pitch-um", type=click.FloatRange(0.5, 50), default=6.0, show_default=True, help="Of the sensor."
    ),
    click.option(
        "--measured",
        nargs=2,
        type=float,
        help="Lengths of the bars of 100 mm of a finished print, across and down. With the options of that print, "
        "writes its layout file again.",
    ),
    click.option(
        "--pitch-mm", type=click.FloatRange(1, 1000), help="Print at this pitch, instead of filling the sheet."
    ),
    click.option(
        "--cards",
        type=click.Path(path_type=Path),
        help="Folder of cards: lists which of them are valid for this print at its magnification.",
    ),
    click.option("--tiled", is_flag=True, help="Print at the layout's own pitch (or --pitch-mm) over several sheets."),
)


@print_paper.command(epilog=EXAMPLE)
@ON_PAPER
@TO_SCALE
@click.option(
    "--layout", "file", type=click.Path(path_type=Path), help=f"The chart's layout; the shipped {CHART} if not given."
)
def chart(file: Path | None, **options: Any) -> None:  # noqa: ANN401 - the options are those of TO_SCALE and ON_PAPER
    """Print the lattice of discs, and write the layout file of the print beside it.

    It fills one sheet, unless --tiled or --pitch-mm asks for a size. Print at 100 %, then measure the check bars.
    """
    _print_lattice(read_config(_find_layout(file, CHART), ChartLayout), "This side down.", **options)


@print_paper.command(epilog=EXAMPLE)
@ON_PAPER
@TO_SCALE
@click.option(
    "--layout", "file", type=click.Path(path_type=Path), help=f"The ramp's layout; the shipped {RAMP} if not given."
)
def ramp(file: Path | None, **options: Any) -> None:  # noqa: ANN401
    """Print the board of small discs for the ramp, and write the layout file of the print beside it.

    It fills one sheet, unless --tiled or --pitch-mm asks for a size. Print at 100 %, then measure the check bars.
    """
    _print_lattice(read_config(_find_layout(file, RAMP), RampLayout), "This end towards the camera.", **options)


@print_paper.command(epilog=EXAMPLE)
@click.argument("ticket_folder", type=click.Path(path_type=Path))
@click.option("--cards", type=click.Path(path_type=Path), required=True, help="Folder of cards.")
@click.option("--paper", type=click.Choice(list(SIZES_MM)), default="A4", show_default=True, help="Size of a sheet.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=Path(), help="Folder to write into.")
def sheet(ticket_folder: Path, cards: Path, paper: str, out: Path) -> None:
    """Print the hand checks that the card of a ticket's lens lists, to be filled in at the bench.

    The paper is not read: type its answers in with `glasswright hand-checks`.
    """
    ticket = open_entry(ticket_folder).ticket
    checks = find_hand_checks(cards, ticket.lens.model)
    unknown = [name for name in checks if name not in HAND_LIST]
    if unknown:
        raise PaperError(
            f"the card of `{ticket.lens.model}` lists `{unknown[0]}`, which is not a hand check: correct it"
        )
    if not checks:
        raise PaperError(f"the card of `{ticket.lens.model}` lists no hand checks: there is nothing to print")
    head = SheetHead(ticket=ticket.ticket, model=ticket.lens.model, serial=ticket.lens.serial)
    instructions = [HAND_LIST[name] for name in checks]
    data = draw_sheet(head, instructions, choose_paper(paper, "portrait", is_wide=False))
    _write(out, f"{ticket.ticket}-hand-checks.pdf", data)


def _find_layout(given: Path | None, shipped: str) -> Path:
    """Return the layout file that was named, or the shipped one."""
    if given is None:
        return find_shipped("glasswright_camera", "charts", shipped)
    if not given.exists():
        raise click.BadParameter(f"there is no file {given}: name another, or omit the option", param_hint="--layout")
    return given


def _print_lattice(
    layout: AnyLayout,
    foot: str,
    *,
    paper: str,
    orientation: Orientation,
    out: Path,
    **options: Any,  # noqa: ANN401
) -> None:
    """Print a chart or a ramp; `foot` is a sentence about its lower edge."""
    sheet = choose_paper(paper, orientation, is_wide=layout.columns >= layout.rows)
    pitch = options["pitch_mm"] or (layout.pitch_mm if options["tiled"] else fit_pitch(layout, sheet))
    printed = scale_layout(layout, pitch, f"{layout.name}_{_size_name(paper, options['pitch_mm'])}")
    if options["measured"]:
        measured = scale_layout(printed, printed.pitch_mm * find_scale(*options["measured"]), printed.name)
        _write(out, f"{measured.name}.yaml", write_layout(measured, _format_measured(options["measured"])).encode())
        return
    need = find_edge_need(options["magnification"] or _intended(printed), options["pixel_pitch_um"])
    foot_lines: tuple[str, ...] = _format_foot(printed, need, foot)
    data, tiling = draw_chart(printed, sheet, foot_lines, tiled=options["tiled"])
    advice: tuple[str, ...] = advise(need, printed.name, len(tiling.tiles))
    if isinstance(printed, ChartLayout):
        advice += (describe_ink(need.magnification_frac, need.pixel_pitch_um),)
        if options["cards"]:
            advice += tuple(compare_with_cards(printed.name, need.magnification_frac, options["cards"]))
    _write(out, f"{printed.name}.pdf", data)
    _write(out, f"{printed.name}.yaml", write_layout(printed, (*foot_lines, *advice)).encode())
    for line in advice:
        click.echo(f"- {line}")


def _intended(layout: PrintedLayout) -> float:
    if isinstance(layout, RampLayout):
        return ramp_magnification(layout.disc_diameter_mm)
    return chart_magnification((layout.columns - 1) * layout.pitch_mm, (layout.rows - 1) * layout.pitch_mm)


def _size_name(paper: str, pitch_mm: float | None) -> str:
    return paper.lower() if pitch_mm is None else f"{pitch_mm:g}mm".replace(".", "_")


def _format_foot(layout: PrintedLayout, need: EdgeNeed, foot: str) -> tuple[str, str]:
    """Return the lines at the print's foot."""
    return (
        f"{layout.name}: {layout.columns} x {layout.rows} discs of {layout.disc_diameter_mm:g} mm, pitch "
        f"{layout.pitch_mm:g} mm. {foot} Print at 100 %, then measure the bars.",
        f"For a magnification of {need.magnification_frac:.4g} on pixels of {need.pixel_pitch_um:g} µm: edges true to "
        f"{need.roughness_um:.0f} µm (standard deviation), {need.dots_per_inch} dots per inch or finer.",
    )


def _format_measured(measured: tuple[float, float]) -> tuple[str, ...]:
    return (f"As printed: its bars of 100 mm measure {measured[0]:g} mm across and {measured[1]:g} mm down.",)


def _write(out: Path, name: str, data: bytes) -> None:
    make_folder(out)
    write_file(out / name, data)
    click.echo(f"{out / name}")
