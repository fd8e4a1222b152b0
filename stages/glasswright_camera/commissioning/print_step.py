"""Step `print`: places and heights of the chart's nodes, from shots of it rotated, shifted and tilted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
from pydantic import Field

from glasswright import Artefact, Unmeasurable, format_count
from glasswright.config import read_config
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.chart.model import PLANE, Frame, differentiate_model, fit_lattice, pack
from glasswright_camera.chart.pose import half_extent_mm
from glasswright_camera.commissioning.print_geometry import (
    CentroidShift,
    PrintGeometry,
    ShotCentres,
    adjust_print,
    list_distortion,
    place_points,
    project_points,
    scale_nodes,
)
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.distortion.fit import LEAST_U_PX, choose_plane, measure_disc_radii
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.printing.layout import write_layout
from glasswright_camera.raw.stage import decode_raw

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.commissioning.step_result import ShotBody
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import ChartLayout, Stand

    Array = NDArray[np.float64]

RESTS: Final = ("measure_distortion.*", "measure_centring.focus_tilt*", "measure_centring.*_um")
HOLDS_DAYS: Final = 180
OUTLIER_RATIO: Final = 8.0
"""A disc is left out if it is farther from a smooth lens than this many times the median and `OUTLIER_LEAST_PX`."""
OUTLIER_LEAST_PX: Final = 1.5
STAGE_TERMS: Final = 3
"""Radial terms with which `measure_distortion` fits a shot."""
CORNER_HEIGHT: Final = 0.9
"""Image height for which the lens's distortion is reported: the outermost that the discs reach."""
FEWEST_SIGHTINGS: Final = 3
"""Shots that a node must be in; others are placed between their neighbours."""
TILTED_DEG: Final = 5.0
"""A shot is tilted from this angle on."""
RULE_FILE: Final = "rule.yaml"
RULE_TEXT: Final = """\
# Lay a steel rule on the hung print, between the middles of two discs far apart.
from: [0, 4]         # column and row, counted from 0 at the upper left
to: [12, 4]
length_mm: 0.0       # the reading
length_u_mm: 0.1     # its standard uncertainty
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleReading(Artefact):
    """Distance between two nodes, read from a steel rule."""

    from_: Annotated[tuple[int, int], Field(alias="from")]
    to: tuple[int, int]
    length_mm: Annotated[float, Field(gt=0)]
    length_u_mm: Annotated[float, Field(gt=0)]


def commission_print(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure the nodes of the stand's first chart.

    Parameters
    ----------
    folder
        Contains a folder for each mounting of the print, `mounting_1` and so on, with its shots, and `rule.yaml`.
    stand
        Its first chart is the print.
    today
        Date of shots without one.

    Raises
    ------
    Unmeasurable
        If shots or the rule's reading are missing, or the shots are not of one print at one focus.
    """
    mountings = sorted(path for path in folder.glob("mounting_*") if path.is_dir())
    if not mountings:
        raise Unmeasurable(f"there is no folder {folder}/mounting_1: make it, and put the shots of the print into it")
    layout = replace(stand.charts[0].layout, nodes_mm=(), node_u_mm=0.0)
    rule = read_rule(folder / RULE_FILE, layout)
    bare = replace(stand, charts=(replace(stand.charts[0], layout=layout), *stand.charts[1:]))
    groups = [list_shots(path, "chart") for path in mountings]
    shots = [shot for group in groups for shot in group]
    refuse_copies(shots)
    body = find_body(shots)
    centres, distances = [], []
    for number, group in enumerate(groups):
        for shot in group:
            trace = trace_shot(shot, bare)
            frame = Frame(width_px=trace.width_px, height_px=trace.height_px)
            centres.append(make_centres(trace, layout, number))
            distances.append(find_distance(shot, trace, stand))
    known = find_known(centres, layout)
    geometry = adjust_print(
        list_design(layout)[known],
        [keep_known(each, known) for each in centres],
        float(np.median(distances)),
        CentroidShift(list_radii(layout)[known]),
    )
    return describe_print(geometry, known, layout, rule, frame, shots, body, today)


