"""Dark frames: levels and noise of each site, hot pixels, and check of the declared black."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import combine_darks, reduce_dark
from support.frames import make_mosaic

SIZE = (200, 300)
DN = 1 / (16383 - 512)


def dark(seed=0, level=512.0, noise=5.0, hot=()):
    mosaic = make_mosaic(np.zeros(SIZE), role="dark", seed=seed)
    values = np.random.default_rng(seed).normal(level, noise, SIZE)
    for x, y, value in hot:
        values[y, x] = value
    mosaic.values[0] = np.rint(values)
    return mosaic


def test_level_and_noise_of_each_site():
    shot = reduce_dark(dark(noise=5.0))
    assert shot.level_dn.shape == (1, 2, 2)
    assert np.abs(shot.level_dn - 512).max() < 4 * 5 / np.sqrt(15000)
    # rounding adds 1/12 to the variance; rejection beyond 4 standard deviations takes 0.1 % of it
    assert shot.noise_dn == pytest.approx(np.sqrt(25 + 1 / 12) * np.ones((1, 2, 2)), rel=4 / np.sqrt(2 * 15000))


def test_hot_pixels_are_listed_brightest_first_and_bias_nothing():
    hot = [(7, 11, 3000), (200, 150, 9000), (31, 30, 700)]
    clean, dirty = reduce_dark(dark()), reduce_dark(dark(hot=hot))
    assert dirty.hot_pixel.tolist() == [[200, 150, 9000], [7, 11, 3000], [31, 30, 700]]
    assert np.abs(dirty.level_dn - clean.level_dn).max() < 0.01
    limited = reduce_dark(dark(hot=hot), hot_limit_count=2)
    assert (len(limited.hot_pixel), limited.hot_pixel_count) == (2, 3)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), st.integers(0, 97), st.integers(0, 3))
def test_a_mirrored_frame_mirrors_its_hot_pixels(x, y, seed):
    mosaic = dark(seed, hot=[(x, y, 5000)])
    (one,) = reduce_dark(mosaic).hot_pixel.tolist()
    mosaic.values[0] = mosaic.values[0, ::-1, ::-1].copy()
    (other,) = reduce_dark(mosaic).hot_pixel.tolist()
    assert (one[0] + other[0], one[1] + other[1]) == (299, 199)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 100))
def test_a_shifted_level_shifts_and_the_noise_stays(shift):
    one, other = reduce_dark(dark()), reduce_dark(dark(level=512.0 + shift))
    assert np.allclose(other.level_dn - one.level_dn, shift, atol=1e-9)
    assert np.allclose(other.noise_dn, one.noise_dn, atol=1e-9)


def test_without_noise_the_next_step_is_not_hot():
    mosaic = dark(noise=0.0, hot=[(3, 4, 513), (5, 6, 600)])
    assert reduce_dark(mosaic).hot_pixel.tolist() == [[5, 6, 600]]


def test_light_is_refused():
    with pytest.raises(Unmeasurable) as caught:
        reduce_dark(dark(level=800.0))
    assert re.fullmatch(
        r"not dark: the frame has 1\.8 % of white above black, more than 1 %; "
        r"put the cap on, and check the black level",
        str(caught.value),
    )


def test_combined_darks_give_the_error_of_black():
    shots = tuple(reduce_dark(dark(seed, level=514.0 + drift)) for seed, drift in enumerate((0, 1, -1)))
    levels = combine_darks(shots)
    assert levels.black_error_dn == pytest.approx(2, abs=4 * levels.black_error_dn_u)
    assert levels.black_error_dn_u == pytest.approx(1 / np.sqrt(3), rel=0.1)
    assert levels.drift_dn == pytest.approx(2, abs=0.2)
    assert levels.noise_dn == pytest.approx(5.01, abs=0.1)
    assert levels.shot_count == 3


def test_a_pixel_hot_once_is_not_a_hot_pixel():
    often, once = (20, 30, 4000), (50, 60, 4000)
    shots = tuple(reduce_dark(dark(seed, hot=[often, once] if seed == 1 else [often])) for seed in range(3))
    levels = combine_darks(shots)
    assert levels.hot_pixel.tolist() == [[20, 30]]
    assert levels.hot_pixel_count == 1


def test_darks_of_two_bodies_are_refused():
    one = dark()
    other = make_mosaic(np.zeros((100, 150)), role="dark", seed=7)
    with pytest.raises(Unmeasurable) as caught:
        combine_darks((reduce_dark(one), reduce_dark(other)))
    assert str(caught.value) == (
        "the dark shots are not from one body: dark/0000.dng has 300 x 200 pixels; dark/0007.dng has 150 x 100 pixels"
    )
