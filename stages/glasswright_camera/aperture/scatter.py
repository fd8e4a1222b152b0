"""Scatter of the aperture between shots of one f-number."""

from __future__ import annotations

from math import log2

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.aperture.light_level import LightLevel, refuse_untimed
from glasswright_camera.aperture.result import ApertureScatter
from glasswright_camera.aperture.stage import find_deviation, scatter_u


@stage
def measure_aperture_scatter(flats: tuple[LightLevel, ...]) -> ApertureScatter:
    """Measure the scatter of light over exposure time between shots of the diffuse source at one setting.

    The blades close anew for each shot. Wide open no blade moves, and the scatter is that of lamps and shutter.

    Parameters
    ----------
    flats
        Light in the middle of each shot. Three are needed for a scatter, since that of two is known within a factor of
        16 only (95 %, chi-square); plans require them by `at_least`.

    Raises
    ------
    Unmeasurable
        With one shot, or if an exposure time is missing.
    """
    if len(flats) < 2:
        raise Unmeasurable("one flat shot shows no scatter: shoot three at each f-number that is stopped down")
    refuse_untimed(flats)
    levels = np.array([log2(flat.light_frac / (flat.exposure_time_s or 1.0)) for flat in flats])
    freedom = len(flats) - 1
    scatter = find_deviation(float(((levels - levels.mean()) ** 2).sum()), freedom)
    return ApertureScatter(
        aperture_scatter_ev=scatter, aperture_scatter_ev_u=scatter_u(scatter, freedom), shot_count=len(flats)
    )
