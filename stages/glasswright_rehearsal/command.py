"""The command `rehearse`."""

from __future__ import annotations

import os
import shutil
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.config import find_shipped
from glasswright.processes import open_pool
from glasswright.waiting import watch_progress

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright_rehearsal.night.night import Night

PLANS = {"fixed": "Corvane 50 mm f/2", "zoom": "Corvane 24-70 mm f/4"}
"""Lens model for each of the shipped plans."""
STAND = "north_bench.yaml"


def _list_faults(context: click.Context, _: click.Parameter, value: tuple[str, ...]) -> tuple[str, ...]:
    """Print the list of faults and exit, if requested."""
    if "list" in value:
        from glasswright_rehearsal.faults.listing import list_faults

        click.echo(list_faults())
        context.exit()
    return value


@click.command()
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--tickets", default=6, show_default=True, type=click.IntRange(1), help="Number of lenses.")
@click.option(
    "--megapixels", default=6.0, show_default=True, type=click.FloatRange(0.2, 120), help="Size of a 3:2 frame."
)
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="The same seed, the same files.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    is_eager=True,
    callback=_list_faults,
    help="A fault for one ticket, counted from the last; repeatable. `a+b`: two in one lens; `a:0.5`: half the normal "
    "strength; `none`: no fault; `list`: print all faults. Default: every third lens has a fault.",
)
@click.option("--plan", default="fixed", show_default=True, type=click.Choice(list(PLANS)), help="Kind of lens.")
@click.option("--model", default=None, help="A lens model by name, instead of the plan's.")
@click.option("--f-number", "f_numbers", multiple=True, type=click.FloatRange(0.7, 64), help="Instead of the model's.")
@click.option("--shots-per-setting", default=1, show_default=True, type=click.IntRange(1), help="Chart shots.")
@click.option(
    "--flats-per-setting",
    default=None,
    type=click.IntRange(1),
    help="Flat shots. Default: three where the aperture is stopped down, else one.",
)
@click.option(
    "--focus-series/--no-focus-series",
    default=None,
    help="Add seven focus steps for each setting. Default: where the model's card requires them.",
)
@click.option(
    "--ramp-shots",
    default=None,
    type=click.IntRange(0),
    help="Shots of the inclined board, wide open, each focused separately. Default: one.",
)
@click.option(
    "--locked-ramps/--no-locked-ramps",
    default=None,
    help="Add the inclined board at each setting with the focus locked; a zoom needs 2 megapixels or more. Default: "
    "where the model's card requires it, unless --ramp-shots is 0.",
)
@click.option(
    "--near",
    is_flag=True,
    help="Add a small chart at a short distance for each setting; the plan lists both distances. For a fixed focal "
    "length.",
)
@click.option("--black-spot", is_flag=True, help="Add a black patch before the diffuse source for each setting.")
@click.option(
    "--shaken-shots",
    default=None,
    type=click.IntRange(0),
    help="Shots on the shaker at each of four exposure times, stabiliser off and on. Default: two if the lens has a "
    "stabiliser. DNG files only.",
)
@click.option(
    "--shaking",
    default="straight",
    show_default=True,
    type=click.Choice(["straight", "sine", "fast_sine", "two_axes", "random"]),
    help="Motion of the shaker. All kinds but `straight` take much longer to draw.",
)
@click.option("--dark", is_flag=True, help="Add two dark shots for each ticket.")
@click.option("--sensor", default="RGGB", show_default=True, help="RGGB, GRBG, GBRG, BGGR, xtrans, mono or rgb.")
@click.option(
    "--files",
    default="dng",
    show_default=True,
    type=click.Choice(["dng", "dng-jpeg", "tiff", "png"]),
    help="dng-jpeg: lossless JPEG. tiff: 16 bits, linear. png: 8 bits, sRGB curve. The last two need mono or rgb.",
)
@click.option(
    "--stand",
    type=click.Path(path_type=Path),
    help=f"Stand file with pixel pitch, chart and zones. Default: the shipped {STAND}.",
)
@click.option(
    "--history",
    default=0,
    type=click.IntRange(0),
    help="Write history.ledger instead, with this number of past tickets of the model, without raw files.",
)
@click.option(
    "--stand-history",
    is_flag=True,
    help="With --history: add a history of the stand, forty nights of a reference lens and a study of 5 lenses x 3 "
    "fittings x 2 repeats.",
)
@click.option("--workers", default=os.cpu_count() or 1, show_default="cores", type=click.IntRange(1), help="Processes.")
def rehearse(
    out: Path,
    plan: str,
    model: str | None,
    stand: Path | None,
    history: int,
    stand_history: bool,
    workers: int,
    **options: object,
) -> None:
    """Write a night of raw files with known true values.

    OUT receives tickets/, truth/ (one JSON file for each ticket), stands/ and charts/ that match the frames, and the
    shipped plans/ and cards/: all that `glasswright run` requires.

    Example: glasswright rehearse night --tickets 6 --megapixels 6 --seed 1 --fault tilted_group
    """
    from glasswright_rehearsal.night.night import Night, list_settings

    source = stand if stand is not None else find_shipped("glasswright_camera", "stands", STAND)
    if not source.is_file():
        raise click.BadParameter(f"there is no file {source}: name another, or omit the option", param_hint="--stand")
    night = Night(out=out, model=model or PLANS[plan], stand=source, **options)  # type: ignore[arg-type]
    _refuse_mistakes(night.model, night.faults, night.tickets, night.sensor, night.files)
    _refuse_shaking(night.faults, night.shaken_shots, night.files, night.shakes)
    if out.exists() and any(out.iterdir()):
        raise click.ClickException(f"{out} is not empty: give a new folder, or remove it first")
    if night.near and len(list_settings(replace(night, f_numbers=(4.0,)))) > 1:
        raise click.BadParameter("needs a lens of one focal length: omit --plan zoom", param_hint="--near")
    if history and night.faults:
        raise click.BadParameter("a history draws its faults itself: omit --fault", param_hint="--history")
    if stand_history and not history:
        raise click.BadParameter("needs a model's history: give --history N too", param_hint="--stand-history")
    night = _leave_out_ramps(night)
    _refuse_place(out)
    shutil.copytree(find_shipped("glasswright_camera", "plans"), out / "plans")
    written = write_stand_of(out, night.stand, night)
    click.echo(f"stand: {written}")
    if history:
        from glasswright_rehearsal.history.write import write_history

        path = write_history(night, history, written, with_stand=stand_history)
        click.echo(f"ledger: {path} ({history} past tickets of {night.model}, rehearsed)")
        return
    written_tickets = _write_tickets(night, min(workers, night.tickets))
    for number in watch_progress(written_tickets, night.tickets, "writing tickets"):
        click.echo(f"ticket: {out / 'tickets' / number}")


