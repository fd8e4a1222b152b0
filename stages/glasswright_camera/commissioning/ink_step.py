"""Step `ink`: the print's own transfer function, from a printed edge beside a metal blade in a close frame.

Both edges are imaged by the same lens and pixel, so the quotient of their transfer functions is the print's. Without a
blade, the quotient is taken between a close frame and frames from the usual distance, where the print's blur is smaller
in the image; the lens then counts as unchanged, within an uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
import yaml
from pydantic import Field
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from glasswright import Artefact, Unmeasurable, format_count
from glasswright.config import SafeName, read_config
from glasswright_camera.commissioning.edge_profile import Direction, collect_edge, transform_edge
from glasswright_camera.commissioning.print_step import trace_shot
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.field import zone_members
from glasswright_camera.print_transfer import PlaneTransfer, PrintTransfer
from glasswright_camera.raw.stage import decode_raw
from glasswright_camera.setup_check import SHARP, fill_frame
from glasswright_camera.sharpness.best_focus import WAVELENGTH_UM
from glasswright_camera.sharpness.ceiling import diffraction_transfer
from glasswright_camera.sharpness.print_division import pixels_per_mm

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

RESTS: Final = ("measure_mtf50.*", "measure_best_focus.*", "measure_contrast.*")
HOLDS_DAYS: Final = 365
INK_FILE: Final = "ink.yaml"
INK_TEXT: Final = """\
# Pixels per millimetre in the close frames: read a steel rule in one of them. u is the standard uncertainty.
pixels_per_mm: {value: 0.0, u: 0.1}
# The edges in each folder's frames: a box about each, [left, top, right, bottom] in fractions of the frame. A box holds
# one edge from dark to light, which runs from side to side near its middle. `blur: across` for an edge that runs down.
# In _2 printed edge and blade have changed sides. Without a blade, delete `blade` everywhere.
frames:
  - {folder: across_1, blur: across, print: [0.1, 0.3, 0.4, 0.7], blade: [0.6, 0.3, 0.9, 0.7]}
  - {folder: across_2, blur: across, print: [0.6, 0.3, 0.9, 0.7], blade: [0.1, 0.3, 0.4, 0.7]}
  - {folder: down_1, blur: down, print: [0.3, 0.1, 0.7, 0.4], blade: [0.3, 0.6, 0.7, 0.9]}
  - {folder: down_2, blur: down, print: [0.3, 0.6, 0.7, 0.9], blade: [0.3, 0.1, 0.7, 0.4]}
"""
FEWEST_PAIRS: Final = 3
POINTS: Final = 14
REACH_MM: Final = 2.0
"""Distance from an edge, on the print, up to which light is used: paper scatters it by some tenths of a millimetre."""
HIGHEST_CY_PER_PX: Final = 0.25
"""Highest frequency in the close frame: lens and pixel still have contrast there."""
LEAST_CONTRAST: Final = 0.3
LENS_CHANGE: Final = 0.1
"""Standard uncertainty of the lens's relative change of blur between the two distances, without a blade."""
SIDES_CHANGE: Final = 0.05
"""The same between the two sides of the frame, where edge and blade did not change sides."""
CEILING_PCT: Final = {True: 0.5, False: 1.5}
"""Largest acceptable standard uncertainty of the loss of MTF50, with a blade and without."""

