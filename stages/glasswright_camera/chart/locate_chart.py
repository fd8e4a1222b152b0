"""The stage that finds the chart in a frame."""

from __future__ import annotations

from functools import cache, partial
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.blobs import DARK_SHARES
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.chart.lattice import LatticeNotFound, find_lattice
from glasswright_camera.chart.model import Frame
from glasswright_camera.chart.report import Limits, place_nodes, report_chart
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.roles.recognise import describe_other
from glasswright_camera.roles.shaken import MOVED_TOO_FAR, SHAKEN_ROLES
from glasswright_camera.small_frame import shrink_mosaic
from glasswright_camera.stand import ChartLayout, Fraction, Stand

if TYPE_CHECKING:
    from collections.abc import Iterable

DISC_SMALL_PX = 16.0
"""Diameter of a disc on the small frame if the chart fills the frame; half of it is still measured well."""
SCALES = (1.0, 0.5, 2.0, 0.25, 0.125)
"""Sizes of the chart relative to one that fills the frame, in the order they are tried."""
MOST_OF_TILE = 0.6
"""Largest diameter of a mark over the tile's side, so that a third of the tile or more is paper."""
COMPLETE = 0.85
"""Share of the nodes in the frame that must be found for no other scale to be tried."""


@stage
def locate_chart(
    mosaic: Mosaic,
    stand: Stand,
    *,
    discs_min_count: Annotated[int, Field(ge=15)] = 20,
    paper_min_frac: Fraction = 0.02,
    contrast_min_frac: Fraction = 0.25,
    soiled_max_frac: Fraction = 0.35,
) -> ChartFit:
    """Find the chart in a frame: each disc's node, centre (to a third of a pixel) and radius (to half a pixel).

    The frame is averaged to a small grey one, dark round blobs are labelled on it, a lattice is walked from disc to
    disc, and the marks identify the nodes. Discs cut by the frame, on clipped or too dark paper, or with something on
    or beside them are left out, counted, and named in the notes.

    Parameters
    ----------
    mosaic
        The chart shot. Its focal length selects among the stand's charts.
    stand
        For the charts and the pixel pitch.
    discs_min_count
        Fewest good discs.
    paper_min_frac
        Least light of the paper around a disc, of white.
    contrast_min_frac
        Least contrast of a disc, paper less dark over paper.
    soiled_max_frac
        Largest share of the paper just around a disc that may be covered by something else.

    Raises
    ------
    Unmeasurable
        If there is no chart, another chart, one that is mirrored or without marks, or too few discs; the message
        describes what was found.
    """
    limits = Limits(discs=discs_min_count, paper=paper_min_frac, contrast=contrast_min_frac, soiled=soiled_max_frac)
    reason: Unmeasurable | None = None
    for layout in choose_layouts(mosaic, stand):
        try:
            return locate_layout(mosaic, layout, stand.sensor.pixel_pitch_um, limits)
        except Unmeasurable as failure:
            reason = reason or failure
    assert reason is not None  # a stand has at least one chart, and choose_layouts gives at least one
    ramps = [use.layout.as_lattice() for use in stand.ramps]
    raise name_other(
        reason, mosaic, ramps, "the ramp: if it is, move it to `ramp/`", stand.sensor.pixel_pitch_um, limits
    )


def name_other(
    reason: Unmeasurable,
    mosaic: Mosaic,
    others: Iterable[ChartLayout],
    others_text: str,
    pixel_pitch_um: float,
    limits: Limits,
) -> Unmeasurable:
    """Return the reason why a layout was not found, with what the frame shows instead.

    Parameters
    ----------
    others, others_text
        Layouts of another role, and the text for a frame that shows one of them.
    """
    for layout in others:
        try:
            locate_layout(mosaic, layout, pixel_pitch_um, limits)
        except Unmeasurable:
            continue
        return Unmeasurable(f"{reason}; it looks like {others_text}")
    likely = ""
    if mosaic.role in SHAKEN_ROLES:
        likely = MOVED_TOO_FAR
    elif isinstance(reason, LatticeNotFound) and not reason.nodes:
        likely = "is the chart in the frame, lit and in focus?"
    additions = [part for part in (likely, describe_other(mosaic)) if part]
    return Unmeasurable("; ".join([str(reason), *additions])) if additions else reason


