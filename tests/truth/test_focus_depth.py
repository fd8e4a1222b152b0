"""Depth of focus against handbook figures, and a worked chain from a ramp to the sensor."""

import pytest

from glasswright_camera.focus.depth import (
    axial_mm,
    axial_sensitivity,
    board_mm,
    depth_of_focus_um,
    sensor_shift_um,
)


@pytest.mark.parametrize(
    ("focal", "number", "distance", "depth_um", "shift_um"),
    [
        (50, 1.8, 1250, 112.5, 17.4),
        (50, 1.4, 2500, 85.7, 4.2),
        (85, 1.4, 2000, 87.7, 19.7),
        (100, 2.8, 3000, 173.8, 11.9),
        (200, 2.8, 5000, 175.0, 17.4),
        (35, 2.0, 1750, 122.4, 4.2),
    ],
)
def test_depths_of_focus_and_shifts_at_the_sensor(focal, number, distance, depth_um, shift_um):
    # circle of confusion 0.03 mm; formulas of any handbook of photography (from memory), figures computed from them:
    # total depth of focus 2 N c (1 + m), and m^2 z at the sensor for a small shift z
    m = focal / (distance - focal)
    assert 2 * depth_of_focus_um(number, 30, m) == pytest.approx(depth_um, abs=0.1)
    assert 1000 * sensor_shift_um(0.01, focal, m) == pytest.approx(shift_um, abs=0.05)


def test_worked_chain_from_the_ruler_to_the_sensor():
    # 50 mm f/1.8 at 1.25 m, best focus 6 mm along a 45-degree ruler behind the mark: 4.243 mm along the axis, 7.37 um
    # at the sensor, 13.1 % of N c (1 + m)
    m = 50 / 1200
    axial = axial_mm(6.0, 45.0)
    assert axial == pytest.approx(4.243, abs=5e-4)
    shift = sensor_shift_um(axial, 50, m)
    # the chain's figure is m^2 z; the image of the shift itself is less by z m / f
    small = shift * (1 + axial * m / 50)
    assert small == pytest.approx(7.37, abs=0.005)
    assert small / depth_of_focus_um(1.8, 30, m) == pytest.approx(0.131, abs=5e-4)
    assert board_mm(shift, 50, m) == pytest.approx(axial)


def test_a_ruler_at_45_degrees_and_what_a_degree_of_set_up_costs():
    # 10 mm along it are 7.0711 mm along the axis; read as 46 degrees -1.76 %, as 44 degrees +1.73 % (closed form)
    assert axial_mm(10.0, 45.0) == pytest.approx(7.0711, abs=5e-5)
    assert axial_mm(10.0, 46.0) / axial_mm(10.0, 45.0) - 1 == pytest.approx(-0.0176, abs=5e-5)
    assert axial_mm(10.0, 44.0) / axial_mm(10.0, 45.0) - 1 == pytest.approx(0.0173, abs=5e-5)
    assert axial_sensitivity(45.0) * 3.14159265 / 180 == pytest.approx(-0.01745, abs=5e-6)
