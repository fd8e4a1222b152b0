"""The sensor's gain from the noise between flats: the electrons at white agree with the truth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import measure_gain, reduce_flat
from glasswright_rehearsal.scene.sensor import expose, mosaic_sensor
from support.frames import half_diagonals, make_mosaic

HEIGHT, WIDTH = 320, 480


def falloff(level=0.5):
    x, y = half_diagonals(HEIGHT, WIDTH)
    return level * (1 - 0.5 * (x**2 + y**2))


def flats(seeds, *, light=None, full_well=20_000.0, changes=None, **options):
    shots = [
        reduce_flat(make_mosaic((light if light is not None else falloff()) * factor, full_well=full_well, seed=seed,
                                **options), blocks_across_count=60)
        for seed, factor in zip(seeds, changes or [1.0] * len(seeds), strict=True)
    ]  # fmt: skip
    return tuple(shots)


@pytest.mark.parametrize("full_well", [3_000.0, 20_000.0, 90_000.0])
def test_the_electrons_that_make_white_come_out(full_well):
    found = measure_gain(flats([1, 2], full_well=full_well))
    assert abs(found.white_count - full_well) < 3 * found.white_count_u + 0.003 * full_well
    assert 0.005 < found.white_count_u / found.white_count < 0.05


def test_its_uncertainty_equals_the_scatter_of_repeats():
    found = [measure_gain(flats([seed, seed + 1])) for seed in range(0, 80, 2)]
    scatter = np.std([each.white_count for each in found], ddof=1)
    assert scatter == pytest.approx(np.mean([each.white_count_u for each in found]), rel=0.35)
    # a variance from n normal values has the relative standard uncertainty sqrt(2 / n)
    for each in found:
        assert each.white_count_u / each.white_count == pytest.approx(np.sqrt(2 / each.difference_count), rel=0.02)
    assert np.mean([each.white_count for each in found]) == pytest.approx(20_000, rel=0.012)


@settings(max_examples=8, deadline=None)
@given(st.floats(0.2, 0.8), st.floats(0.9, 1.1))
def test_neither_the_exposure_nor_a_flicker_matters(level, flicker):
    found = measure_gain(flats([3, 4], light=falloff(level), changes=[1.0, flicker]))
    assert abs(found.white_count - 20_000) < 4 * found.white_count_u + 100


def test_a_pattern_common_to_both_frames_does_not_matter():
    rng = np.random.default_rng(5)
    uneven = falloff() * rng.normal(1, 0.01, (HEIGHT, WIDTH))  # pixels of one in a hundred, far above the shot noise
    uneven[100:130, 200:230] *= 0.9  # dust
    found = measure_gain(flats([6, 7], light=uneven))
    assert abs(found.white_count - 20_000) < 4 * found.white_count_u


def test_light_that_moves_slowly_between_the_frames_hardly_matters():
    x, _ = half_diagonals(HEIGHT, WIDTH)
    one, other = flats([8], light=falloff() * (1 + 0.02 * x)), flats([9], light=falloff())
    found = measure_gain((*one, *other))
    assert abs(found.white_count - 20_000) < 4 * found.white_count_u


@pytest.mark.parametrize("cfa", [None, (0, 1, 1, 2)])
def test_every_colour_pattern_counts_its_own_pixels(cfa):
    found = measure_gain(flats([10, 11], cfa=cfa))
    assert abs(found.white_count - 20_000) < 4 * found.white_count_u


def test_more_frames_reduce_the_uncertainty():
    two, six = measure_gain(flats([1, 2])), measure_gain(flats(range(1, 7)))
    assert six.white_count_u < 0.65 * two.white_count_u


def test_the_rehearsed_sensor_has_its_number_of_electrons():
    sensor = mosaic_sensor("RGGB", full_well_e=45_000.0, read_noise_e=3.0)
    shots = []
    for seed in (1, 2):
        values = expose(falloff().astype(np.float32)[None], sensor, np.random.SeedSequence(seed))
        mosaic = make_mosaic(falloff(), black=512.0)
        black = np.array(sensor.black_dn)[None]
        shots.append(reduce_flat(replace(mosaic, values=values, black_dn=black), blocks_across_count=60))
    found = measure_gain(tuple(shots))
    assert abs(found.white_count - 45_000) < 3 * found.white_count_u


def test_messages_about_poor_data_name_the_remedy():
    with pytest.raises(Unmeasurable, match="one flat shot shows no noise between shots: shoot two or more"):
        measure_gain(flats([1]))
    with pytest.raises(Unmeasurable, match="not of one frame size and colour pattern"):
        measure_gain((*flats([1]), *flats([2], cfa=None)))
    with pytest.raises(Unmeasurable, match="do not differ at all: they are copies of one frame"):
        measure_gain(flats([1, 1]))
    small = [reduce_flat(make_mosaic(np.full((60, 90), 0.5), full_well=9000.0, seed=seed), blocks_across_count=16)
             for seed in (1, 2)]  # fmt: skip
    with pytest.raises(Unmeasurable, match=r"only \d+ blocks to compare, 200 are needed"):
        measure_gain(tuple(small))
