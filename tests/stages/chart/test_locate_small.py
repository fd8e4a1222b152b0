import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from glasswright import CaptureFacts, Unmeasurable
from glasswright_camera.chart.discs import measure_discs
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.small_frame import measure_plane_levels, shrink_mosaic
from support.chart_drawing import expose

XTRANS = np.array(
    [
        [
            [1, 1, 0, 1, 1, 2],
            [1, 1, 2, 1, 1, 0],
            [2, 0, 1, 0, 2, 1],
            [1, 1, 2, 1, 1, 0],
            [1, 1, 0, 1, 1, 2],
            [0, 2, 1, 2, 0, 1],
        ]
    ]
)


def make_mosaic(values, pattern, planes=("red", "green", "blue"), black=None, white=60000.0):
    black = np.full(pattern.shape, 100.0) if black is None else black
    return Mosaic(
        values=values.astype(np.uint16),
        pattern=pattern,
        planes=planes,
        black_dn=black,
        white_dn=white,
        facts=CaptureFacts(),
        role="chart",
        shot="chart/0001",
    )


@pytest.mark.parametrize("block", [1, 2, 3, 5, 6])
@pytest.mark.parametrize("pattern", [np.array([[[0, 1], [1, 2]]]), XTRANS], ids=["bayer", "xtrans"])
def test_an_even_coloured_field_is_grey_at_any_block_size(pattern, block):
    colour = np.array([3000.0, 8000.0, 4500.0])
    rng = np.random.default_rng(4)
    black = rng.uniform(90, 110, pattern.shape).round()
    period_y, period_x = pattern.shape[1:]
    y, x = np.mgrid[:66, :84]
    values = colour[pattern[0][y % period_y, x % period_x]] + black[0][y % period_y, x % period_x]
    small = shrink_mosaic(make_mosaic(values[None], pattern, black=black), block)
    assert small.light.shape == (66 // block, 84 // block)
    np.testing.assert_allclose(small.light, 1.0, rtol=2e-6)


def test_a_block_is_the_mean_of_its_pixels():
    values = np.random.default_rng(1).integers(100, 5000, (1, 31, 44))
    mosaic = make_mosaic(values, np.zeros((1, 1, 1), int), planes=("white",))
    small = shrink_mosaic(mosaic, 4)
    level = measure_plane_levels(mosaic)[0]
    expected = (values[0, :28, :44].reshape(7, 4, 11, 4).mean(axis=(1, 3)) - 100) / level
    np.testing.assert_allclose(small.light, expected, rtol=1e-5)


def test_clipped_pixels_are_counted_in_their_block():
    values = np.full((1, 12, 12), 5000)
    values[0, 4:6, 8] = 60000
    values[0, 0, 0] = 59999
    small = shrink_mosaic(make_mosaic(values, np.zeros((1, 1, 1), int), planes=("white",)), 4)
    expected = np.zeros((3, 3))
    expected[1, 2] = 2 / 16
    np.testing.assert_allclose(small.clipped, expected)
    assert small.white_light == pytest.approx((60000 - 100) / (5000 - 100))


def test_a_place_on_the_small_frame_is_the_middle_of_its_block():
    small = shrink_mosaic(expose(np.ones((60, 60))), 6)
    # pixels 0 to 5 are centred on 2.5
    np.testing.assert_allclose(small.to_sensor(np.array([[0.0, 1.0]])), [[2.5, 8.5]])


def test_a_plane_without_light_is_named():
    values = np.full((1, 40, 40), 4000)
    values[0, 1::2, 1::2] = 98
    with pytest.raises(Unmeasurable, match=r"no light in the blue plane: its bright parts lie -2\.0 DN above black"):
        shrink_mosaic(make_mosaic(values, np.array([[[0, 1], [1, 2]]])), 4)


def test_the_noise_of_a_soft_edge_is_no_object_beside_the_disc():
    y, x = np.mgrid[:130, :130]
    sharp = np.where(np.hypot(x - 60.0, y - 64.0) < 14.0, 0.1, 1.0)
    beside = sharp.copy()
    beside[60:70, 95:] = 0.1
    clear = []
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0, 0.05, sharp.shape)
        for light in (sharp, beside):
            soft = (gaussian_filter(light, 3.0) + noise).astype(np.float32)
            found = measure_discs(soft, np.zeros_like(soft), np.array([[60.3, 63.8]]), np.array([14.5]), 0.4)
            clear.append(found.clear[0])
    alone, with_thing = np.reshape(clear, (-1, 2)).T
    assert alone.min() > 38.0
    # the thing's own soft edge begins a pixel or two before it
    np.testing.assert_allclose(with_thing, 95.0 - 74.0, atol=3.5)
