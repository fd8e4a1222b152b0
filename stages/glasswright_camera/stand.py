"""The stand and its charts: the `camera` section of a stand file."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot
from typing import Annotated, Literal

from pydantic import Field

from glasswright import Artefact, Setting
from glasswright.config import ConfigFile, DataFile
from glasswright_camera.print_transfer import PrintTransfer
from glasswright_camera.raw.frame_size import LARGEST_FRAME_PX

Positive = Annotated[float, Field(gt=0)]
Fraction = Annotated[float, Field(gt=0, lt=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A lattice node that looks different: the marks fix the chart's origin, rotation and mirror."""

    column: Annotated[int, Field(ge=0)]
    row: Annotated[int, Field(ge=0)]
    kind: Literal["ring", "large"]
    """`ring`: a disc with a light hole in its middle; `large`: a bigger disc."""


LARGE_RATIOS = (1.2, 3.5)
"""Diameter of a large mark over that of a disc: the least that differs from a distorted disc, and the largest
tested."""
HOLE_RATIOS = (0.25, 0.7)
"""Diameter of a ring's hole over the disc's: the least that shows light at ordinary blur, and the most that leaves a
ring."""

LARGEST_NODE_ERROR = 0.1
"""Largest error of a measured node, of the pitch: a larger one is a mistake."""

SYMMETRIES = {
    "turned by 90 degrees": (0, -1, 1, 0),
    "turned by 180 degrees": (-1, 0, 0, -1),
    "mirrored left to right": (-1, 0, 0, 1),
    "mirrored top to bottom": (1, 0, 0, -1),
    "mirrored about a diagonal": (0, 1, 1, 0),
    "mirrored about the other diagonal": (0, -1, -1, 0),
}
"""Symmetries of a square lattice, as matrices, row by row. A pattern that looks the same turned by 270 degrees also
does turned by 90."""


def refuse_marks_off_lattice(marks: tuple[Mark, ...], columns: int, rows: int) -> None:
    """Raise ValueError where a mark lies on no node, or two on the same."""
    places = [(mark.column, mark.row) for mark in marks]
    for column, row in places:
        if column >= columns or row >= rows:
            raise ValueError(f"marks: column {column}, row {row} is no node of {columns} x {rows}: count from 0")
        if places.count((column, row)) > 1:
            raise ValueError(f"marks: two lie at column {column}, row {row}: move or remove one")


