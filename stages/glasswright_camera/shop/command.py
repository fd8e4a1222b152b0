"""The commands `setup` and `ticket`: the first files of a shop, and a ticket from a folder of raw files."""

from __future__ import annotations

import shutil
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glasswright import format_count
from glasswright.config import find_shipped, is_safe_name, load_stand
from glasswright.outputs import make_folder
from glasswright.preparing import PreparationError, load_plugins, problem_of_person, read_facts
from glasswright.waiting import watch_progress
from glasswright_camera.shop.first_files import PLANS, ShopFacts, write_first_files
from glasswright_camera.shop.looking import (
    find_unsure,
    group_by_role,
    list_raws,
    look_at_files,
    settle_even_fields,
)
from glasswright_camera.shop.new_ticket import NewTicket, TicketHead, next_number, write_ticket
from glasswright_camera.stand import Sensor, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright import CaptureFacts
    from glasswright_camera.shop.looking import RawFile

SETUP_EXAMPLE = """\b
Example:
  glasswright setup shop --lens "Velm 35 mm f/2" --by "A. Meyer" --raw raws --pixel-pitch-um 5.9
"""
TICKET_EXAMPLE = """\b
Example:
  glasswright ticket raws --stand shop/stand.yaml --phase release
"""
PATH = click.Path(path_type=Path)
PHASES = ("intake", "release", "reference", "study")


@click.command(epilog=SETUP_EXAMPLE, short_help="Write the first files of a shop: stand, card, plan, chart.")
@click.argument("folder", type=PATH)
@click.option("--lens", required=True, help="The lens model that the first card is for.")
@click.option("--by", required=True, help="Who sets the shop up; signs the assumptions.")
@click.option("--raw", type=PATH, help="A raw file of the stand's body, or a folder of them.")
@click.option("--body", help="The body's model, if no raw file has it.")
@click.option("--pixel-pitch-um", type=click.FloatRange(0.5, 50), help="Sensor width in mm x 1000 / pixels across.")
@click.option("--chart", type=PATH, help="Layout file of the printed chart; the shipped one if not given.")
@click.option("--plan", type=click.Choice(list(PLANS)), default="fixed", show_default=True, help="Kind of lens.")
@click.option("--name", default="bench", show_default=True, help="The stand's name.")
def setup(folder: Path, **options: Any) -> None:  # noqa: ANN401 - the options above
    """Write a shop's first files into a new FOLDER, every key explained in comments.

    The files are stand.yaml, plan.yaml, a card with wide limits, the layout of the chart, a folder for tickets and an
    example of one. The body and the frame's size are filled in from a raw file.
    """
    if folder.exists() and any(folder.iterdir()):
        raise PreparationError(f"{folder} is not empty: name a new folder")
    if problem_of_person(options["by"]):
        raise click.BadParameter(problem_of_person(options["by"]), param_hint="--by")
    if not is_safe_name(options["name"]):
        raise click.BadParameter("a stand's name has only letters, digits, `.`, `_` and `-`", param_hint="--name")
    chart = options["chart"] or find_shipped("glasswright_camera", "charts", "lattice_13x9.yaml")
    if not chart.is_file():
        raise click.BadParameter(
            f"there is no file {chart}: name a layout that `print chart` wrote", param_hint="--chart"
        )
    facts, size = _read_body(options["raw"])
    body = options["body"] or facts.body_model
    lacking = ["--raw or --body (which body the stand has)"] if not body else []
    if options["pixel_pitch_um"] is None:
        across = f", here / {size[0]}" if size else ""
        lacking.append(f"--pixel-pitch-um (sensor width in mm x 1000 / pixels across{across})")
    if lacking:
        raise click.UsageError(f"still needed: {'; '.join(lacking)}")
    make_folder(folder)
    written = write_first_files(
        folder,
        ShopFacts(
            name=options["name"],
            lens=options["lens"],
            by=options["by"],
            day=datetime.now().astimezone().date().isoformat(),
            body=body or "",
            pixel_pitch_um=options["pixel_pitch_um"],
            frame_px=size,
            plan=options["plan"],
            chart=chart,
            serial=facts.lens_serial or "0001",
        ),
    )
    for path in written:
        click.echo(path)
    click.echo(f"The card of `{options['lens']}` has wide limits to start with: check them.")
    click.echo("Next:")
    raws = options["raw"] if options["raw"] and options["raw"].is_dir() else "RAWS"
    click.echo(f"  glasswright ticket {raws} --stand {folder / 'stand.yaml'}")
    click.echo(f"  {_run_line(folder)}")


