"""Block means of a flat frame: exact for known light, independent of exposure and outliers, with clipping marked."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import reduce_flat
from glasswright_camera.light.flat_blocks import mean_blocks
from support.frames import GRBG, X_TRANS, half_diagonals, make_mosaic

SIZE = (120, 180)


def even(level, size=SIZE):
    return np.full(size, float(level))


@pytest.mark.parametrize("cfa", [GRBG, X_TRANS, None])
def test_each_plane_gets_its_own_light(cfa):
    light = np.stack([even(0.2), even(0.5), even(0.3)]) if cfa else even(0.5)
    shot = reduce_flat(make_mosaic(light, cfa=cfa), blocks_across_count=16)
    for plane, expected in zip(shot.light, (0.2, 0.5, 0.3) if cfa else (0.5,), strict=True):
        assert np.abs(plane - expected).max() < 0.51 / (16383 - 512)  # half a DN
    assert shot.median_light_frac == pytest.approx(0.5, abs=1e-4)


def test_blocks_cover_the_frame_and_the_last_hold_the_rest():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    light, _, _ = mean_blocks(make_mosaic(0.2 + 0.001 * x + 0.002 * y, cfa=None, white=60000.0), 32)
    assert light.shape == (1, 4, 6)
    expected_x = [15.5, 47.5, 79.5, 111.5, 143.5, (160 + 179) / 2]
    expected_y = [15.5, 47.5, 79.5, (96 + 119) / 2]
    expected = 0.2 + 0.001 * np.array(expected_x)[None] + 0.002 * np.array(expected_y)[:, None]
    assert np.abs(light[0] - expected).max() < 1e-6


def test_the_uncertainty_is_that_of_a_mean_of_noisy_pixels():
    # EMVA 1288 model: variance of a pixel = light / full well; 400 pixels of green in a block of 20 x 20... half of it
    light, light_u, _ = mean_blocks(make_mosaic(even(0.4, (400, 600)), full_well=20000), 20)
    expected = np.sqrt(0.4 / 20000 / 200)
    assert light_u[1].mean() == pytest.approx(expected, rel=0.02)
    assert light[1].std() == pytest.approx(expected, rel=0.06)  # 600 blocks: 3 % standard error


def test_hot_and_dead_pixels_are_left_out():
    mosaic = make_mosaic(even(0.4), full_well=20000)
    clean, _, _ = mean_blocks(mosaic, 30)
    mosaic.values[0, 31, 37] = 16000
    mosaic.values[0, 64, 100] = 0
    dirty, _, _ = mean_blocks(mosaic, 30)
    assert np.abs(dirty - clean).max() < 4 * np.sqrt(0.4 / 20000) / 225  # one pixel fewer of at least 225


@settings(max_examples=20, deadline=None)
@given(st.floats(0.15, 1.6))
def test_exposure_scales_the_light_and_nothing_else(factor):
    x, y = half_diagonals(*SIZE)
    light = 0.5 * (1 - 0.5 * (x**2 + y**2))
    one = reduce_flat(make_mosaic(light), blocks_across_count=16)
    other = reduce_flat(make_mosaic(factor * light), blocks_across_count=16)
    assert np.abs(other.light / factor - one.light).max() < 1e-4


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 1000))
def test_a_mirrored_frame_mirrors(seed):
    light = np.random.default_rng(seed).uniform(0.2, 0.6, (120, 160))
    one, _, _ = mean_blocks(make_mosaic(light, cfa=None), 20)
    other, _, _ = mean_blocks(make_mosaic(light[:, ::-1], cfa=None), 20)
    assert np.allclose(other[:, :, ::-1], one, rtol=1e-12)


def test_clipped_blocks_have_no_light():
    light = even(0.6)
    light[40:70, 50:90] = 1.2
    shot = reduce_flat(make_mosaic(light, full_well=30000), blocks_across_count=18)
    assert np.isnan(shot.light).any(axis=0).sum() == 12


def test_a_frame_without_a_good_block_is_refused():
    with pytest.raises(Unmeasurable) as caught:
        reduce_flat(make_mosaic(np.stack([even(0.5), even(1.0), even(0.4)]), full_well=30000))
    assert str(caught.value) == (
        "no block of the frame has good pixels of every colour plane: it is too small, or clipped"
    )