Box = Annotated[tuple[float, float, float, float], Field()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Pixels per millimetre, with its standard uncertainty."""

    value: Annotated[float, Field(gt=0)]
    u: Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseFrame:
    """The edges in the frames of one folder."""

    folder: SafeName
    blur: Direction
    print: Box
    blade: Box | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class InkNotes(Artefact):
    """Content of `ink.yaml`."""

    pixels_per_mm: Scale
    frames: Annotated[tuple[CloseFrame, ...], Field(min_length=2)]

    def __post_init__(self) -> None:
        """Refuse notes of one direction only, or with a blade in some folders only."""
        if {frame.blur for frame in self.frames} != {"across", "down"}:
            raise ValueError("frames: both directions are needed, `blur: across` and `blur: down`")
        if len({frame.blade is None for frame in self.frames}) > 1:
            raise ValueError("frames: `blade` is given in some folders only: give it in all, or delete it in all")

    @property
    def has_blade(self) -> bool:
        """Return whether the frames show a blade."""
        return self.frames[0].blade is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """Transfer functions in the frames of one folder: arrays (shots, planes, frequencies)."""

    printed: Array
    blade: Array | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Logarithm:
    """Logarithm of the print's transfer in one direction: arrays (planes, frequencies)."""

    value: Array
    u: Array


def commission_ink(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure the transfer function of the print of the stand's first chart.

    Parameters
    ----------
    folder
        Contains `ink.yaml`, a folder of close frames for each entry of it, and, without a blade, `far`: two frames or
        more of the chart from its usual distance, with the same lens and aperture.
    stand
        Its first chart is the print.
    today
        Date of shots without one.

    Raises
    ------
    Unmeasurable
        With too few frames, or where an edge cannot be measured.
    """
    path = folder / INK_FILE
    if not path.is_file():
        raise Unmeasurable(f"there is no {path}: note the places of the edges in it (`glasswright commission begin`)")
    notes = read_config(path, InkNotes)
    by_folder = [list_shots(folder / frame.folder, "chart") for frame in notes.frames]
    far = () if notes.has_blade else list_shots(folder / "far", "chart")
    shots = [shot for members in by_folder for shot in members] + [*far]
    refuse_copies(shots)
    for frame, members in zip(notes.frames, by_folder, strict=True):
        if len(members) < FEWEST_PAIRS:
            raise Unmeasurable(
                f"{folder / frame.folder} has {format_count(len(members), 'shot')}; {FEWEST_PAIRS} are needed, 5 better"
            )
    per_mm = notes.pixels_per_mm.value
    frequency = np.linspace(1, POINTS, POINTS) / POINTS * HIGHEST_CY_PER_PX * per_mm
    planes, close = read_close(by_folder, notes, stand, frequency / per_mm)
    frequency, close = cut_faint(frequency, close)
    if notes.has_blade:
        found = {side: compare_blade(side, notes, close, frequency) for side in ("across", "down")}
    else:
        traces = tuple(trace_shot(shot, stand) for shot in far)
        ratio = find_diffraction_ratio(shots, traces, planes, stand, frequency, per_mm)
        lens = read_middle(traces, stand, frequency / per_mm)
        apart = pixels_per_mm(float(np.mean([each.magnification_frac for each in traces])), stand) / per_mm
        found = {
            side: compare_distances(side, notes, close, lens, ratio, frequency, apart) for side in ("across", "down")
        }
    found = {side: add_scale_u(each, frequency, notes.pixels_per_mm.u / per_mm) for side, each in found.items()}
    return describe_ink(found, frequency, planes, notes, stand, shots, today)


def read_close(
    by_folder: Sequence[Sequence[Shot]], notes: InkNotes, stand: Stand, frequency_px: Array
) -> tuple[tuple[str, ...], list[Close]]:
    """Return the colour planes, and the transfer functions of each folder's edges; all with one reach."""
    planes: tuple[str, ...] = ()
    collected = []
    for frame, members in zip(notes.frames, by_folder, strict=True):
        for shot in members:
            mosaic = decode_raw(shot, stand)
            planes = mosaic.planes
            boxes = [frame.print] if frame.blade is None else [frame.print, frame.blade]
            try:
                edges = [[collect_edge(mosaic, box, frame.blur, p) for p in range(len(planes))] for box in boxes]
            except Unmeasurable as reason:
                raise Unmeasurable(f"{shot.path}: {reason}") from reason
            collected.append((frame.folder, edges))
    reach = min(each.reach_px for _, edges in collected for row in edges for each in row)
    reach = min(reach, REACH_MM * notes.pixels_per_mm.value)
    found = []
    for frame in notes.frames:
        rows = np.array(
            [
                [[transform_edge(each, reach, frequency_px) for each in row] for row in edges]
                for name, edges in collected
                if name == frame.folder
            ]
        )
        found.append(Close(printed=rows[:, 0], blade=rows[:, 1] if rows.shape[1] > 1 else None))
    return planes, found


def cut_faint(frequency: Array, close: list[Close]) -> tuple[Array, list[Close]]:
    """Leave out frequencies at which any edge has little contrast."""
    least = np.min([each.printed.min(axis=(0, 1)) for each in close], axis=0)
    count = int(np.argmax(np.append(least, 0.0) < LEAST_CONTRAST))
    if count < 3:
        raise Unmeasurable("the close frames are too blurred: focus on the print, use f/5.6 to f/8, and shoot again")
    kept = [
        Close(printed=each.printed[..., :count], blade=None if each.blade is None else each.blade[..., :count])
        for each in close
    ]
    return frequency[:count], kept


def average_folders(rows: Sequence[Array]) -> Logarithm:
    """Return the mean of logarithms over folders, each (shots, planes, frequencies), with u from their scatter."""
    u = np.sqrt(sum(each.var(axis=0, ddof=1) / len(each) for each in rows)) / len(rows)
    return Logarithm(value=np.mean([each.mean(axis=0) for each in rows], axis=0), u=np.asarray(u))


def find_steepness(log_lens: Array, frequency: Array) -> Array:
    """Return the change of a logarithm of a transfer function with that of its blur's width: f d ln M / d f."""
    return np.asarray(frequency * np.gradient(log_lens, frequency, axis=-1))


def compare_blade(side: str, notes: InkNotes, close: list[Close], frequency: Array) -> Logarithm:
    """Return the print's transfer in one direction from pairs of printed edge and blade."""
    pairs = [each for frame, each in zip(notes.frames, close, strict=True) if frame.blur == side]
    found = average_folders([np.log(each.printed) - np.log(each.blade) for each in pairs if each.blade is not None])
    if len(pairs) > 1:
        return found
    lens = np.mean([np.log(each.blade).mean(axis=0) for each in pairs if each.blade is not None], axis=0)
    return Logarithm(value=found.value, u=np.hypot(found.u, SIDES_CHANGE * find_steepness(lens, frequency)))


def compare_distances(
    side: str, notes: InkNotes, close: list[Close], far: Array, ratio: Array, frequency: Array, apart: float
) -> Logarithm:
    """Return the print's transfer in one direction from close frames and frames from the usual distance.

    The quotient of the two is T(f) / T(apart f) at frequency f on the print, so that T follows from the low
    frequencies upwards: ln T(f) = ln quotient + ln T(apart f).

    Parameters
    ----------
    far
        (planes, frequencies): transfer in the frames from the usual distance, lens and print together.
    ratio
        (planes, frequencies): diffraction there over that in the close frames.
    apart
        Pixels per millimetre there over those in the close frames.
    """
    near = average_folders(
        [np.log(each.printed) for frame, each in zip(notes.frames, close, strict=True) if frame.blur == side]
    )
    quotient = near.value - np.log(far) + np.log(ratio)
    value = quotient
    for _ in range(8):
        # ln T over the square of the frequency varies slowly
        fall = value / frequency**2
        low = np.array([np.interp(apart * frequency, frequency, row) for row in fall]) * (apart * frequency) ** 2
        value = quotient + low
    steep = find_steepness(near.value - value, frequency)
    return Logarithm(value=value, u=np.hypot(near.u, LENS_CHANGE * steep))


def read_middle(traces: tuple[Trace, ...], stand: Stand, frequency_px: Array) -> Array:
    """Return the mean transfer function of the discs in the middle of the frame: (planes, frequencies)."""
    rows = []
    for trace in traces:
        middle = np.nanmean(trace.centre_px, axis=0)
        inside = zone_members(middle, trace.width_px, trace.height_px, stand.zones)["centre"]
        if not np.isfinite(trace.mtf50[:, inside]).any():
            raise Unmeasurable(f"{trace.shot}: no disc was measured in the middle: does the chart fill the frame?")
        rows.append(np.nanmean(np.asarray(trace.mtf, dtype=np.float64)[:, inside], axis=(1, 2)))
    mean = np.mean(rows, axis=0)
    return np.asarray(CubicSpline(traces[0].frequency, mean, axis=1)(frequency_px))


def find_diffraction_ratio(
    shots: Sequence[Shot],
    traces: tuple[Trace, ...],
    planes: tuple[str, ...],
    stand: Stand,
    frequency: Array,
    per_mm: float,
) -> Array:
    """Return diffraction at the usual distance over that in the close frames: (planes, frequencies).

    The working f-number is N (1 + m), for a lens whose pupils are alike; it is higher at the closer distance.
    """
    stops = {shot.facts.f_number for shot in shots}
    if len(stops) > 1 or None in stops:
        named = ", ".join(sorted("none" if stop is None else f"f/{stop:g}" for stop in stops))
        raise Unmeasurable(f"without a blade all frames need one f-number; the files have {named}: shoot again")
    pitch, (f_number,) = stand.sensor.pixel_pitch_um, stops
    far = float(np.mean([trace.magnification_frac for trace in traces]))
    near = per_mm * pitch / 1000

    def diffract(plane: str, magnification: float) -> list[float]:
        cutoff = pitch / (WAVELENGTH_UM.get(plane, WAVELENGTH_UM["green"]) * float(f_number or 0) * (1 + magnification))
        return [diffraction_transfer(f / per_mm / cutoff) for f in frequency]

    return np.array([np.divide(diffract(plane, far), diffract(plane, near)) for plane in planes])


def add_scale_u(found: Logarithm, frequency: Array, scale_u: float) -> Logarithm:
    """Include the relative standard uncertainty of the frequencies."""
    return Logarithm(value=found.value, u=np.hypot(found.u, scale_u * find_steepness(found.value, frequency)))


def find_loss(transfer: PrintTransfer, plane: str, direction: float, per_mm: float) -> tuple[float, float]:
    """Return the share that the print takes off an MTF50 of SHARP (a Gaussian), and its standard uncertainty.

    Parameters
    ----------
    per_mm
        Pixels per millimetre on the print at the usual distance.
    """

    def read(frequency: float) -> tuple[float, float]:
        value, u = transfer.sample(np.array([frequency * per_mm]), np.array([direction]), plane)
        return float(value[0]), float(u[0])

    def whole(frequency: float) -> float:
        return float(np.exp(-np.log(2) * (frequency / SHARP) ** 2)) * read(frequency)[0]

    half = float(brentq(lambda f: whole(f) - 0.5, 1e-4, SHARP)) if whole(SHARP) < 0.5 else SHARP
    slope = (whole(half * 1.001) - whole(half * 0.999)) / (0.002 * half)
    value, u = read(half)
    return 1 - half / SHARP, 0.5 * u / value / -slope / SHARP


def describe_ink(
    found: dict[str, Logarithm],
    frequency: Array,
    planes: tuple[str, ...],
    notes: InkNotes,
    stand: Stand,
    shots: Sequence[Shot],
    today: date,
) -> StepResult:
    """Return the step's constants, and the print's transfer for the stages."""
    layout, day = stand.charts[0].layout, find_day(shots, today)
    table: dict[str, Any] = {
        "frequency_cy_per_mm": [round(float(f), 4) for f in frequency],
        "planes": [
            {
                "plane": plane,
                **{
                    name: [float(f"{value:.5g}") for value in values]
                    for side, each in found.items()
                    for name, values in (
                        (side, np.minimum(np.exp(each.value[row]), 2.0)),
                        (f"{side}_u", np.exp(each.value[row]) * each.u[row]),
                    )
                },
            }
            for row, plane in enumerate(planes)
        ],
        "origin": f"commissioning, {day}, {format_count(len(shots), 'shot')}, "
        + ("metal blade" if notes.has_blade else "no blade"),
    }
    transfer = PrintTransfer(
        frequency_cy_per_mm=tuple(table["frequency_cy_per_mm"]),
        planes=tuple(
            PlaneTransfer(
                plane=each["plane"],
                **{key: tuple(value) for key, value in each.items() if key != "plane"},
            )
            for each in table["planes"]
        ),
        origin=table["origin"],
    )
    main = "green" if "green" in planes else planes[0]
    usual = pixels_per_mm(fill_frame(layout, stand), stand)
    values = []
    for side, direction in (("across", 0.0), ("down", np.pi / 2)):
        loss, loss_u = find_loss(transfer, main, direction, usual)
        values.append(
            StepValue(
                name=f"loss_{side}_pct",
                value=100 * loss,
                u=100 * loss_u,
                ceiling_u=CEILING_PCT[notes.has_blade],
                meaning=f"share that the print takes off an MTF50 of {SHARP:g} cycles/pixel, blur {side}",
            )
        )
    name = f"../charts/{layout.name}_transfer.yaml"
    body = find_body(shots)
    texts = [
        f"known up to {frequency[-1]:.2g} cycles/mm on the print; the frames need {0.6 * usual:.2g}",
        "MTF50 of this chart is from now on that of lens and sensor, without the print",
        *((f"shot with body {body.model}; the print is valid for every body",) if body else ()),
    ]
    if not notes.has_blade:
        texts.append(
            "without a blade the lens counts as unchanged between the two distances; u includes a change of a tenth"
        )
    elif len({frame.blur for frame in notes.frames}) == len(notes.frames):
        texts.append("printed edge and blade did not change sides: u includes a difference between the sides of 5 %")
    return StepResult(
        step="ink",
        findings=tuple(values),
        changes={("camera", "charts", 0, "transfer"): name},
        files={name: yaml.safe_dump(table, sort_keys=False, width=100).encode()},
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=None,
        measured=day,
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        notes=tuple(texts),
    )
