"""Invented settings for tests of sweeps."""

import math

from glasswright import Setting
from glasswright_camera import measure_sweep
from glasswright_camera.sharpness.result import PlaneSharpness, Sharpness, ZoneSharpness
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, Stand

LAYOUT = ChartLayout(
    name="lattice",
    columns=13,
    rows=9,
    pitch_mm=100,
    disc_diameter_mm=40,
    marks=tuple(Mark(column=c, row=r, kind="ring") for c, r in ((0, 0), (2, 0), (0, 1))),
    ring_hole_diameter_mm=10,
    large_diameter_mm=50,
    contrast_ratio=10,
)


def stand(pitch_um=6.0, monochrome=False):
    return Stand(sensor=Sensor(pixel_pitch_um=pitch_um, monochrome=monochrome), charts=(ChartUse(layout=LAYOUT),))


def zone(value, u=0.001, sagittal=None):
    side = value if sagittal is None else sagittal
    other = 2 * value - side
    return ZoneSharpness(
        sagittal_cy_per_px=side,
        sagittal_cy_per_px_u=u,
        tangential_cy_per_px=other,
        tangential_cy_per_px_u=u,
        mean_cy_per_px=value,
        mean_cy_per_px_u=u,
        mean_lp_per_mm=value * 1000 / 6,
        mean_lp_per_mm_u=u * 1000 / 6,
        direction_difference_frac=0.0,
        direction_difference_frac_u=0.0,
        ceiling_ratio=math.nan,
        ceiling_ratio_u=math.nan,
        height_frac=0.0,
        disc_count=3,
    )


def plane(centre, corner, u=0.001, **zones):
    corners = dict.fromkeys(("upper_left", "upper_right", "lower_left", "lower_right"), zone(corner, u))
    return PlaneSharpness(
        **{"centre": zone(centre, u), "mid": zone((centre + corner) / 2, u), **corners, **zones},
        worst_cy_per_px=min(centre, corner),
        worst_cy_per_px_u=u,
        corner_mean_cy_per_px=corner,
        corner_mean_cy_per_px_u=u,
        corner_imbalance_frac=0.0,
        corner_imbalance_frac_u=0.0,
    )


NOTHING = plane(math.nan, math.nan, math.nan)


def sharp(f_number, centre, corner, focal=50.0, u=0.001, red=NOTHING, blue=NOTHING, green=None):
    return Sharpness(
        setting=Setting(focal_length_mm=focal, f_number=f_number),
        red=red,
        green=green or plane(centre, corner, u),
        blue=blue,
        chart="lattice",
        magnification_frac=0.02,
        fill_frac=0.89,
        far_light_frac=0.0,
        far_light_frac_u=1e-4,
        shot_count=1,
    )


PRIME = (sharp(2.0, 0.30, 0.20), sharp(4.0, 0.36, 0.28), sharp(8.0, 0.33, 0.32))


def sweep(*settings, falloff=None, **others):
    return measure_sweep(settings, falloff, others.pop("stand", stand()), **{"shot_scatter_frac": 0.0, **others})
