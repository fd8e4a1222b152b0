"""The drawing of a sweep has every point in its place, and the ceiling above them."""

import math
import re
import xml.etree.ElementTree as ET

import pytest

from glasswright_camera.sweep.drawing import draw_sweep
from support.sweeps import PRIME, sharp, sweep

SVG = "{http://www.w3.org/2000/svg}"


def dots(picture, kind):
    """Return (x, y) of every point of a kind."""
    root = ET.fromstring(picture.svg)
    found = [each for each in root.iter(f"{SVG}circle") if each.get("class") == f"fill {kind}"]
    return [(float(each.get("cx")), float(each.get("cy"))) for each in found]


def test_sharper_settings_are_higher_and_stops_equidistant():
    (picture,) = draw_sweep(sweep(*PRIME))
    assert picture.title == "Sharpness over the f-number at 50 mm"
    (x2, y2), (x4, y4), (x8, y8) = dots(picture, "one")
    assert x4 - x2 == pytest.approx(x8 - x4, abs=0.2)
    # centre: 0.30, 0.36, 0.33; y runs down
    assert y4 < y8 < y2
    assert (y2 - y4) / (y8 - y4) == pytest.approx((0.36 - 0.30) / (0.36 - 0.33), rel=0.02)
    assert len(dots(picture, "two")) == len(dots(picture, "three")) == 3
    tips = [each.text for each in ET.fromstring(picture.svg).iter(f"{SVG}title")]
    assert "centre, f/4: 0.3600 ± 0.0020 cycles/pixel" in tips


def test_the_ceiling_is_drawn_above_all_points():
    (picture,) = draw_sweep(sweep(*PRIME))
    lines = [
        each.get("d") for each in ET.fromstring(picture.svg).iter(f"{SVG}path") if each.get("class") == "line four"
    ]
    (ceiling,) = [[float(y) for _, y in re.findall(r"([\d.]+) ([\d.]+)", each)] for each in lines]
    assert len(ceiling) == 3
    assert all(top < y for top, (_, y) in zip(ceiling, dots(picture, "one"), strict=True))


def test_a_zoom_has_a_drawing_for_each_focal_length_and_one_f_number_has_none():
    zoom = [sharp(f, 0.3, 0.2, focal) for focal in (24, 70) for f in (4.0, 8.0)]
    assert [each.title[-8:] for each in draw_sweep(sweep(*zoom))] == ["at 24 mm", "at 70 mm"]
    assert draw_sweep(sweep(PRIME[0])) == []


def test_what_was_not_measured_leaves_a_gap():
    (picture,) = draw_sweep(sweep(PRIME[0], sharp(4.0, 0.36, math.nan), PRIME[2]))
    assert len(dots(picture, "one")) == 3
    assert len(dots(picture, "two")) == 2
    assert "nan" not in picture.svg.lower()
