"""Measure sharpness at one setting: as shot, and at the best focus of a series."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, TypeVar

from pydantic import Field

from glasswright import stage
from glasswright_camera.edges.trace import Trace
from glasswright_camera.print_edge import CAVEAT, note_print_blur
from glasswright_camera.sharpness.best_focus import read_best_focus
from glasswright_camera.sharpness.ceiling import flag_impossible
from glasswright_camera.sharpness.reading import read_as_shot
from glasswright_camera.sharpness.result import BestFocus, Sharpness
from glasswright_camera.sharpness.table import list_values
from glasswright_camera.stand import Stand

Found = TypeVar("Found", Sharpness, BestFocus)
LeastDiscs = Annotated[int, Field(ge=1, le=99)]


@stage
def measure_mtf50(traces: tuple[Trace, ...], stand: Stand, *, least_zone_discs_count: LeastDiscs = 1) -> Sharpness:
    """Measure MTF50 as shot, by colour plane, field zone and direction, with its uncertainty.

    MTF50 is the frequency at which the MTF of the system, lens and pixel, normalised by the full step of the edge,
    first falls to one half. It is ISO 12233's quantity, measured at circular edges, for lines along the image radius
    and at right angles to it. Each zone is evaluated at a stated place of the field, wherever the chart's discs lie.

    Parameters
    ----------
    traces
        The chart shots of the setting. Their scatter enters the uncertainty from five shots on.
    stand
        For the zones and the pixel pitch.
    least_zone_discs_count
        A zone with fewer measured discs is NaN.

    Returns
    -------
    Sharpness
        Caveat `single_focus`: a lens out of focus looks like a soft one; `measure_best_focus` distinguishes them.
        Caveat `above_diffraction_limit` where a value exceeds the limit of diffraction and pixel by more than three of
        its standard uncertainties: the measurement is wrong. Caveat `print_blur_unknown` where ink may lower the
        sharpest value by more than 15 % and the chart's layout has no `edge_blur_um`. Caveat `wide_halo` where there is
        light far from the edges (haze, spherical aberration, scatter); the uncertainty of MTF50 is larger then. Caveat
        `halo_unseen` where the discs are too small for their blur to show it.
    """
    found = flag_impossible(read_as_shot(traces, stand, least_zone_discs_count), traces[0].setting, stand)
    return _flag_print(found, stand)


@stage
def measure_best_focus(series: tuple[Trace, ...], stand: Stand, *, least_zone_discs_count: LeastDiscs = 1) -> BestFocus:
    """Measure MTF50 at the centre's best focus, and the best focus of every zone and disc, from a focus series.

    The through-focus curve of a round pupil is fitted to 1/MTF50^2 over the steps. All zones are evaluated at the focus
    where the centre's curve peaks.

    Parameters
    ----------
    series
        Traces of a focus series of five steps or more, in the order of the files; a missing step leaves a gap. An odd
        step is noted and left out as long as five remain.
    stand
        For the zones, the pixel pitch and the focus step's size.
    least_zone_discs_count
        A zone with fewer measured discs is NaN.

    Returns
    -------
    BestFocus
        Caveat `odd_focus_step` where five steps disagree, `coarse_focus_steps` where they are so far apart that
        aberrations between them may not show, `unlike_edges` where edges near focus are unlike any lens's blur;
        `above_diffraction_limit` and `print_blur_unknown` as for `measure_mtf50`.

    Raises
    ------
    Unmeasurable
        Fewer than five steps, or best focus lies outside the series (the message says on which side).
    """
    found = flag_impossible(read_best_focus(series, stand, least_zone_discs_count), series[0].setting, stand)
    return _flag_print(found, stand)


def _flag_print(found: Found, stand: Stand) -> Found:
    """Add the caveat and a note where the print's own blur may lower MTF50 too much."""
    note = note_print_blur(stand, found.chart, found.magnification_frac, list_values(found))
    return replace(found, caveats=(*found.caveats, CAVEAT), notes=(*found.notes, note)) if note else found
