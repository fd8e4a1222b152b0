"""The command `reference-values`: writes the reference values of a lens model, from healthy copies."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click
import numpy as np
import yaml

from glasswright.outputs import read_cell
from glasswright_camera.diagnosis.reference_values import ReferenceValue
from glasswright_camera.diagnosis.signs import KINDS
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Place = tuple[str, float | None, float | None, float | None]


COLUMNS = (
    "ticket",
    "model",
    "serial",
    "measured_at",
    "step",
    "field",
    "focal_length_mm",
    "f_number",
    "focus_distance_m",
    "value",
)
EXAMPLE = """\b
Examples: of all lenses; only of those that tuning counts as healthy
  glasswright export --ledger night/bench.ledger --out night/tables --format csv
  glasswright reference-values "Corvane 50 mm f/2" night/tables/measurements.csv --out night/corvane_50_f2.yaml
  glasswright tune "Corvane 50 mm f/2" --ledger night/bench.ledger --cards night/cards --out night/proposal
  glasswright reference-values "Corvane 50 mm f/2" night/tables/measurements.csv --out night/healthy.yaml \\
      --proposal night/proposal/proposal.yaml
"""


@click.command(epilog=EXAMPLE, short_help="Write the reference values of a lens model.")
@click.argument("model")
@click.argument("table", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The file to write.")
@click.option("--origin", default=None, help="Which copies these are, and who chose them; written into the file.")
@click.option("--proposal", type=click.Path(path_type=Path, dir_okay=False, exists=True), help="The proposal.yaml of "
              "`glasswright tune`: only lenses that it counts as healthy are used.")  # fmt: skip
def reference_values(model: str, table: Path, out: Path, origin: str | None, proposal: Path | None) -> None:
    """Write the reference values of a lens model: median and scatter of every field that `diagnose` compares.

    They are computed from the lenses of a MODEL in a TABLE of measurements, the CSV file that `glasswright export`
    writes. A few faulty lenses among many do no harm; with --proposal they are left out, as are all other lenses that
    tuning leaves out: those held, those that came back, those shot while the stand was out of control. Name the written
    file under `camera_lenses: models:` in the stand file.
    """
    if out.exists():
        raise click.ClickException(f"{out} exists already: remove it first, or choose another name")
    healthy = None if proposal is None else read_healthy(proposal, model)
    rows = [row for row in read_rows(table, model) if healthy is None or row.ticket in healthy]
    found, copies = find_reference_values(rows)
    if not found:
        raise click.ClickException(
            f"{table}: no field has values of {FEWEST} {'' if healthy is None else 'healthy '}lenses of {model!r}: "
            "measure more, or check that the model is spelled as in the tickets"
        )
    chosen = "lenses" if proposal is None else f"lenses that {proposal.name} counts as healthy"
    text = origin or f"{chosen} in {table.name}, {date.today().isoformat()}"
    try:
        out.write_text(write_known(model, copies, text, found), encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"{out} cannot be written ({error.strerror or error})") from error
    click.echo(f"{out}: {len(found)} reference values from {copies} lenses")


def read_healthy(proposal: Path, model: str) -> frozenset[str]:
    """Return the tickets that a proposal of `glasswright tune` counts as healthy.

    Raises
    ------
    click.ClickException
        If the file is not such a proposal, or of another model.
    """
    try:
        data = yaml.safe_load(proposal.read_text(encoding="utf-8"))
    except (OSError, ValueError, yaml.YAMLError) as error:
        raise click.ClickException(f"{proposal}: cannot be read: {error}") from error
    evidence = data.get("evidence") if isinstance(data, dict) else None
    tickets = evidence.get("healthy") if isinstance(evidence, dict) else None
    if not isinstance(data, dict) or not isinstance(tickets, list):
        raise click.ClickException(f"{proposal}: lists no healthy lenses: use the proposal.yaml of `glasswright tune`")
    if data.get("proposal") != model:
        raise click.ClickException(
            f"{proposal}: is about `{data.get('proposal')}`, not `{model}`: tune that model first"
        )
    return frozenset(map(str, tickets))


def read_rows(table: Path, model: str) -> Iterator[Row]:
    """Read the numbers of a model's lenses from an exported table."""
    with table.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        missing = [column for column in COLUMNS if column not in (reader.fieldnames or ())]
        if missing:
            raise click.ClickException(
                f"{table}: no column {', '.join(missing)}: use the measurements.csv that `glasswright export` writes"
            )
        for line in reader:
            if read_cell(line["model"]) == model and line["value"]:
                yield Row(
                    ticket=read_cell(line["ticket"]),
                    serial=read_cell(line["serial"]),
                    measured_at=line["measured_at"],
                    measure=f"{line['step']}.{line['field']}",
                    focal_length_mm=float(line["focal_length_mm"]) if line["focal_length_mm"] else None,
                    f_number=float(line["f_number"]) if line["f_number"] else None,
                    focus_distance_m=float(line["focus_distance_m"]) if line["focus_distance_m"] else None,
                    value=float(line["value"]),
                )