def find_mark_symmetry(marks: tuple[Mark, ...]) -> str:
    """Return the name of a symmetry of the marks, apart from translation; empty if there is none."""

    def from_corner(a: int, b: int, c: int, d: int) -> list[tuple[int, int, str]]:
        seen = [(a * mark.column + b * mark.row, c * mark.column + d * mark.row, mark.kind) for mark in marks]
        left, top = min(column for column, _, _ in seen), min(row for _, row, _ in seen)
        return sorted((column - left, row - top, kind) for column, row, kind in seen)

    upright = from_corner(1, 0, 0, 1)
    return next((name for name, turn in SYMMETRIES.items() if from_corner(*turn) == upright), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFeature:
    """A dark polygon on the print whose sides are straight edges to be measured, best slanted to the lattice."""

    name: str
    corners_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=3, max_length=12)]
    """Corners in order, millimetres from the lattice's middle, x right, y down on the hung chart."""
    clear_mm: Positive
    """Distance around it that is blank paper."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLayout(Artefact):
    """Our own print: a lattice of dark discs on white. Column 0, row 0 is upper left on the hung chart."""

    name: str
    columns: Annotated[int, Field(ge=5, le=99)]
    rows: Annotated[int, Field(ge=5, le=99)]
    pitch_mm: Positive
    disc_diameter_mm: Positive
    marks: Annotated[tuple[Mark, ...], Field(min_length=2)]
    ring_hole_diameter_mm: Positive
    """Diameter of the light hole of a `ring` mark."""
    large_diameter_mm: Positive
    """Diameter of a `large` mark."""
    contrast_ratio: Annotated[float, Field(gt=1)]
    """Light of the paper over light of a disc, nominal."""
    edges: tuple[EdgeFeature, ...] = ()
    """Slanted edges printed among the discs, if any."""
    contrast_u_frac: Fraction = 0.1
    """Relative standard uncertainty of `contrast_ratio`; a tenth where the print was not measured."""
    edge_blur_um: Annotated[float, Field(ge=0, le=1000)] | None = None
    """Standard deviation of the blur of the print's own edges, on the print, if only that is known. MTF50 is corrected
    for it; left out where it was not measured. A chart's `transfer` in the stand file replaces it."""
    orientation: Literal["by_marks", "upright"] = "by_marks"
    """How the rotation is found: from the marks, or by assuming that the print hangs upright in every shot, within 45
    degrees and not mirrored. Marks that look the same turned or mirrored need `upright`."""
    nodes_mm: tuple[tuple[float, float, float], ...] = ()
    """Measured place of each node, row by row: x right, y down, height away from the camera, from the lattice's middle.
    Empty if the print was not measured: it is then as designed, and flat."""
    node_u_mm: Annotated[float, Field(ge=0)] = 0.0
    """Standard uncertainty of a measured node's x and y, including movement of the print when it is hung again."""

    def __post_init__(self) -> None:
        """Refuse marks that look like discs, or that do not fix the print's rotation and mirror."""
        refuse_marks_off_lattice(self.marks, self.columns, self.rows)
        self._refuse_wrong_nodes()
        self._refuse_marks_like_discs()
        symmetry = find_mark_symmetry(self.marks)
        if self.orientation == "by_marks" and symmetry:
            raise ValueError(
                f"marks: they look the same {symmetry}, so they do not show how the print hangs: move or change one, "
                "or write `orientation: upright` if it hangs upright in every shot"
            )

    def _refuse_wrong_nodes(self) -> None:
        if self.nodes_mm and len(self.nodes_mm) != self.columns * self.rows:
            raise ValueError(
                f"nodes_mm: {len(self.nodes_mm)} nodes, but the lattice has {self.columns} x {self.rows}: measure the "
                "print again"
            )
        for place, (x, y, _) in enumerate(self.nodes_mm):
            row, column = divmod(place, self.columns)
            designed = (column - (self.columns - 1) / 2) * self.pitch_mm, (row - (self.rows - 1) / 2) * self.pitch_mm
            off = hypot(x - designed[0], y - designed[1])
            if off > LARGEST_NODE_ERROR * self.pitch_mm:
                raise ValueError(
                    f"nodes_mm: column {column}, row {row} is {off:.2f} mm off its designed place: is this the "
                    "measured layout of another print?"
                )

    def _refuse_marks_like_discs(self) -> None:
        ratio, hole = self.large_diameter_mm / self.disc_diameter_mm, self.ring_hole_diameter_mm / self.disc_diameter_mm
        if self.has_large_marks and not LARGE_RATIOS[0] <= ratio <= LARGE_RATIOS[1]:
            raise ValueError(
                f"large_diameter_mm: a large mark is {LARGE_RATIOS[0]:g} to {LARGE_RATIOS[1]:g} times as wide as a "
                f"disc, found {ratio:.4g} times"
            )
        if self.has_large_marks and self.large_diameter_mm + self.disc_diameter_mm >= 2 * self.pitch_mm:
            raise ValueError("large_diameter_mm: a large mark must not touch the next disc: make it smaller")
        if any(mark.kind == "ring" for mark in self.marks) and not HOLE_RATIOS[0] <= hole <= HOLE_RATIOS[1]:
            raise ValueError(
                f"ring_hole_diameter_mm: the hole is {HOLE_RATIOS[0]:g} to {HOLE_RATIOS[1]:g} of the disc's diameter, "
                f"found {hole:.4g}"
            )

    @property
    def has_large_marks(self) -> bool:
        """Whether any mark is a larger disc."""
        return any(mark.kind == "large" for mark in self.marks)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartUse:
    """A chart of this stand and the ranges of focal lengths and focus distances for which it is used."""

    layout: ConfigFile[ChartLayout]
    focal_length_mm: tuple[float, float] = (0.0, 100_000.0)
    focus_distance_m: tuple[float, float] = (0.0, 100_000.0)
    """The same for focus distances; for shots with a focus distance only."""
    transfer: ConfigFile[PrintTransfer] | None = None
    """The print's own transfer function, divided out of measured ones; left out where it was not measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RampLayout(Artefact):
    """Our own print for an inclined board: a lattice of small dark discs, row 0 at the far end.

    The rows run across the board, the same number on either side of the middle one, whose larger discs are the band
    on which the camera is focused. Marks lie only in the far half, so that the ends cannot be confused.
    """

    name: str
    columns: Annotated[int, Field(ge=5, le=99)]
    rows: Annotated[int, Field(ge=9, le=99)]
    pitch_mm: Positive
    """Along the board and across it."""
    disc_diameter_mm: Positive
    band_diameter_mm: Positive
    """Diameter of the middle row's discs."""
    marks: Annotated[tuple[Mark, ...], Field(min_length=2)]
    ring_hole_diameter_mm: Positive
    large_diameter_mm: Positive
    """Diameter of a `large` mark, if there is one."""
    contrast_ratio: Annotated[float, Field(gt=1)]

    def __post_init__(self) -> None:
        """Refuse a print that has no middle row, or looks the same from both ends."""
        if self.rows % 2 == 0:
            raise ValueError(
                f"rows: a ramp is symmetric about its middle row, so their number is odd; found {self.rows}"
            )
        if any(mark.row >= self.rows // 2 for mark in self.marks):
            raise ValueError(f"marks: all must lie in the far half, rows 0 to {self.rows // 2 - 1}")
        self.as_lattice()  # refuses marks that look the same turned

    def as_lattice(self) -> ChartLayout:
        """Return the print as a chart layout."""
        return ChartLayout(
            name=self.name,
            columns=self.columns,
            rows=self.rows,
            pitch_mm=self.pitch_mm,
            disc_diameter_mm=self.disc_diameter_mm,
            marks=self.marks,
            ring_hole_diameter_mm=self.ring_hole_diameter_mm,
            large_diameter_mm=self.large_diameter_mm,
            contrast_ratio=self.contrast_ratio,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RampUse:
    """A ramp of this stand: its print and its angle."""

    layout: ConfigFile[RampLayout]
    angle_deg: Annotated[float, Field(ge=15, le=75)] = 45.0
    """Angle between the board and the optical axis."""
    angle_deg_u: Annotated[float, Field(ge=0)] = 0.3
    """Standard uncertainty of that angle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zones:
    """The named zones of the field.

    Centre and mid are rings in half-diagonals from the image centre; a corner zone holds the discs beyond
    `corner_from_frac` of both the half width and the half height, one zone for each corner. Sharpness is evaluated at
    one place of each zone: the image centre, the image height `mid_at_frac`, and on the frame's diagonals at the image
    height `corner_at_frac` (in half-diagonals), wherever the zone's discs lie.
    """

    centre_within_frac: Fraction = 0.2
    mid_inner_frac: Fraction = 0.35
    mid_outer_frac: Fraction = 0.65
    corner_from_frac: Fraction = 0.62
    mid_at_frac: Fraction = 0.5
    corner_at_frac: Fraction = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """How to interpret files from this stand's body; None takes the file's own value."""

    pixel_pitch_um: Positive
    monochrome: bool = False
    """True only if the body has no colour filter; a raw file without its colour pattern looks the same."""
    transfer: Literal["linear", "srgb"] | float = "linear"
    """Transfer curve of TIFF and PNG values: `linear`, `srgb` (IEC 61966-2-1) or a pure power such as 2.2."""
    black_dn: float | tuple[tuple[float, ...], ...] | None = None
    """One level, or one for each site of the colour pattern, row by row."""
    white_dn: float | None = None
    linearity: tuple[float, float] | None = None
    """(a, b): light as a function of the signal s, of white, is ``s (1 + a s + b s^2)``; None if proportional."""
    largest_frame_px: Annotated[int, Field(gt=0)] = LARGEST_FRAME_PX
    """Most pixels of a frame; a file whose header claims more is refused as damaged, before memory is allocated."""
    frame_px: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]] | None = None
    """Width and height of the body's frames, for checks before a shot, such as the size of a chart."""
    sensor_map: DataFile | None = None
    """A per-pixel response map (.npy or .tif, height x width, about 1) by which every frame is divided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusStep:
    """Distance by which a step of a focus series moves the focus at the sensor, backwards."""

    um: Positive
    per_square_f_number: bool = False
    """Whether the step grows with the square of the f-number, as the depth of focus of a perfect lens does."""
    u_frac: Fraction = 0.03
    """Relative standard uncertainty of `um`, common to all results in micrometres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceTilt:
    """Tilt of the surface of best focus of the reference lens on this body, which is the body's own.

    Along x positive where the right side's focus lies behind the sensor, along y where the lower side's does.
    """

    x_arcmin: float
    y_arcmin: float
    x_arcmin_u: Annotated[float, Field(ge=0)]
    y_arcmin_u: Annotated[float, Field(ge=0)]
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceLight:
    """Light of the diffuse source through the reference lens, against which the light through a lens is compared."""

    level_ev: float
    """`level_ev` of the reference lens, from `measure_transmission`: mean over several nights."""
    u_ev: Positive
    """Standard uncertainty: the source's change from night to night."""
    iso: Positive | None = None
    """Sensitivity at which it was shot."""
    origin: Annotated[str, Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShootingLimits:
    """Limits beyond which a frame must be shot again."""

    pose_deg: Positive = 0.2
    """Largest angle of the chart against the sensor."""
    level_change_pct: Positive = 2.0
    """Largest change of light between the shots of a setting."""
    shake_ratio: Positive = 1.25
    """Largest ratio of blur widths in two directions fixed to the sensor, common to all discs."""
    mains_hz: Positive = 50.0
    """Mains frequency; the light ripples at twice that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaker:
    """The shaker for measurements of the stabiliser."""

    name: Annotated[str, Field(min_length=1)]
    """Results are named after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """Place of a shim: a lens's flange on the body, or a seat inside it."""

    diameter_mm: Positive
    name: Annotated[str, Field(min_length=1)] = "mount flange"
    model: str = ""
    """Lens model with this seat. Default: all models without a seat of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mote:
    """Known dust on the body's sensor, which shows with every lens."""

    x_frac: Annotated[float, Field(ge=0, le=1)]
    """Of the frame's width, from the left."""
    y_frac: Annotated[float, Field(ge=0, le=1)]
    """Of the frame's height, from the top."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand(Artefact):
    """The constants of the stand that the camera stages need."""

    sensor: Sensor
    charts: Annotated[tuple[ChartUse, ...], Field(min_length=1)]
    ramps: tuple[RampUse, ...] = ()
    focus_step: FocusStep | None = None
    reference_tilt: ReferenceTilt | None = None
    reference_light: ReferenceLight | None = None
    source_map: DataFile | None = None
    """The diffuse source's own unevenness (.npy, any coarse grid over the frame, about 1)."""
    source_angle_ev: tuple[float, float] | None = None
    """Light that the source emits at an angle to its normal, EV: coefficients of sin^2 and sin^4 of the angle."""
    zones: Zones = field(default_factory=Zones)
    shooting: ShootingLimits = field(default_factory=ShootingLimits)
    light_step_u_ev: Positive = 0.02
    """Standard uncertainty of light times exposure time between f-numbers: drift of the lamps, errors of the
    shutter."""
    shaker: Shaker | None = None
    dust: tuple[Mote, ...] = ()
    seats: tuple[Seat, ...] = ()
    """Seats of lenses, to convert a tilt to a shim's thickness."""

    def find_seat(self, model: str) -> Seat | None:
        """Return a model's seat, or else the one for all models, or None."""
        named = {"".join(seat.model.split()).casefold(): seat for seat in self.seats}
        return named.get("".join(model.split()).casefold(), named.get(""))

    def focus_step_um(self, setting: Setting | None) -> tuple[float, float]:
        """Return the size of a focus step at the sensor and its standard uncertainty, um; NaN where it is not known."""
        step, number = self.focus_step, setting.f_number if setting else None
        if step is None or (step.per_square_f_number and number is None):
            return float("nan"), float("nan")
        size = step.um * (number or 1.0) ** 2 if step.per_square_f_number else step.um
        return size, size * step.u_frac
