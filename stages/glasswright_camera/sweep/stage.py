"""The stage that compares a lens's f-numbers and focal lengths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from glasswright import stage
from glasswright_camera.sharpness.ceiling import BEYOND_U, CAVEAT, SHORTEST_UM, compare_with_ceiling, lay_ceiling
from glasswright_camera.sharpness.result import Sharpness
from glasswright_camera.sharpness.table import REGIONS, lay_table
from glasswright_camera.stand import Stand
from glasswright_camera.sweep.reading import (
    find_series,
    format_sharpest,
    read_falloff,
    read_region,
)
from glasswright_camera.sweep.result import Sweep
from glasswright_camera.vignetting.stage import Falloff

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.sharpness.table import Table

Wavelength = Annotated[float, Field(ge=0.3, le=1.2)]


@stage
def measure_sweep(
    sharpness: tuple[Sharpness, ...],
    falloff: tuple[Falloff, ...] | None,
    stand: Stand,
    *,
    shot_scatter_frac: Annotated[float, Field(ge=0, le=0.2)] = 0.005,
    beyond_u_ratio: Annotated[float, Field(ge=2, le=10)] = BEYOND_U,
    shortest_red_um: Wavelength = SHORTEST_UM[0],
    shortest_green_um: Wavelength = SHORTEST_UM[1],
    shortest_blue_um: Wavelength = SHORTEST_UM[2],
) -> Sweep:
    """Measure sharpness and corner light against f-number and focal length, with the ceiling of diffraction.

    Centre, corners and whole field each have a sharpest f-number; f-numbers whose sharpness differs by no more than
    twice the standard uncertainty of the difference are tied with it. The ceiling is the MTF50 of a perfect lens with
    the pixel, at a plane's shortest wavelength: nothing sharper can be imaged.

    Parameters
    ----------
    sharpness
        Of every setting.
    falloff
        Of every setting; None where no flats were shot.
    stand
        For the pixel pitch.
    shot_scatter_frac
        Relative scatter of sharpness from shot to shot (focus, vibration) beyond its own uncertainty. The default is
        common practice, no source.
    beyond_u_ratio
        Standard uncertainties above its ceiling from which on a value is a fault of the measurement.
    shortest_red_um
        Shortest wavelength of the red plane. Defaults are those of common colour filters (common practice, no source).
    shortest_green_um
        Likewise for green.
    shortest_blue_um
        Likewise for blue, and for a sensor without colour filters.

    Returns
    -------
    Sweep
        Caveat `above_diffraction_limit` and a note where a value lies significantly above its ceiling.

    Raises
    ------
    Unmeasurable
        Where a setting has no f-number.
    """
    table = lay_table(sharpness, falloff or ())
    shortest = (shortest_red_um, shortest_green_um, shortest_blue_um)
    ceiling = lay_ceiling(table, stand, shortest)
    nearness = compare_with_ceiling(table, ceiling, beyond_u_ratio)
    focal_lengths = int(table.series.max()) + 1
    series = [find_series(table, region, shot_scatter_frac) for region in range(len(REGIONS))]
    centre, corner, whole = (read_region(each, len(each) == focal_lengths) for each in series)
    gone, gone_u = read_falloff(table)
    return Sweep(
        centre=centre,
        corner=corner,
        whole=whole,
        aperture_falloff_ev=gone,
        aperture_falloff_ev_u=gone_u,
        ceiling_ratio=nearness.ratio,
        ceiling_ratio_u=nearness.ratio_u,
        ceiling_where=nearness.where,
        focal_length_count=focal_lengths,
        setting_count=len(table.settings),
        focal_length_mm=table.focal_length_mm,
        f_number=table.f_number,
        sharpness=table.sharpness,
        sharpness_u=table.sharpness_u,
        ceiling=ceiling,
        highest=find_highest(table),
        corner_loss=table.corner_loss,
        corner_loss_u=table.corner_loss_u,
        caveats=(CAVEAT,) if nearness.faults else (),
        notes=(
            *nearness.faults,
            *(line for name, each in zip(REGIONS, series, strict=True) for line in format_sharpest(name, each)),
            *_format_left_out(table, [len(each) for each in series], focal_lengths),
        ),
    )


def find_highest(table: Table) -> NDArray[np.float64]:
    """Return the highest MTF50 of each setting and plane, NaN where none was measured: (settings, planes)."""
    found = np.where(np.isfinite(table.detail), table.detail, -np.inf).max(axis=(2, 3))
    return np.where(np.isfinite(found), found, np.nan)


def _format_left_out(table: Table, counts: list[int], focal_lengths: int) -> tuple[str, ...]:
    """Return notes on the parts of the field without a result."""
    notes = [
        f"{region} was not measured at every setting, so its sharpest setting is not known"
        for region, count in zip(REGIONS, counts, strict=True)
        if count < focal_lengths
    ]
    if len(set(table.f_number.tolist())) < 2:
        notes.append("only one f-number was shot, so there is no sharpest")
    return tuple(notes)
