"""Step `source`: measure the light map of the even source, separate from lens and sensor."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
from pydantic import Field

from glasswright import Artefact, Unmeasurable
from glasswright.config import SafeName, read_config
from glasswright_camera.chart.model import Frame
from glasswright_camera.commissioning.shots import find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.source_apart import (
    ANGLES,
    Flat,
    Placement,
    SourceParts,
    list_angles,
    separate_source,
)
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.distortion.fit import choose_plane
from glasswright_camera.light.reduce_flat import reduce_flat
from glasswright_camera.raw.stage import decode_raw

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.light.flat import FlatShot
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

RESTS: Final = ("measure_vignetting.*",)
HOLDS_DAYS: Final = 180
BLOCKS_ACROSS: Final = 30
MAP_ROWS, MAP_COLUMNS = 24, 36
PLACES_FILE: Final = "places.yaml"
CORNER_FRAC: Final = 0.95
"""Where corner values are reported, as a fraction of half width and half height."""
PLACES: Final = (
    (0, 0, 0, 0, 0), (90, 0, 0, 0, 0), (180, 0, 0, 0, 0), (270, 0, 0, 0, 0),
    (0, 0.15, 0, 0, 0), (0, -0.15, 0, 0, 0), (0, 0, 0.1, 0, 0), (0, 0, -0.1, 0, 0),
    (90, 0.15, 0, 0, 0), (180, 0, 0.1, 0, 0), (270, 0, -0.1, 0, 0), (90, 0, -0.1, 0, 0),
    (0, 0, 0, 10, 0), (0, 0, 0, -10, 0), (0, 0, 0, 0, 10), (0, 0, 0, 0, -10),
)  # fmt: skip
"""Turn in degrees, shift right and down in frame widths, tilt about x and y in degrees."""


def write_places() -> str:
    """Return the text of `places.yaml` with the planned positions of the source."""
    lines = [
        "# Position of the source in each folder's shots: correct the values where it differed.",
        "# turn: clockwise seen from the camera; shift: in frame widths; tilt_x: lower edge away; tilt_y: right edge",
        "# towards the camera. The last line holds the standard uncertainties of these values.",
        "places:",
    ]
    for number, (turn, right, down, tilt_x, tilt_y) in enumerate(PLACES, start=1):
        lines.append(
            f"  - {{folder: place_{number:02d}, turn_deg: {turn:.1f}, right_frac: {right}, down_frac: {down}, "
            f"tilt_x_deg: {tilt_x:.1f}, tilt_y_deg: {tilt_y:.1f}}}"
        )
    return "\n".join([*lines, "known_to: {turn_deg: 0.3, shift_frac: 0.003, tilt_deg: 0.2}"]) + "\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place(Artefact):
    """Position of the source in the shots of one folder."""

    folder: SafeName
    turn_deg: float = 0.0
    right_frac: Annotated[float, Field(ge=-0.5, le=0.5)] = 0.0
    down_frac: Annotated[float, Field(ge=-0.5, le=0.5)] = 0.0
    tilt_x_deg: Annotated[float, Field(ge=-30, le=30)] = 0.0
    tilt_y_deg: Annotated[float, Field(ge=-30, le=30)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownTo(Artefact):
    """Standard uncertainties of the positions."""

    turn_deg: Annotated[float, Field(gt=0)] = 0.3
    shift_frac: Annotated[float, Field(gt=0)] = 0.003
    tilt_deg: Annotated[float, Field(gt=0)] = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Places(Artefact):
    """Content of `places.yaml`."""

    places: Annotated[tuple[Place, ...], Field(min_length=4)]
    known_to: KnownTo


def commission_source(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure the source's light by place and by angle.

    Parameters
    ----------
    folder
        Contains `places.yaml`, and a folder of flats for each place in it.
    stand
        Its sensor describes the raw files.
    today
        Used as the day of the shots if no file has a date.

    Raises
    ------
    Unmeasurable
        If shots are missing or are not through one lens.
    """
    path = folder / PLACES_FILE
    if not path.is_file():
        raise Unmeasurable(f"there is no {path}: run `glasswright commission begin`, then correct the file")
    places = read_config(path, Places)
    shots: list[Shot] = []
    flats: list[Flat] = []
    focal_lengths: set[float | None] = set()
    for place in places.places:
        found = list_shots(folder / place.folder, "flat")
        reduced = [reduce_flat(decode_raw(shot, stand), blocks_across_count=BLOCKS_ACROSS) for shot in found]
        flats.append(make_flat(reduced, place, places.known_to))
        frame = Frame(width_px=reduced[0].width_px, height_px=reduced[0].height_px)
        focal_lengths |= {shot.facts.focal_length_mm for shot in found}
        shots += found
    refuse_copies(shots)
    focal_length = only_one(focal_lengths)
    field_tan = frame.half_diagonal_px * stand.sensor.pixel_pitch_um / 1000 / focal_length
    return describe_source(separate_source(flats, field_tan), frame, shots, today)


