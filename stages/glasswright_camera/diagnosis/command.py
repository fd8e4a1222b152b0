"""The command `usual`: writes what healthy copies of a lens model measure."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click
import yaml

from glasswright.outputs import read_cell
from glasswright_camera.diagnosis.usual import FEWEST, Row, find_usual

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright_camera.diagnosis.known_lenses import Usual

COLUMNS = ("model", "serial", "measured_at", "step", "field", "focal_length_mm", "f_number", "value")
EXAMPLE = """\b
Example:
  glasswright export --ledger night/bench.ledger --out night/tables --format csv
  glasswright usual "Corvane 50 mm f/2" night/tables/measurements.csv --out night/corvane_50_f2.yaml
"""


@click.command(epilog=EXAMPLE, short_help="Write what healthy copies of a lens model measure.")
@click.argument("model")
@click.argument("table", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The file to write.")
@click.option("--origin", default=None, help="Which copies these are, and who chose them; written into the file.")
def usual(model: str, table: Path, out: Path, origin: str | None) -> None:
    """Write what is usual of a lens model: median and scatter of every field that `read_pattern` compares with.

    They are of the lenses of a MODEL in a TABLE of measurements, the CSV file that `glasswright export` writes. A
    few faulty lenses among many do not matter. Name the written file under `camera_lenses: models:` in the stand file.
    """
    if out.exists():
        raise click.ClickException(f"{out} is there already: remove it first, or choose another name")
    found, copies = find_usual(read_rows(table, model))
    if not found:
        raise click.ClickException(
            f"{table}: no field has values of {FEWEST} lenses of {model!r}: measure more, or see whether the model is "
            "spelled as in the tickets"
        )
    text = origin or f"lenses in {table.name}, {date.today().isoformat()}"
    try:
        out.write_text(write_known(model, copies, text, found), encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"{out} cannot be written ({error.strerror or error})") from error
    click.echo(f"{out}: {len(found)} usual values from {copies} lenses")


def read_rows(table: Path, model: str) -> Iterator[Row]:
    """Read the numbers of a model's lenses from an exported table."""
    with table.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        missing = [column for column in COLUMNS if column not in (reader.fieldnames or ())]
        if missing:
            raise click.ClickException(
                f"{table}: no column {', '.join(missing)}: give the measurements.csv that `glasswright export` writes"
            )
        for line in reader:
            if read_cell(line["model"]) == model and line["value"]:
                yield Row(
                    serial=read_cell(line["serial"]),
                    measured_at=line["measured_at"],
                    measure=f"{line['step']}.{line['field']}",
                    focal_length_mm=float(line["focal_length_mm"]) if line["focal_length_mm"] else None,
                    f_number=float(line["f_number"]) if line["f_number"] else None,
                    value=float(line["value"]),
                )


def write_known(model: str, copies: int, origin: str, found: tuple[Usual, ...]) -> str:
    """Give the file's text, one usual value a line."""
    head = {"model": model, "copies": copies, "origin": origin}
    lines = [
        "  - "
        + yaml.safe_dump(
            {
                "measure": each.measure,
                **({} if each.focal_length_mm is None else {"focal_length_mm": each.focal_length_mm}),
                **({} if each.f_number is None else {"f_number": each.f_number}),
                "middle": each.middle,
                "scatter": each.scatter,
            },
            default_flow_style=True,
            sort_keys=False,
            width=1000,
        ).strip()
        for each in found
    ]
    comment = (
        "# What healthy copies measure on this stand; `glasswright usual` wrote it, `read_pattern` compares with it."
    )
    return "\n".join([comment, yaml.safe_dump(head, sort_keys=False, width=1000).rstrip(), "usual:", *lines]) + "\n"
