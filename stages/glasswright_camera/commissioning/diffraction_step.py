"""Step `diffraction`: compare the MTF50 of a stopped-down lens with the limit set by diffraction and pixel.

No lens exceeds this limit, and a good lens reaches it at small apertures.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.raw.stage import decode_raw
from glasswright_camera.sharpness.ceiling import SHORTEST_UM, find_ceiling
from glasswright_camera.sharpness.stage import measure_mtf50

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from glasswright import Shot
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

RESTS: Final = ("measure_mtf50.*",)
HOLDS_DAYS: Final = 365
GREEN_UM: Final = 0.54
"""Effective wavelength of the green plane."""
FROM_F_NUMBER: Final = 10.5
"""f/11, and whatever a body rounds to it."""
BEYOND_U: Final = 3.0
"""Standard uncertainties by which the possible must be exceeded: one in 700 by chance."""


def commission_diffraction(folder: Path, stand: Stand, today: date) -> StepResult:
    """Compare the MTF50 in the centre at f/11 to f/22 with diffraction times pixel.

    Parameters
    ----------
    folder
        Contains `chart`: two shots or more at each f-number.
    stand
        Its print and sensor are used.
    today
        Used as the day of the shots if no file has a date.

    Raises
    ------
    Unmeasurable
        Where nothing was shot at f/11 or beyond.
    """
    shots = list_shots(folder / "chart", "chart")
    refuse_copies(shots)
    by_stop: dict[float, list[Shot]] = defaultdict(list)
    for shot in shots:
        if shot.facts.f_number is not None and shot.facts.f_number >= FROM_F_NUMBER:
            by_stop[shot.facts.f_number].append(shot)
    if not by_stop:
        raise Unmeasurable(f"no shot of {folder / 'chart'} is at f/11 or beyond: stop down, and shoot the chart there")
    findings, notes = [], []
    for f_number, members in sorted(by_stop.items()):
        traces = tuple(trace_shot(shot, stand) for shot in members)
        finding, note = compare_middle(traces, f_number, stand)
        findings.append(finding)
        notes += note
    return StepResult(
        step="diffraction",
        findings=tuple(findings),
        changes={},
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=find_body(shots),
        measured=find_day(shots, today),
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        notes=(*notes, "a ratio below one comes from the print's softness, focus and the lens: it is no verdict"),
    )


def trace_shot(shot: Shot, stand: Stand) -> Trace:
    """Trace the discs of one shot."""
    mosaic = decode_raw(shot, stand)
    mosaic = replace(mosaic, setting=shot.setting)
    return replace(trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, None), setting=shot.setting)


def compare_middle(traces: tuple[Trace, ...], f_number: float, stand: Stand) -> tuple[StepValue, list[str]]:
    """Return MTF50 of the centre zone over that of a perfect lens at its working f-number, and notes.

    A note reports an MTF50 above the physical limit.
    """
    found = measure_mtf50(tuple(replace(trace, caveats=()) for trace in traces), stand).green.centre
    value, u = found.mean_cy_per_px, found.mean_cy_per_px_u
    if not np.isfinite(value):
        raise Unmeasurable(f"nothing was measured in the middle at f/{f_number:g}: does the chart fill the frame?")
    pitch = stand.sensor.pixel_pitch_um
    working = f_number * (1 + traces[0].magnification_frac)
    perfect = find_ceiling(working, GREEN_UM, pitch)
    most = find_ceiling(f_number, SHORTEST_UM[2 if stand.sensor.monochrome else 1], pitch)
    notes = []
    if value - BEYOND_U * u > most:
        notes.append(
            f"f/{f_number:g}: {value:.4f} cycles/pixel is above {most:.4f}, the limit by diffraction and pixel: "
            "the files are sharpened, the pixel pitch is wrong, or the aperture did not close"
        )
    name = f"middle_f{f_number:g}_ratio".replace(".", "_")
    finding = StepValue(
        name=name, value=value / perfect, u=u / perfect, ceiling_u=0.02,
        meaning=f"MTF50 in the middle at f/{f_number:g} over that of a perfect lens in green light",
    )  # fmt: skip
    return finding, notes