def _run_line(folder: Path) -> str:
    return (
        f"glasswright run {folder / 'plan.yaml'} --stand {folder / 'stand.yaml'} --cards {folder / 'cards'} "
        f"--tickets {folder / 'tickets'} --ledger {folder / 'bench.ledger'}"
    )


def _read_body(raw: Path | None) -> tuple[CaptureFacts, tuple[int, int] | None]:
    """Return the capture facts of the first readable raw file, and its frame's size."""
    from glasswright import CaptureFacts, Shot, Unmeasurable
    from glasswright_camera.raw.stage import read_mosaic

    if raw is None:
        return CaptureFacts(), None
    paths = list_raws(raw) if raw.is_dir() else [raw]
    if not raw.exists() or not paths:
        raise click.BadParameter(f"there is no raw file at {raw}: name one, or leave it out", param_hint="--raw")
    reason = ""
    for path in paths:
        try:
            facts = read_facts(path)
            shot = Shot(ticket="", role="chart", name=path.name, path=str(path), sha256="", sequence=0, facts=facts)
            height, width = read_mosaic(shot, Sensor(pixel_pitch_um=1.0))[0].values.shape[1:]
        except (OSError, Unmeasurable) as error:
            reason = reason or f"{path}: {error}"
            continue
        return facts, (width, height)
    raise click.BadParameter(
        f"none of {format_count(len(paths), 'file')} can be read; the first: {reason}", param_hint="--raw"
    )


@click.command(epilog=TICKET_EXAMPLE, short_help="Make a ticket from a folder of raw files.")
@click.argument("raws", type=PATH)
@click.option("--stand", required=True, type=PATH, help="Stand file: its charts and its body.")
@click.option("--tickets", type=PATH, help="Folder of tickets; `tickets` beside the stand file if not given.")
@click.option("--number", help="The ticket's number; the next free one if not given.")
@click.option("--lens", help="The lens model, if EXIF lacks it or the cards use another name.")
@click.option("--serial", help="The lens's serial number, if EXIF lacks it.")
@click.option("--body", help="The body's model, if EXIF lacks it and the stand has several.")
@click.option("--phase", type=click.Choice(PHASES), default="intake", show_default=True, help="Purpose of the visit.")
@click.option("--focal-length-mm", type=click.FloatRange(1, 5000), help="Of all shots, if EXIF lacks it.")
@click.option("--f-number", type=click.FloatRange(0.5, 128), help="Of all shots, if EXIF lacks it.")
@click.option(
    "--even", type=click.Choice(["flat", "panel"]), default="flat", show_default=True, help="Role of even fields."
)
@click.option("--move", is_flag=True, help="Move the files instead of copying them.")
@click.option("--yes", is_flag=True, help="Do not ask before files are copied or moved.")
def ticket(raws: Path, stand: Path, tickets: Path | None, **options: Any) -> int:  # noqa: ANN401 - the options above
    """Make a ticket of the raw files in RAWS: list each file's role, ask, copy them, write ticket.yaml and SHA256SUMS.

    The role is found from the pixels (chart, even field, black patch, ramp, no light) and from the name of the folder
    or file, the setting from EXIF. Nothing is copied or moved without a yes.

    Exit codes: 0 done, 2 wrong command, or something is missing; then nothing was written.
    """
    stand_file = load_stand(stand, load_plugins())
    section = stand_file.sections.get("camera")
    if not isinstance(section, Stand):
        raise PreparationError(f"{stand}: has no `camera` section: its charts are needed")
    if not raws.is_dir():
        raise click.BadParameter(f"there is no folder {raws}: name the folder of raw files", param_hint="RAWS")
    paths = list_raws(raws)
    if not paths:
        raise click.BadParameter(f"{raws} has no files that could be raw files: name another", param_hint="RAWS")
    into = tickets or stand.parent / "tickets"
    files = list(watch_progress(look_at_files(paths, section), len(paths), "looking at raw files"))
    files = settle_even_fields(files, options["even"])
    _show(files)
    if not any(each.role for each in files):
        raise PreparationError(f"{raws}: none of the files fits a role of the bench: nothing was written")
    head = _find_head(files, options, into, stand_file.bodies)
    new = NewTicket(head=head, files=tuple(each for each in files if each.role), folder=into / head.number)
    verb = "Move" if options["move"] else "Copy"
    click.echo(f"ticket {head.number}: {head.model}, serial {head.serial}, {head.phase}, body {head.body}")
    if not options["yes"] and not click.confirm(
        f"{verb} {format_count(len(new.files), 'file')} into {new.folder}?", default=False
    ):
        click.echo("nothing was written")
        return 2
    for path in write_ticket(new, shutil.move if options["move"] else shutil.copy2):
        click.echo(path)
    plan, cards = (stand.parent / name for name in ("plan.yaml", "cards"))
    known = (plan, cards) if plan.is_file() and cards.is_dir() else ("PLAN", "CARDS")
    click.echo(f"Next: glasswright check {known[0]} --stand {stand} --cards {known[1]} --tickets {new.folder}")
    return 0


