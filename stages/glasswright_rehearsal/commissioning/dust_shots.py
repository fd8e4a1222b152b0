"""Flats of several lenses on a body with a dusty sensor."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.render import Scene, render_frame
from glasswright_rehearsal.scene.lens import Falloff, Lens
from glasswright_rehearsal.scene.light import Dust
from glasswright_rehearsal.scene.sensor import mosaic_sensor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_rehearsal.commissioning.bench import NewBench

SENSOR_DUST_UM = 1000.0
"""Distance of dust on the cover glass from the sensor, along the light."""
PUPILS_MM = (45.0, 60.0, 80.0)
"""Distance of each lens's exit pupil from the sensor; the shadows' places depend on it."""


def write_dust_shots(bench: NewBench, motes: int = 5, body: Sequence[Dust] = ()) -> None:
    """Write two flats at f/16 through each of three lenses with different dust, and the true values.

    Parameters
    ----------
    bench
        The stand.
    motes
        Number of motes on the sensor, drawn at random.
    body
        The motes on the sensor; empty: they are drawn.
    """
    frame, generator, sensor = bench.frame, bench.draw(7), mosaic_sensor("RGGB")
    margin = 0.08
    places = [generator.uniform(margin, 1 - margin, 2) for _ in range(motes)]
    widths = generator.uniform(20, 35, motes)
    if body:
        places = [np.array([mote.x_px / frame.width_px, mote.y_px / frame.height_px]) for mote in body]
        widths = np.array([mote.diameter_um for mote in body])
    middle = np.array([0.5, 0.5])
    shot = 0
    for lens, pupil_mm in enumerate(PUPILS_MM):
        # a shadow is farther out, by the mote's distance over the pupil's
        outwards = 1 + SENSOR_DUST_UM / 1000 / pupil_mm
        dust = [
            _mote(bench, middle + (place - middle) * outwards, width, SENSOR_DUST_UM)
            for place, width in zip(places, widths, strict=True)
        ]
        dust.append(_mote(bench, generator.uniform(0.2, 0.8, 2), 400.0, 20_000.0))
        scene = Scene(
            frame=frame,
            lens=Lens(f_number=16.0, falloff=Falloff(corner_ev=0.3 + 0.1 * lens)),
            sensor=sensor,
            dust=tuple(dust),
        )
        for repeat in range(2):
            values = render_frame(scene, np.random.SeedSequence([bench.seed, 7, shot]))
            exif = Exif(exposure_s=Fraction(1, 2), f_number=16.0, date=f"2026:03:02 17:{shot:02d}:00")
            bench.write_shot(f"dust/lens_{lens + 1}/{repeat}", values, sensor, exif)
            shot += 1
    bench.write_truth("dust", {"places": [place.round(6).tolist() for place in places]})


def _mote(bench: NewBench, place: np.ndarray[tuple[int], np.dtype[np.float64]], width: float, distance: float) -> Dust:
    return Dust(
        x_px=float(place[0] * bench.frame.width_px),
        y_px=float(place[1] * bench.frame.height_px),
        diameter_um=float(width),
        distance_um=distance,
    )