def _leave_out_ramps(night: Night) -> Night:
    """Return the night without shots of the inclined board, where the stand has none; refuse what needs one."""
    from glasswright_rehearsal.faults.kinds import FOCUS_FAULTS
    from glasswright_rehearsal.night.stand_files import read_stand

    try:
        has_ramp = read_stand(night.stand).ramp is not None
    except ValueError as error:
        raise click.ClickException(str(error)) from error
    if has_ramp:
        return night
    without = f"the stand {night.stand} names no board under `ramps`: print one (`glasswright print ramp`) and name it"
    if night.ramp_shots or night.locked_ramps:
        raise click.BadParameter(without, param_hint="--ramp-shots" if night.ramp_shots else "--locked-ramps")
    unseen = [text for text in _each(night.faults) if text.partition(":")[0] in FOCUS_FAULTS]
    if unseen:
        raise click.BadParameter(f"{unseen[0]} shows only on an inclined board, and {without}", param_hint="--fault")
    return replace(night, ramp_shots=0)


def _refuse_place(out: Path) -> None:
    """Make the folder, or raise an error if it is not writable."""
    try:
        out.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        why = f"nothing can be written to {out} ({error.strerror or error})"
        raise click.ClickException(f"{why}: choose another folder") from error


def _refuse_mistakes(model: str, faults: tuple[str, ...], tickets: int, sensor: str, files: str) -> None:
    """Raise an error for a wrong option, with the valid values."""
    from glasswright_rehearsal.faults.hand import HAND_FAULTS, is_zoom
    from glasswright_rehearsal.faults.kinds import split_strength
    from glasswright_rehearsal.faults.listing import fault_names
    from glasswright_rehearsal.scene.models import MODELS
    from glasswright_rehearsal.scene.sensor import BAYER

    if model not in MODELS:
        raise click.BadParameter(f"no lens model {model!r}; there are {', '.join(MODELS)}", param_hint="--model")
    for text in _each(faults):
        try:
            fault, _ = split_strength(text)
        except ValueError as error:
            raise click.BadParameter(
                f"{text!r}: after the colon, give a strength from 0.05 to 3; 1 is normal", param_hint="--fault"
            ) from error
        if fault not in fault_names():
            raise click.BadParameter(f"no fault {fault!r}; there are {', '.join(fault_names())}", param_hint="--fault")
        if fault in HAND_FAULTS and not is_zoom(MODELS[model]):
            raise click.BadParameter(f"{model} is no zoom: give --plan zoom", param_hint="--fault")
    if len(faults) > tickets:
        raise click.BadParameter(
            f"{len(faults)} faults for {tickets} ticket{'s' * (tickets > 1)}; give one for each", param_hint="--fault"
        )
    if sensor not in (*BAYER, "xtrans", "mono", "rgb"):
        raise click.BadParameter(
            f"no sensor {sensor!r}; there are {', '.join(BAYER)}, xtrans, mono, rgb", param_hint="--sensor"
        )
    is_picture = files in ("tiff", "png")
    if is_picture and sensor not in ("mono", "rgb"):
        raise click.BadParameter(
            f"a {files} picture cannot contain a {sensor} mosaic: give --sensor mono or rgb",
            param_hint="--files",
        )
    if not is_picture and sensor == "rgb":
        raise click.BadParameter("a DNG contains a mosaic: give --files tiff or png for rgb", param_hint="--files")