def read_rule(path: Path, layout: ChartLayout) -> RuleReading:
    """Read the steel rule's reading.

    Raises
    ------
    Unmeasurable
        If there is none, or a node is not on the lattice.
    """
    if not path.is_file():
        raise Unmeasurable(
            f"there is no {path}: shots do not determine the print's size, so lay a steel rule on it and write\n"
            f"{RULE_TEXT}"
        )
    rule = read_config(path, RuleReading)
    for column, row in (rule.from_, rule.to):
        if not (0 <= column < layout.columns and 0 <= row < layout.rows):
            raise Unmeasurable(f"{path}: column {column}, row {row} is no node of {layout.columns} x {layout.rows}")
    marks = {(mark.column, mark.row) for mark in layout.marks}
    if marks & {rule.from_, rule.to}:
        raise Unmeasurable(f"{path}: `from` or `to` is a mark: choose two plain discs")
    if rule.from_ == rule.to:
        raise Unmeasurable(f"{path}: `from` and `to` are the same node: choose two that are far apart")
    return rule


def trace_shot(shot: Shot, stand: Stand) -> Trace:
    """Return the edge table of one chart shot."""
    mosaic = replace(decode_raw(shot, stand), setting=shot.setting)
    return replace(trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, None), setting=shot.setting)


def make_centres(trace: Trace, layout: ChartLayout, mounting: int) -> ShotCentres:
    """Return a shot's disc centres without outliers."""
    frame = Frame(width_px=trace.width_px, height_px=trace.height_px)
    plane = choose_plane(trace.planes)
    good = np.isfinite(trace.centre_px[plane]).all(axis=1) & np.isfinite(trace.centre_u_px[plane]).all(axis=1)
    node = trace.node[good]
    place = frame.from_px(trace.centre_px[plane][good])
    u = np.hypot(trace.centre_u_px[plane][good], LEAST_U_PX) / frame.half_diagonal_px
    number = node[:, 1] * layout.columns + node[:, 0]
    design = list_design(layout)[number]
    off = np.hypot(*(fit_lattice(design, place, radial_terms=2, tangential=True).place(design) - place).T)
    kept = off <= max(OUTLIER_RATIO * float(np.median(off)), OUTLIER_LEAST_PX / frame.half_diagonal_px)
    return ShotCentres(mounting=mounting, node=number[kept], place=place[kept], u=u[kept])


def find_distance(shot: Shot, trace: Trace, stand: Stand) -> float:
    """Return the approximate principal distance in half-diagonals, from the shot's focal length.

    Raises
    ------
    Unmeasurable
        If the file has no focal length.
    """
    if shot.facts.focal_length_mm is None:
        raise Unmeasurable(f"{shot.name} has no focal length: shoot raw files with EXIF, or use another lens")
    pixels = shot.facts.focal_length_mm * (1 + trace.magnification_frac) * 1000 / stand.sensor.pixel_pitch_um
    return pixels / Frame(width_px=trace.width_px, height_px=trace.height_px).half_diagonal_px


def list_nodes(layout: ChartLayout) -> NDArray[np.int64]:
    """Return column and row (nodes, 2) of all nodes, row by row."""
    row, column = np.mgrid[: layout.rows, : layout.columns]
    return np.column_stack([column.ravel(), row.ravel()]).astype(np.int64)


def list_design(layout: ChartLayout) -> Array:
    """Return the designed places of the nodes (nodes, 2), mm from the lattice's middle."""
    return np.asarray((list_nodes(layout) - [(layout.columns - 1) / 2, (layout.rows - 1) / 2]) * layout.pitch_mm)


def list_radii(layout: ChartLayout) -> Array:
    """Return the radius of each disc, mm."""
    return np.asarray(measure_disc_radii(list_nodes(layout), layout) * half_extent_mm(layout))


def find_known(centres: Sequence[ShotCentres], layout: ChartLayout) -> NDArray[np.bool_]:
    """Return which nodes are in enough shots, (nodes,). In small frames marks with a hole are in none.

    Raises
    ------
    Unmeasurable
        If a node other than a mark is in too few.
    """
    count = np.bincount(np.concatenate([each.node for each in centres]), minlength=layout.columns * layout.rows)
    known = count >= FEWEST_SIGHTINGS
    marks = {(mark.column, mark.row) for mark in layout.marks}
    lost = [(int(c), int(r)) for c, r in list_nodes(layout)[~known] if (c, r) not in marks]
    if lost:
        raise Unmeasurable(
            f"{len(lost)} discs (first: column {lost[0][0]}, row {lost[0][1]}) are in fewer than {FEWEST_SIGHTINGS} "
            "shots: shoot more, with the whole chart in the frame"
        )
    return np.asarray(known)