def write_known(model: str, copies: int, origin: str, found: tuple[ReferenceValue, ...]) -> str:
    """Return the text of the file, one reference value per line."""
    head = {"model": model, "copies": copies, "origin": origin}
    lines = [
        "  - "
        + yaml.safe_dump(
            {
                "measure": each.measure,
                **({} if each.focal_length_mm is None else {"focal_length_mm": each.focal_length_mm}),
                **({} if each.f_number is None else {"f_number": each.f_number}),
                **({} if each.focus_distance_m is None else {"focus_distance_m": each.focus_distance_m}),
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
        "# Reference values of healthy copies on this stand: written by `glasswright reference-values`, "
        "used by `diagnose`."
    )
    return "\n".join([comment, yaml.safe_dump(head, sort_keys=False, width=1000).rstrip(), "values:", *lines]) + "\n"


FEWEST: Final = 8
"""Fewest copies: the relative uncertainty of their scatter is then a quarter (1 / sqrt(2 n))."""
MEASURES: Final = frozenset(kind.measure for kind in KINDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One measurement of one lens, from the table of `glasswright export`."""

    ticket: str
    serial: str
    measured_at: str
    measure: str
    focal_length_mm: float | None
    f_number: float | None
    value: float
    focus_distance_m: float | None = None

    @property
    def place(self) -> Place:
        """Measure and setting."""
        return self.measure, self.focal_length_mm, self.f_number, self.focus_distance_m


def find_reference_values(rows: Iterable[Row]) -> tuple[tuple[ReferenceValue, ...], int]:
    """Return the reference value of every field that is a sign, and the number of lenses.

    Median and median absolute deviation are used, so that a few faulty lenses do no harm. Of each lens only the first
    visit counts. Fields with values of fewer than 8 lenses are left out.
    """
    first: dict[Place, dict[str, Row]] = defaultdict(dict)
    for row in rows:
        if row.measure not in MEASURES or not isfinite(row.value):
            continue
        seen = first[row.place]
        if row.serial not in seen or row.measured_at < seen[row.serial].measured_at:
            seen[row.serial] = row
    enough: Mapping[Place, dict[str, Row]] = {place: seen for place, seen in first.items() if len(seen) >= FEWEST}
    found = [
        _summarise(place, np.array([row.value for row in seen.values()]))
        for place, seen in sorted(enough.items(), key=lambda item: (item[0][0], *(part or 0.0 for part in item[0][1:])))
    ]
    return tuple(found), len({serial for seen in enough.values() for serial in seen})


def _summarise(place: Place, values: Array) -> ReferenceValue:
    measure, focal_length_mm, f_number, focus_distance_m = place
    middle = float(np.median(values))
    return ReferenceValue(
        measure=measure,
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        focus_distance_m=focus_distance_m,
        middle=float(f"{middle:.6g}"),
        scatter=float(f"{robust_sigma(values):.3g}"),
    )
