"""Measure colour fringing at one setting."""

from __future__ import annotations

from glasswright import NotApplicable, Unmeasurable, format_count, stage
from glasswright_camera.edges.repeats import mean_with_scatter, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.fringing.reading import displacement, displacement_u, fringe_width
from glasswright_camera.fringing.result import Fringing
from glasswright_camera.monochrome import NO_COLOURS, is_monochrome
from glasswright_camera.stand import Stand


@stage
def measure_fringing(traces: tuple[Trace, ...], stand: Stand) -> Fringing:
    """Measure the displacement of red and blue disc centres from green ones, and the width of the fringe at edges.

    Definitions follow ISO 19084 (chromatic displacement and its radial part from a chart of dots). Each disc's centre
    is that of its fitted edge in one plane, at the undemosaiced pixels, so colour interpolation has no effect.

    Parameters
    ----------
    traces
        The chart shots of the setting, averaged disc by disc.
    stand
        For the corner zones and the pixel pitch.

    Returns
    -------
    Fringing
        It is poor for asymmetric blur (coma), where the centre depends on its definition.

    Raises
    ------
    NotApplicable
        The sensor has no colour filters.
    Unmeasurable
        No disc is in all shots.
    """
    planes = traces[0].planes
    if all(is_monochrome(trace.planes) for trace in traces):
        raise NotApplicable(NO_COLOURS)
    if not {"red", "green", "blue"} <= set(planes):
        raise Unmeasurable(f"fringing needs red, green and blue planes; this sensor has {' '.join(planes)}")
    green = planes.index("green")
    found = {}
    counts = []
    for name in ("red", "blue"):
        repeats = shared_discs(traces, [name, "green"], "place")
        if not len(repeats.node):
            raise Unmeasurable(
                f"no disc has a place in {name} and in green in all of {format_count(len(traces), 'shot')}"
            )
        plane = planes.index(name)
        centre = repeats.stack(lambda trace: trace.centre_px)
        shift, shift_u = mean_with_scatter(centre[:, plane] - centre[:, green], displacement_u(repeats, plane, green))
        found[name] = displacement(shift, shift_u, centre[:, green].mean(axis=0), traces[0], stand)
        counts.append(len(repeats.node))
    repeats = shared_discs(traces, need="place")
    fringe, fringe_u = fringe_width(repeats, repeats.stack(lambda trace: trace.centre_px).mean(axis=0), stand)
    return Fringing(
        red_green=found["red"],
        blue_green=found["blue"],
        worst_red_green_px=found["red"].worst_px,
        worst_red_green_px_u=found["red"].worst_px_u,
        worst_blue_green_px=found["blue"].worst_px,
        worst_blue_green_px_u=found["blue"].worst_px_u,
        corner_fringe_px=fringe,
        corner_fringe_px_u=fringe_u,
        disc_count=min(counts),
        shot_count=len(traces),
    )
