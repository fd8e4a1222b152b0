"""Light from encoded values against the published curve, and the noise of flats against the photon transfer slope.

IEC 61966-2-1:1999 (sRGB), 5.2: V / 12.92 up to 0.04045, ((V + 0.055) / 1.055) ^ 2.4 above. The middle grey of 8 bits,
118 or 119 for 18 % light, and 188 for half the light, are common practice derived from it.
EMVA 1288 (release 4.0), 6.6: the variance of a linear sensor's values grows with their mean by K DN per electron.
"""

import numpy as np
import pytest
from skimage.color import rgb2xyz

from glasswright_camera.light.flat_blocks import mean_blocks
from glasswright_camera.raw.image import light_of_share, make_light_table
from support.frames import make_mosaic

SRGB = {0: 0.0, 1: 0.000303527, 10: 0.003035270, 11: 0.003346536, 128: 0.215860500, 188: 0.502886458, 255: 1.0}


@pytest.mark.parametrize(("value", "light"), SRGB.items())
def test_published_points_of_the_srgb_curve(value, light):
    assert light_of_share(np.array([value / 255]), "srgb")[0] == pytest.approx(light, abs=1e-8)
    assert make_light_table(255, "srgb")[value] == round(65535 * light)


def test_the_srgb_curve_of_another_library():
    # luminance of a grey of value v is its linear light (Y of the white point is 1)
    value = np.linspace(0, 1, 1001)
    other = rgb2xyz(np.repeat(value[:, None, None], 3, axis=2))[:, 0, 1]
    assert np.abs(light_of_share(value, "srgb") - other).max() < 2e-7


def test_the_two_pieces_of_the_srgb_curve_meet():
    below, above = light_of_share(np.array([0.04045, 0.04045 + 1e-12]), "srgb")
    assert above - below == pytest.approx(0, abs=1e-7)


def test_the_photon_transfer_slope_of_a_flats_blocks():
    # a full well of 20 000 electrons over 15 871 DN: K = 0.794 DN per electron
    steps = np.linspace(0.1, 0.8, 8)
    means, variances = [], []
    for seed, step in enumerate(steps):
        light, light_u, _ = mean_blocks(
            make_mosaic(np.full((300, 400), step), full_well=20000, seed=seed, cfa=None), 20
        )
        means.append(light.mean() * 15871)
        variances.append((light_u**2).mean() * 400 * 15871**2)
    slope = np.polyfit(means, variances, 1)[0]
    assert slope == pytest.approx(15871 / 20000, rel=0.01)