def keep_known(centres: ShotCentres, known: NDArray[np.bool_]) -> ShotCentres:
    """Return the discs of known nodes, with indices among these nodes."""
    kept = known[centres.node]
    index = np.cumsum(known) - 1
    return replace(centres, node=index[centres.node[kept]], place=centres.place[kept], u=centres.u[kept])


def fill_unknown(nodes: Array, known: NDArray[np.bool_], layout: ChartLayout) -> Array:
    """Return all nodes (nodes, 3), the unknown ones with the mean error of their nearest eight known neighbours."""
    design = np.column_stack([list_design(layout), np.zeros(len(known))])
    every = design.copy()
    every[known] = nodes
    error = nodes - design[known]
    for at in np.flatnonzero(~known):
        near = np.argsort(np.hypot(*(list_nodes(layout)[known] - list_nodes(layout)[at]).T), kind="stable")[:8]
        every[at] += error[near].mean(axis=0)
    return every


def measure_rms(values: Array, axes: tuple[int, ...], covariance: Array) -> tuple[float, float]:
    """Return the root mean square of some coordinates, without the part of their noise, and its standard uncertainty.

    Parameters
    ----------
    values
        (nodes, 3): 0 in the other axes.
    axes
        The coordinates that count.
    covariance
        (3 nodes, 3 nodes): of the values.
    """
    count = len(values) * len(axes)
    noise = float(np.sum(np.diag(covariance).reshape(-1, 3)[:, list(axes)])) / count
    square = float(np.sum(values**2)) / count
    slope = values.ravel() / (count * np.sqrt(square))
    return float(np.sqrt(max(square - noise, 0.0))), float(np.sqrt(slope @ covariance @ slope))


def find_equivalent_u(geometry: PrintGeometry, design: Array) -> float:
    """Return the size of independent node errors with the same effect on distortion as the true, correlated ones, mm.

    The effect is that on the radial displacement at `CORNER_HEIGHT`, in a frontal shot that is fitted as
    `measure_distortion` does.
    """
    distance = geometry.bundle.distance_mm
    frontal = replace(geometry.bundle, turns=np.eye(3)[None], shifts=np.array([[0.0, 0.0, distance]]))
    place = place_points(frontal, 0, geometry.nodes)
    model = fit_lattice(design, place, radial_terms=STAGE_TERMS, tangential=True)
    slope = differentiate_model(pack(model.plane, model.distortion), design, STAGE_TERMS)
    curve = np.zeros(slope.shape[1])
    curve[PLANE : PLANE + STAGE_TERMS] = CORNER_HEIGHT ** (2 * np.arange(1, STAGE_TERMS + 1) + 1)
    by_place = curve @ np.linalg.pinv(slope)
    by_node = np.einsum("ni,nij->nj", by_place.reshape(-1, 2), project_points(frontal, 0, geometry.nodes).by_point)
    effect = np.sqrt(by_node.ravel() @ geometry.nodes_covariance @ by_node.ravel())
    return float(effect / np.linalg.norm(by_place) * distance / geometry.bundle.lens[0])


