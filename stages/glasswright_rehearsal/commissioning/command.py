"""The command `rehearse-stand`."""

from __future__ import annotations

from pathlib import Path

import click

from glasswright.config import find_shipped

STAND = "north_bench.yaml"
STEPS = ("sensor", "source", "print", "ink", "standing", "focus", "dust", "diffraction")
EXAMPLE = """\b
Example:
  glasswright rehearse-stand bench --step sensor --megapixels 6 --seed 1
"""


@click.command(name="rehearse-stand", epilog=EXAMPLE, short_help="Write the shots of a stand to be commissioned.")
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--step", "steps", multiple=True, type=click.Choice(STEPS), help="These steps only; repeatable.")
@click.option(
    "--megapixels", default=6.0, show_default=True, type=click.FloatRange(0.2, 120), help="Size of a 3:2 frame."
)
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="The same seed, the same files.")
@click.option(
    "--stand", type=click.Path(path_type=Path, exists=True), help=f"A stand file. Default: the shipped {STAND}."
)
def rehearse_stand(out: Path, steps: tuple[str, ...], megapixels: float, seed: int, stand: Path | None) -> None:
    """Write the shots of a new stand with known true values.

    OUT receives a folder for each step with its shots, stands/ with a stand file without measured constants, charts/
    with the print as designed, and truth/ with the true values for each step.
    """
    from glasswright_rehearsal.commissioning.bench import open_bench
    from glasswright_rehearsal.commissioning.write import WRITERS

    if out.exists() and any(out.iterdir()):
        raise click.ClickException(f"{out} is not empty: give a new folder, or remove it first")
    source = stand if stand is not None else find_shipped("glasswright_camera", "stands", STAND)
    bench = open_bench(source, out, megapixels, seed)
    click.echo(f"stand: {out / 'stands' / source.name}")
    for step in steps or STEPS:
        WRITERS[step](bench)
        click.echo(f"shots: {out / step}")
