"""Photographs that others took of a printed lattice with two cameras: what is found and measured on them.

scikit-surgeryimage, tests/data/calib-ucl-circles/10_54_44 (BSD, University College London 2018): 1920 x 1080, RGB, 8
bits, tilted and partly out of the frame. They are no part of this project: the environment variable
GLASSWRIGHT_REAL_FILES names the folder that holds them in `dots`. Their transfer curve is not known; sRGB is a guess.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from glasswright import CaptureFacts
from glasswright.config import read_config
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.raw.image import read_image
from glasswright_camera.stand import ChartLayout, ChartUse, Sensor, Stand

FOLDER = Path(os.environ.get("GLASSWRIGHT_REAL_FILES", "")) / "dots"
PHOTOGRAPHS = [f"{side}.{number}" for side in ("left", "right") for number in range(5)]
pytestmark = pytest.mark.skipif(
    not os.environ.get("GLASSWRIGHT_REAL_FILES") or not FOLDER.is_dir(),
    reason="GLASSWRIGHT_REAL_FILES names no folder with `dots` in it",
)
LARGE = {(8, 5), (16, 5), (8, 12), (16, 12)}


@cache
def make_stand() -> Stand:
    layout = read_config(Path(__file__).with_name("dots_25x18.yaml"), ChartLayout)
    return Stand(sensor=Sensor(pixel_pitch_um=3.0, transfer="srgb"), charts=(ChartUse(layout=layout),))


@cache
def load(name: str) -> Mosaic:
    frame = read_image(str(FOLDER / f"{name}.png"), transfer="srgb")
    return Mosaic(
        values=frame.values,
        pattern=np.arange(3).reshape(3, 1, 1),
        planes=frame.planes,
        black_dn=np.zeros((3, 1, 1)),
        white_dn=65535.0,
        facts=CaptureFacts(),
        role="chart",
        shot=f"chart/{name}.png",
    )


@cache
def locate(name: str):
    return locate_chart(load(name), make_stand())


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_the_lattice_is_found_with_its_four_large_dots(name):
    fit = locate(name)
    assert {tuple(node) for node in fit.node[fit.is_mark].tolist()} == LARGE
    assert fit.disc_count > 320
    assert abs(fit.rotation_deg) < 10