def describe_print(
    geometry: PrintGeometry,
    known: NDArray[np.bool_],
    layout: ChartLayout,
    rule: RuleReading,
    frame: Frame,
    shots: Sequence[Shot],
    body: ShotBody | None,
    today: date,
) -> StepResult:
    """Return the step's constants, and the measured layout for the stages."""
    index = np.cumsum(known) - 1
    ends = tuple(int(index[row * layout.columns + column]) for column, row in (rule.from_, rule.to))
    nodes, scale_u = scale_nodes(geometry, (ends[0], ends[1]), rule.length_mm, rule.length_u_mm)
    movement = float(np.sqrt(np.mean(geometry.movement_mm**2))) if len(geometry.movement_mm) else 0.0
    design = list_design(layout)[known]
    columns = np.column_stack([design, np.ones(len(design))])
    affine = np.linalg.lstsq(columns, nodes[:, :2], rcond=None)[0]
    left = np.column_stack([nodes[:, :2] - columns @ affine, np.zeros(len(nodes))])
    wander, wander_u = measure_rms(left, (0, 1), geometry.nodes_covariance)
    heights = np.column_stack([np.zeros((len(nodes), 2)), nodes[:, 2]])
    bow, bow_u = measure_rms(heights, (2,), geometry.nodes_covariance)
    distortion, distortion_u = (float(each[0]) for each in list_distortion(geometry, np.array([CORNER_HEIGHT])))
    to_pct = 100 * frame.half_diagonal_px / frame.height_px
    findings = [
        StepValue(name="scale_across_frac", value=float(affine[0, 0]), u=scale_u, ceiling_u=0.001,
                meaning="width of the print over the designed one"),
        StepValue(name="scale_down_frac", value=float(affine[1, 1]), u=scale_u, ceiling_u=0.001,
                meaning="height of the print over the designed one"),
        StepValue(name="wander_mm", value=wander, u=wander_u, ceiling_u=0.00002 * layout.pitch_mm,
                meaning="rms distance of a node's coordinate from an evenly stretched lattice"),
        StepValue(name="bow_mm", value=bow, u=bow_u, ceiling_u=0.0001 * layout.pitch_mm,
                meaning="rms height of the nodes above their mean plane: bow and twist"),
        StepValue(name="distortion_pct", value=to_pct * distortion, u=to_pct * distortion_u, ceiling_u=0.005,
                meaning=f"radial displacement by the lens at {CORNER_HEIGHT:g} half-diagonals, % of height"),
    ]  # fmt: skip
    if len(geometry.movement_mm):
        findings.append(
            StepValue(
                name="movement_mm",
                value=movement,
                u=movement / np.sqrt(2 * len(nodes)),
                ceiling_u=0.0005 * layout.pitch_mm,
                meaning="standard deviation of a node from one mounting to another",
            )
        )
    measured = replace(
        layout,
        nodes_mm=tuple(
            (round(float(x), 5), round(float(y), 5), round(float(z), 5))
            for x, y, z in fill_unknown(nodes, known, layout)
        ),
        node_u_mm=float(f"{np.hypot(find_equivalent_u(geometry, design), movement):.3g}"),
    )
    day = find_day(shots, today)
    name = f"../charts/{layout.name}_measured.yaml"
    comment = f"Measured on {day} from {format_count(len(shots), 'shot')}."
    return StepResult(
        step="print",
        findings=tuple(findings),
        changes={("camera", "charts", 0, "layout"): name},
        files={name: write_layout(measured, (comment,)).encode()},
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=None,
        measured=day,
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        notes=describe_limits(geometry, int(np.sum(~known)), body),
    )


def describe_limits(geometry: PrintGeometry, filled: int, body: ShotBody | None) -> tuple[str, ...]:
    """Return what was not determined, and how well the shots agree."""
    place_u = float(np.sqrt(np.mean(geometry.nodes_u[:, :2] ** 2)))
    height_u = float(np.sqrt(np.mean(geometry.nodes_u[:, 2] ** 2)))
    notes = [
        f"scatter about the fit: {geometry.noise_ratio:.2f} of that expected from noise",
        f"places are known to {1000 * place_u:.2g} um and heights to {1000 * height_u:.2g} um (rms)",
        "not determined by the shots: the print's size (taken from the steel rule), its position and orientation",
    ]
    if filled:
        notes.append(f"{filled} marked nodes were not measured; they are placed between their neighbours")
    tilts = [float(np.degrees(np.arccos(min(1.0, abs(turn[2, 2]))))) for turn in geometry.bundle.turns]
    if max(tilts) < TILTED_DEG:
        notes.append(
            f"no shot is tilted by {TILTED_DEG:g} degrees: the print's bow and the lens's distortion are not separated"
        )
    if not len(geometry.movement_mm):
        notes.append(
            "one mounting: movement of the print when it is hung again was not measured, so repeat this step then"
        )
    if body is not None:
        notes.append(f"shot with body {body.model}; the print is valid for every body")
    return tuple(notes)
