"""Corner losses from pixels against the cos^4 law of illumination.

E(theta) = E(0) cos^4 theta for a distant even source and a pupil near a rectilinear lens (any optics handbook; for
instance Kingslake, Optical System Design, 1983). tan theta = r / f; 21.63 mm is the
half-diagonal of a 36 x 24 mm frame.
"""

import numpy as np
import pytest

from glasswright_camera import combine_flats, measure_vignetting, reduce_flat
from support.frames import half_diagonals, make_mosaic, make_stand

HALF_DIAGONAL_MM = 21.633
# focal length mm, stops lost in the very corner: the law's closed form to three places
CORNER_STOPS = {20: 2.235, 24: 1.716, 28: 1.351, 35: 0.934, 50: 0.495, 85: 0.181, 100: 0.132, 135: 0.073, 200: 0.034}
# angle in degrees, cos^4 of it
COS4 = {5: 0.9849, 10: 0.9406, 15: 0.8705, 20: 0.7797, 25: 0.6747, 30: 0.5625, 35: 0.4503, 40: 0.3444, 45: 0.2500}
HEIGHT, WIDTH = 800, 1200


def measure_law(tangent_at_corner, *, full_well=None, box=0.05):
    x, y = half_diagonals(HEIGHT, WIDTH)
    light = 0.7 / (1 + tangent_at_corner**2 * (x**2 + y**2)) ** 2
    mosaic = make_mosaic(light, full_well=full_well)
    field = combine_flats((reduce_flat(mosaic),), make_stand())
    return light, measure_vignetting(field, make_stand(), corner_box_frac=box)


@pytest.mark.parametrize(("focal_length_mm", "stops"), CORNER_STOPS.items())
def test_the_corner_itself(focal_length_mm, stops):
    # a box of 1 % of the frame is the corner all but 0.7 % of the half-diagonal
    _, falloff = measure_law(HALF_DIAGONAL_MM / focal_length_mm, box=0.01)
    slope = 4 * np.log2(np.e) * (t := HALF_DIAGONAL_MM / focal_length_mm) ** 2 / (1 + t**2)  # d stops / d ln r
    assert falloff.mean_corner_loss_ev == pytest.approx(stops - slope * 0.01, abs=0.003)


@pytest.mark.parametrize("angle_deg", COS4)
def test_the_mean_over_the_box(angle_deg):
    light, falloff = measure_law(np.tan(np.radians(angle_deg)), full_well=30000)
    middle = light[380:420, 570:630].mean()
    assert falloff.upper_left_loss_ev == pytest.approx(-np.log2(light[:40, :60].mean() / middle), abs=0.003)
    assert light[0, 0] / 0.7 == pytest.approx(COS4[angle_deg], abs=0.002)  # the picture is the table's


def test_no_corner_is_dark_and_the_centre_is_that_of_the_frame():
    _, falloff = measure_law(HALF_DIAGONAL_MM / 24, full_well=30000)
    assert falloff.asymmetry_ev < 4 * falloff.asymmetry_ev_u
    assert abs(falloff.centre_x_frac) < 4 * falloff.centre_x_frac_u + 1e-3
    assert abs(falloff.red_shading_ev) < 4 * falloff.red_shading_ev_u