def choose_layouts(mosaic: Mosaic, stand: Stand) -> tuple[ChartLayout, ...]:
    """Return the stand's charts for a shot's focal length and focus distance, as far as they are known.

    Raises
    ------
    Unmeasurable
        If there is none.
    """
    setting = mosaic.setting
    known = {
        name: value
        for name, value in (
            ("focal_length_mm", setting.focal_length_mm if setting else None),
            ("focus_distance_m", setting.focus_distance_m if setting else None),
        )
        if value is not None
    }
    layouts = tuple(
        use.layout
        for use in stand.charts
        if all(getattr(use, name)[0] <= value <= getattr(use, name)[1] for name, value in known.items())
    )
    if layouts:
        return layouts
    units = {"focal_length_mm": "mm", "focus_distance_m": "m"}
    hung = "; ".join(
        f"{use.layout.name} for "
        + ", ".join(f"{getattr(use, name)[0]:g} to {getattr(use, name)[1]:g} {units[name]}" for name in known)
        for use in stand.charts
    )
    where = " at ".join(f"{value:g} {units[name]}" for name, value in known.items())
    raise Unmeasurable(f"no chart of the stand is hung for {where} ({hung}); add one to the stand file's charts")


def locate_layout(mosaic: Mosaic, layout: ChartLayout, pixel_pitch_um: float, limits: Limits) -> ChartFit:
    """Return the fit of a layout, from the first scale at which nearly the whole chart is found, or from the best."""
    best: ChartFit | None = None
    reason, most = Unmeasurable(f"{layout.name} was not found"), -1
    frame = Frame(width_px=mosaic.values.shape[2], height_px=mosaic.values.shape[1])
    tile = round(DISC_SMALL_PX * choose_tile_mm(layout) / layout.disc_diameter_mm)
    shrink = cache(partial(shrink_mosaic, mosaic))
    # a faint print is tried last, as most things a little darker than paper are no discs
    for share in DARK_SHARES:
        for block in list_blocks(frame, layout):
            small = shrink(block)
            try:
                found = find_lattice(small, layout, tile, share)
                placed = place_nodes(found, small, layout, frame)
            except Unmeasurable as failure:
                nodes = failure.nodes if isinstance(failure, LatticeNotFound) else len(found.node)
                if nodes > most:
                    reason, most = failure, nodes
                continue
            fit = report_chart(mosaic, layout, pixel_pitch_um, found, placed, small, limits)
            if best is None or fit.disc_count > best.disc_count:
                best = fit
            if placed.share_found >= COMPLETE:
                break
        if best is not None and best.disc_count >= limits.discs:
            return best
    if best is None:
        raise reason
    wanted = f"only {best.disc_count} good discs of {layout.name} were found, at least {limits.discs} are needed"
    raise Unmeasurable("; ".join([wanted, *best.notes]))


def choose_tile_mm(layout: ChartLayout) -> float:
    """Return the side, mm, of the squares whose paper level is estimated: a pitch, or more for very large marks."""
    return max(layout.pitch_mm, layout.large_diameter_mm / MOST_OF_TILE if layout.has_large_marks else 0.0)


def list_blocks(frame: Frame, layout: ChartLayout) -> tuple[int, ...]:
    """Return the block sizes to try: the likely size of the chart first, each block once."""
    pitch = min(frame.width_px / layout.columns, frame.height_px / layout.rows)
    disc = pitch * layout.disc_diameter_mm / layout.pitch_mm
    return tuple(dict.fromkeys(max(int(disc * scale / DISC_SMALL_PX), 1) for scale in SCALES))