def _each(faults: tuple[str, ...]) -> tuple[str, ...]:
    """Return the single faults of the option."""
    return tuple(name for fault in faults for name in fault.split("+"))


def _refuse_shaking(faults: tuple[str, ...], shaken_shots: int | None, files: str, shakes: int) -> None:
    """Raise an error for wrong options about shots on the shaker."""
    from glasswright_rehearsal.faults.kinds import split_strength
    from glasswright_rehearsal.faults.shaking import SHAKING_FAULTS

    if shaken_shots and files not in ("dng", "dng-jpeg"):
        raise click.BadParameter(
            f"a {files} picture has no exposure time: give --files dng", param_hint="--shaken-shots"
        )
    for fault in {split_strength(text)[0] for text in _each(faults)} & set(SHAKING_FAULTS):
        if not shakes:
            raise click.BadParameter(
                f"{fault} shows only on the shaker: give --shaken-shots 3 too", param_hint="--fault"
            )


def write_stand_of(out: Path, stand: Path, night: Night) -> Path:
    """Write a stand that matches the night's frames, and cards valid for it."""
    from glasswright_rehearsal.night.near import add_near
    from glasswright_rehearsal.night.night import FILL_FRAC, draw_dust, find_frame
    from glasswright_rehearsal.night.stand_files import fit_layout, read_stand, write_cards, write_stand
    from glasswright_rehearsal.night.tickets import find_sensor_facts
    from glasswright_rehearsal.scene.layout import fill_magnification

    facts = read_stand(stand)
    frame = find_frame(night.megapixels, facts.pitch_um)
    layout = fit_layout(facts.layout, frame)
    magnification = fill_magnification(layout, frame.width_px, frame.height_px, frame.pitch_um, FILL_FRAC)
    write_cards(find_shipped("glasswright_camera", "cards"), out / "cards", facts, magnification)
    written = write_stand(stand, out, layout, frame, find_sensor_facts(night), draw_dust(night.seed, frame))
    if night.near:
        add_near(night, out, layout, magnification)
    return written


def _write_tickets(night: Night, workers: int) -> Iterator[str]:
    """Write the tickets, in several processes if `workers` > 1; the files do not depend on it."""
    from glasswright_rehearsal.night.tickets import write_ticket

    write = partial(write_ticket, night)
    if workers == 1:
        yield from map(write, range(night.tickets))
        return
    with open_pool(workers) as pool:
        yield from pool.map(write, range(night.tickets))