def _show(files: Sequence[RawFile]) -> None:
    """Print the role proposed for each file."""
    for role, each in group_by_role(files).items():
        if not role:
            click.echo(f"left out: {len(each)}")
            for one in each:
                click.echo(f"  {one.path.name}: {one.why}")
            continue
        settings = Counter(_format_setting(one) for one in each)
        text = ", ".join(f"{place} ({count})" if count > 1 else place for place, count in settings.items())
        click.echo(f"{role:<13}{len(each):>3}  {text}")
    for note in find_unsure(files):
        click.echo(f"note: {note}")


def _format_setting(file: RawFile) -> str:
    focal, f_number = file.place
    parts = [f"{focal:g} mm" if focal else "", f"f/{f_number:g}" if f_number else ""]
    return " ".join(part for part in parts if part) or "setting not in EXIF"


def _find_head(files: Sequence[RawFile], options: dict[str, Any], into: Path, bodies: Sequence[str]) -> TicketHead:
    """Return the head of the ticket; refuse with a list of everything missing."""
    model = options["lens"] or _common(files, "lens_model")
    serial = options["serial"] or _common(files, "lens_serial")
    body = options["body"] or _common(files, "body_model") or (bodies[0] if len(bodies) == 1 else None)
    used = [each for each in files if each.role not in ("", "dark")]
    lacking = [] if model else ["--lens (EXIF has none, or several)"]
    lacking += [] if serial else ["--serial (EXIF has none, or several; give the one engraved on the lens)"]
    lacking += [] if body else ["--body (EXIF has none, and the stand has several)"]
    without = [each for each in used if each.place[0] is None]
    if without and options["focal_length_mm"] is None:
        lacking.append(f"--focal-length-mm (missing in {format_count(len(without), 'file')})")
    without = [each for each in used if each.place[1] is None]
    if without and options["f_number"] is None:
        lacking.append(f"--f-number (missing in {format_count(len(without), 'file')})")
    if lacking:
        raise click.UsageError(f"still needed: {'; '.join(lacking)}")
    number = options["number"] or next_number(into)
    if not is_safe_name(number):
        raise click.BadParameter("a ticket's number has only letters, digits, `.`, `_`, `-`", param_hint="--number")
    return TicketHead(
        number=number,
        model=model or "",
        serial=serial or "",
        phase=options["phase"],
        body=body or "",
        body_serial=_common(files, "body_serial"),
        focal_length_mm=options["focal_length_mm"],
        f_number=options["f_number"],
    )


def _common(files: Sequence[RawFile], fact: str) -> str | None:
    """Return a fact's value if all files that have it agree, else None."""
    values = {getattr(each.facts, fact) for each in files if each.role} - {None}
    return values.pop() if len(values) == 1 else None