def only_one(focal_lengths: set[float | None]) -> float:
    """Return the focal length that all shots share."""
    if len(focal_lengths) != 1 or None in focal_lengths:
        found = ", ".join(sorted("unknown" if each is None else f"{each:g} mm" for each in focal_lengths))
        raise Unmeasurable(f"the flats have several or unknown focal lengths ({found}): shoot all through one lens")
    return float(next(iter(focal_lengths)) or 0.0)


def make_flat(shots: list[FlatShot], place: Place, known: KnownTo) -> Flat:
    """Average the flats of one place, block by block."""
    first = shots[0]
    frame = Frame(width_px=first.width_px, height_px=first.height_px)
    plane = choose_plane(first.planes)
    light = np.array([shot.light[plane] for shot in shots], dtype=np.float64)
    u = np.sqrt(np.mean([shot.light_u[plane].astype(np.float64) ** 2 for shot in shots], axis=0) / len(shots))
    mean = light.mean(axis=0)
    row, column = np.indices(mean.shape)
    # blocks of the last row and column are smaller, and so their centres are shifted
    ends = [
        np.minimum((at + 1) * first.block_px, size) for at, size in ((column, first.width_px), (row, first.height_px))
    ]
    middle = [(at * first.block_px + end - 1) / 2 for at, end in zip((column, row), ends, strict=True)]
    good = np.isfinite(mean) & (mean > 0)
    width = frame.width_px / frame.half_diagonal_px
    return Flat(
        place=frame.from_px(np.column_stack([each[good] for each in middle]) + first.offset_px[plane]),
        light_ev=np.log2(mean[good]),
        u_ev=u[good] / mean[good] / np.log(2),
        placement=Placement(
            turn_deg=place.turn_deg,
            shift=(place.right_frac * width, place.down_frac * width),
            tilt_deg=(place.tilt_x_deg, place.tilt_y_deg),
            turn_u_deg=known.turn_deg,
            shift_u=known.shift_frac * width,
            tilt_u_deg=known.tilt_deg,
        ),
    )


def describe_source(parts: SourceParts, frame: Frame, shots: list[Shot], today: date) -> StepResult:
    """Return the source's constants, and the map that stages read."""
    half = np.array([frame.width_px, frame.height_px]) / 2 / frame.half_diagonal_px
    corners = CORNER_FRAC * half * [[-1, -1], [1, -1], [-1, 1], [1, 1]]
    value, u = parts.map_source(corners)
    worst = int(np.abs(value).argmax())
    angle = list_angles(corners[:1], parts.field_tan)[0]
    part = slice(parts.count, parts.count + ANGLES)
    by_angle, by_angle_u = angle @ parts.terms[part], np.sqrt(angle @ parts.covariance[part, part] @ angle)
    grid = np.stack(np.meshgrid(*((np.arange(n) + 0.5) / n * 2 - 1 for n in (MAP_COLUMNS, MAP_ROWS))), axis=-1) * half
    light, light_u = parts.map_place(grid.reshape(-1, 2))
    data = io.BytesIO()
    np.save(data, np.exp2(light).reshape(MAP_ROWS, MAP_COLUMNS))
    findings = (
        StepValue(name="source_corner_ev", value=float(value[worst]), u=float(u[worst]), ceiling_u=0.003,
                meaning="light of the source in its most uneven corner relative to the centre"),
        StepValue(name="source_by_angle_ev", value=float(by_angle), u=float(by_angle_u), ceiling_u=0.003,
                meaning="part of the corner value that comes from emission by angle"),
        StepValue(name="source_map_ev", value=float(np.sqrt(np.mean(light**2))), u=float(np.sqrt(np.mean(light_u**2))),
                ceiling_u=0.0015, meaning="root mean square of the source's map over the frame"),
    )  # fmt: skip
    return StepResult(
        step="source",
        findings=findings,
        changes={
            ("camera", "source_map"): "source_map.npy",
            ("camera", "source_angle_ev"): [float(f"{each:.5g}") for each in parts.terms[part]],
        },
        files={"source_map.npy": data.getvalue()},
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=None,
        measured=find_day(shots, today),
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        notes=(
            *(f"not determined: {each}; shoot more positions of the source" for each in parts.list_unknown()),
            "lens and sensor are not separated from each other; the map holds the source alone",
            f"residuals are {parts.scatter_ratio:.2f} of the noise; {parts.left_out} blocks were rejected (dust?)",
            "the map covers this lens's field; another focal length sees other places of the source",
        ),
    )
