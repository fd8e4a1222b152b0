"""A toy plugin without optics: pictures of marks are counted, averaged and compared."""

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from glasswright import Artefact, Bulk, Role, Shot, Ticket, stage
from glasswright.config import ConfigFile, DataFile
from glasswright.config.schema.plugins import Plugins
from glasswright.plugin.stage import describe

Positive = Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Board(Artefact):
    name: str
    pitch_mm: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    level_frac: Positive = 0.5
    colour: Literal["warm", "cold"] | float = "warm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench(Artefact):
    board: ConfigFile[Board]
    map: DataFile | None = None
    lamps: tuple[Lamp, ...] = ()
    lamp: Lamp = field(default_factory=Lamp)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture(Bulk):
    width_px: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks(Artefact):
    marks_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    offset_px: float
    offset_px_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean(Artefact):
    marks_count: int
    """Number of marks."""
    left: Side
    spread_px: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(Artefact):
    change_frac: float


@stage
def open_picture(shot: Shot, bench: Bench, *, crop_px: Annotated[int, Field(ge=0)] = 0) -> Picture:
    """Open a picture.

    Parameters
    ----------
    crop_px
        Width of the excluded border.
    """
    raise NotImplementedError


@stage
def find_marks(picture: Picture, bench: Bench, *, darkness_frac: Annotated[float, Field(gt=0, lt=1)] = 0.5) -> Marks:
    """Find marks."""
    raise NotImplementedError


@stage
def refine_marks(picture: Picture, marks: Marks, mean: Mean | None = None) -> Marks:
    """Refine marks."""
    raise NotImplementedError


@stage
def count_marks(marks: Marks) -> Marks:
    """Count marks."""
    raise NotImplementedError


@stage
def average_marks(
    marks: tuple[Marks, ...], ticket: Ticket, *, trim_frac: Annotated[float, Field(ge=0, lt=0.5)] = 0.1
) -> Mean:
    """Average marks."""
    raise NotImplementedError


@stage
def stack_pictures(pictures: tuple[Picture, ...]) -> Mean:
    """Stack pictures."""
    raise NotImplementedError


@stage
def draw_together(marks: tuple[Marks, ...]) -> Picture:
    """Draw all marks in one picture."""
    raise NotImplementedError


@stage
def join_marks(marks: Marks, others: tuple[Marks, ...] | None) -> Marks:
    """Join marks with others."""
    raise NotImplementedError


@stage
def compare_means(mean: Mean, reference: Mean | None, *, method: Literal["ratio", "difference"]) -> Comparison:
    """Compare means."""
    raise NotImplementedError


@stage
def survey_night(comparisons: tuple[Comparison, ...]) -> Comparison:
    """Survey a night."""
    raise NotImplementedError


TOYS = Plugins(
    stages={
        f"toy.{function.__name__}": describe(function, "toy")
        for function in (
            open_picture,
            find_marks,
            refine_marks,
            count_marks,
            average_marks,
            stack_pictures,
            draw_together,
            join_marks,
            compare_means,
            survey_night,
        )
    },
    sections={"toy": Bench},
    roles={name: Role() for name in ("chart", "flat", "dark", "panel", "ramp", "focus_series")},
)

GOOD_PLAN = """\
plan: toy_plan
settings:
  focal_length_mm: [50]
  f_number: [2, 4]
stages:
  open_chart:
    stage: toy.open_picture
    inputs: {shot: role.chart, bench: stand.toy}
    settings:
      crop_px: 4
  find_chart:
    stage: toy.find_marks
    inputs: {picture: open_chart, bench: stand.toy}
  refine_chart:
    stage: toy.refine_marks
    inputs: {picture: open_chart, marks: find_chart}
  average_chart:
    stage: toy.average_marks
    inputs: {marks: refine_chart, ticket: ticket}
    per: setting
    at_least: 2
  compare:
    stage: toy.compare_means
    inputs: {mean: average_chart}
    settings: {method: ratio}
  survey:
    stage: toy.survey_night
    inputs: {comparisons: compare}
    per: night
  open_panel:
    stage: toy.open_picture
    inputs: {shot: role.panel, bench: stand.toy}
  find_panel:
    stage: toy.find_marks
    inputs: {picture: open_panel, bench: stand.toy}
  average_panel:
    stage: toy.average_marks
    inputs: {marks: find_panel, ticket: ticket}
    per: setting
"""

GOOD_STAND = """\
stand: toy-bench
bodies: [Ostrel D7]
repeatability:
  average_chart.left.offset_px: {u: 0.01, origin: "declared, 2026-03, K. Moreau"}
reproducibility:
  average_*.*_px: {relative_u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
toy:
  board: board.yaml
  map: map.bin
  lamps:
    - {level_frac: 0.25, colour: cold}
"""

GOOD_BOARD = """\
name: small
pitch_mm: 12
"""

GOOD_TICKET = """\
ticket: T-0412
lens: {model: "Corvane 50 mm f/2", serial: "C50-00417"}
phase: release
body: {model: "Ostrel D7"}
shots:
  - {files: "chart/*_f2_*.dng", focal_length_mm: 50, f_number: 2}
"""
