"""Combined flat shots: one smooth map, its uncertainty, and changes of light between the shots."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import combine_flats, reduce_flat
from glasswright_camera.light.combine_flats import read_corners
from glasswright_camera.light.flat import FlatShot
from glasswright_camera.light.flat_outlying import find_misfit, pick_crowded
from glasswright_camera.light.flat_surface import lay_axis, lay_windows
from support.frames import half_diagonals, make_flat_shot, make_mosaic, make_stand

ROWS, COLUMNS = 12, 18


def block_light(strength=0.5, level=0.5):
    x, y = half_diagonals(ROWS, COLUMNS)
    return level * (1 - strength * (x**2 + y**2))


def combine(*shots, **options):
    return combine_flats(tuple(shots), make_stand(**options))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-0.02, 0.02), min_size=6, max_size=6), st.floats(0, 18), st.floats(0, 11.4))
def test_a_quadratic_surface_is_followed_exactly(terms, x, y):
    # from means over blocks, the last row and column narrower than the others, anywhere in the frame
    width, height = 17.3, 11.4
    x_axis, y_axis = lay_axis(173, 10), lay_axis(114, 10)

    def point(x, y):
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1) @ terms

    nodes, weights = np.polynomial.legendre.leggauss(3)
    means = np.zeros((12, 18))
    for row in range(12):
        for column in range(18):
            px = x_axis.centre[column] + nodes * x_axis.side[column] / 2
            py = y_axis.centre[row] + nodes * y_axis.side[row] / 2
            means[row, column] = np.einsum("ij,i,j->", point(*np.meshgrid(px, py)), weights, weights) / 4
    assert x_axis.side[-1] == pytest.approx(width % 1)
    assert y_axis.side[-1] == pytest.approx(height % 1)
    smoother = lay_windows(x_axis, y_axis, np.array([x]), np.array([y])).smoother(np.ones((12, 18), bool))
    assert smoother.value(means)[0] == pytest.approx(float(point(np.array(x), np.array(y))), abs=1e-10)


def test_the_gain_is_one_at_the_centre_and_the_level_is_kept():
    field = combine(make_flat_shot(block_light(level=0.4)))
    middle = field.gain[0, ROWS // 2 - 1 : ROWS // 2 + 1, COLUMNS // 2 - 1 : COLUMNS // 2 + 1]
    assert middle.mean() == pytest.approx(1, abs=0.01)
    assert field.light_level[0] == pytest.approx(0.4, abs=0.001)
    assert field.shot_count == 1


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 1.9), st.integers(0, 99))
def test_exposure_does_not_matter(factor, seed):
    light = block_light() * np.random.default_rng(seed).normal(1, 1e-3, (ROWS, COLUMNS))
    one, other = combine(make_flat_shot(light)), combine(make_flat_shot(factor * light))
    assert np.allclose(other.gain, one.gain, atol=2e-6)
    assert np.allclose(other.gain_u, one.gain_u, rtol=1e-3)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 99))
def test_a_mirrored_field_mirrors(seed):
    light = block_light() * np.random.default_rng(seed).normal(1, 1e-3, (ROWS, COLUMNS))
    one, other = combine(make_flat_shot(light)), combine(make_flat_shot(light[::-1, ::-1]))
    assert np.allclose(other.gain[:, ::-1, ::-1], one.gain, atol=2e-6)


def test_the_uncertainty_equals_the_scatter_of_the_gain():
    # 40 independent nights of 4 shots: what gain_u promises is what the gain does
    rng = np.random.default_rng(5)
    fields = [
        combine(
            *(make_flat_shot(block_light() * rng.normal(1, 0.002, (ROWS, COLUMNS)), relative_u=0.002) for _ in range(4))
        )
        for _ in range(40)
    ]
    scatter = np.std([field.gain[0] for field in fields], axis=0)
    promised = np.sqrt(np.mean([field.gain_u[0] ** 2 for field in fields], axis=0))
    assert (promised / scatter).mean() == pytest.approx(1.15, abs=0.2)  # the larger of noise and scatter is taken


def test_a_drift_of_shape_between_shots_enters_the_uncertainty():
    slope = np.linspace(-1, 1, COLUMNS)[None, :]
    quiet = combine(*(make_flat_shot(block_light()) for _ in range(3)))
    drifting = combine(*(make_flat_shot(block_light() * (1 + 0.01 * way * slope)) for way in (-1, 0, 1)))
    expected = 0.01 * block_light()[0, 0] / block_light().max() / np.sqrt(3)
    assert drifting.gain_u[0, 0, 0] == pytest.approx(expected, rel=0.2)
    assert drifting.gain_u[0, 0, 0] > 20 * quiet.gain_u[0, 0, 0]


def test_dust_is_interpolated_and_noted():
    light = block_light()
    dirty = light.copy()
    dirty[4, 7] *= 0.9
    field = combine(make_flat_shot(dirty))
    assert np.allclose(field.gain, combine(make_flat_shot(light)).gain, atol=2e-4)
    assert "1 blocks deviate from the smooth field (dust?) and were interpolated" in field.notes


def test_a_block_without_light_is_interpolated():
    light = block_light()
    holed = light.copy()
    holed[4, 7] = np.nan
    field = combine(make_flat_shot(holed))
    assert np.isfinite(field.gain).all()
    assert np.allclose(field.gain, combine(make_flat_shot(light)).gain, atol=2e-4)


def test_too_large_a_hole_is_refused():
    light = block_light()
    light[2:8, 3:9] = np.nan
    with pytest.raises(Unmeasurable) as caught:
        combine(make_flat_shot(light))
    assert str(caught.value).startswith("too few good blocks around block (")


def band(width, depth, *, rows=64, columns=96):
    """A dark band across the frame with soft borders, as a factor of the light."""
    y, x = np.mgrid[:rows, :columns].astype(float)
    away = np.abs(0.8 * (x - 40) - 0.6 * (y - 30))
    return 1 - depth * np.clip((width / 2 + 1 - away) / 2, 0, 1)


@pytest.mark.parametrize(("width", "depth"), [(2, 0.03), (6, 0.04), (12, 0.1), (20, 0.3)])
def test_the_shadow_of_an_object_in_the_lens_is_kept_with_its_uncertainty(width, depth):
    x, y = half_diagonals(64, 96)
    noise = np.random.default_rng(int(width)).normal(1, 1e-3, (64, 96))
    light = 0.5 * (1 - 0.4 * (x**2 + y**2)) * band(width, depth)
    field = combine(make_flat_shot(light * noise, relative_u=1e-3))
    error = field.gain[0] / light * np.median(light / field.gain[0]) - 1
    z = error * field.gain[0] / field.gain_u[0]
    assert any("too wide to interpolate" in note for note in field.notes)
    assert np.sqrt(np.mean(z**2)) < 2
    assert np.sqrt(np.mean(error**2)) < depth / 10


def test_a_wide_shadow_with_a_hole_in_it_is_refused():
    light = band(20, 0.3)
    light[20:40, 30:50] = np.nan
    with pytest.raises(Unmeasurable, match="too few good blocks around"):
        combine(make_flat_shot(light))


def test_a_level_change_is_a_caveat():
    field = combine(*(make_flat_shot(block_light(level=level)) for level in (0.5, 0.5, 0.52)))
    assert field.level_change_pct == pytest.approx(3.95, abs=0.05)
    assert field.caveats == ("level_change",)
    assert field.notes[0] == (
        "the light changes by 3.9 % between the shots, more than 2 %: let the lamp warm up, expose over whole mains "
        "cycles, shoot again"
    )


def test_a_longer_exposure_is_no_level_change():
    field = combine(make_flat_shot(block_light(level=0.2)), make_flat_shot(block_light(level=0.4), exposure_time_s=1.0))
    assert field.level_change_pct == pytest.approx(0, abs=1e-4)
    assert field.caveats == ()
    assert field.exposure_time_s is None


def test_an_exposure_shorter_than_the_mains_ripple_is_noted():
    field = combine(make_flat_shot(block_light(), exposure_time_s=1 / 60))
    assert field.notes == (
        "the shortest exposure, 0.0167 s, is less than 5 mains cycles (0.1 s): a mains lamp's ripple may show",
    )
    assert combine(make_flat_shot(block_light(), exposure_time_s=0.1)).notes == ()


def test_shots_of_different_kinds_are_refused():
    with pytest.raises(Unmeasurable) as caught:
        combine(
            make_flat_shot(block_light(), shot="flat/1"), make_flat_shot(block_light(), shot="flat/2", size=(175, 120))
        )
    assert str(caught.value) == (
        "the shots do not belong together: flat/1 is a flat of 180 x 120 pixels, planes white, blocks of 10; flat/2 is "
        "a flat of 175 x 120 pixels, planes white, blocks of 10"
    )


def test_an_odd_level_is_named():
    shots = [make_flat_shot(block_light(level=level)) for level in (0.5, 0.505, 0.44, 0.5)]
    assert FlatShot.find_outliers(shots) == {2: "its light is -12.0 % from the other shots' median"}


def test_an_odd_shape_is_named():
    strengths = (0.5, 0.5, 0.5, 0.2)
    odd = FlatShot.find_outliers([make_flat_shot(block_light(strength)) for strength in strengths])
    assert list(odd) == [3]
    assert odd[3].startswith("its light is spread differently over the frame (by ")


def test_normal_repeats_are_never_odd():
    rng = np.random.default_rng(8)
    for _ in range(100):
        levels = rng.normal(0.5, 0.005, 3)
        shots = [make_flat_shot(block_light(level=level) * rng.normal(1, 1e-3, (ROWS, COLUMNS))) for level in levels]
        assert FlatShot.find_outliers(shots) == {}


def test_a_frame_of_too_few_blocks_is_refused():
    with pytest.raises(Unmeasurable, match=r"^the frame has only 18 x 4 blocks; ask for more of them$"):
        combine(make_flat_shot(block_light()[:4]))


def test_from_pixels_the_gain_is_the_light_between_and_at_the_border():
    x, y = half_diagonals(408, 620)
    light = 0.6 * (1 - 0.4 * (x**2 + y**2) - 0.1 * (x**2 + y**2) ** 2)
    field = combine(reduce_flat(make_mosaic(light, white=60000.0), blocks_across_count=62))
    px = (np.arange(field.gain.shape[2]) + 0.5) * field.block_px - 0.5
    py = (np.arange(field.gain.shape[1]) + 0.5) * field.block_px - 0.5
    half = np.hypot(620, 408) / 2
    squared = ((px[None] - 309.5) ** 2 + (py[:, None] - 203.5) ** 2) / half**2
    expected = 1 - 0.4 * squared - 0.1 * squared**2
    assert np.abs(field.gain - expected).max() < 2e-4


def windows_of(part):
    """The 5 x 5 blocks nearest each block, shifted inwards at the border: (rows, columns, 5, 5)."""
    inner = np.lib.stride_tricks.sliding_window_view(part, (5, 5))
    return np.pad(inner, ((2, 2), (2, 2), (0, 0), (0, 0)), mode="edge")


def test_blocks_with_too_few_good_ones_about_them_are_crowded():
    rng = np.random.default_rng(3)
    good = rng.random((ROWS, COLUMNS)) < 0.9
    outlying = good & (rng.random((ROWS, COLUMNS)) < 0.4)
    scarce = windows_of(good & ~outlying).sum(axis=(2, 3)) < 12
    near = np.lib.stride_tricks.sliding_window_view(np.pad(scarce, 2), (5, 5)).any(axis=(2, 3))
    assert 0 < np.count_nonzero(outlying & near) < np.count_nonzero(outlying)
    np.testing.assert_array_equal(pick_crowded(outlying, good), outlying & near)
    assert not pick_crowded(np.zeros_like(good), good).any()


def test_the_misfit_is_the_scatter_about_the_map_near_a_shadow():
    rng = np.random.default_rng(4)
    none, shadow = np.zeros((ROWS, COLUMNS), bool), np.zeros((ROWS, COLUMNS), bool)
    shadow[5:7, 8:11] = True
    light, surface = 1 + 0.01 * rng.normal(size=none.shape), np.ones(none.shape)
    found = find_misfit(light, np.full(none.shape, 1e-4), surface, none, shadow, ~none)
    expected = np.lib.stride_tricks.sliding_window_view(np.pad(light, 2, mode="edge"), (5, 5)).std(axis=(2, 3))
    near = np.lib.stride_tricks.sliding_window_view(np.pad(shadow, 2), (5, 5)).any(axis=(2, 3))
    np.testing.assert_allclose(found, np.where(near, expected, 0), rtol=1e-9)
    assert not find_misfit(light, np.full(none.shape, 1e-4), surface, none, none, ~none).any()


def test_the_corners_are_upper_left_upper_right_lower_left_lower_right():
    light = np.full((2, 3, 4), 50.0)
    light[:, [0, 0, -1, -1], [0, -1, 0, -1]] = [[10, 20, 30, 40], [12, 20, 30, 40]]
    gain, gain_u = read_corners(light, np.full(light.shape, 0.5), np.array([100.0, 100.0]))
    assert gain == pytest.approx([0.11, 0.2, 0.3, 0.4])
    # the scatter of two shots where it is larger than the noise, over the root of their count
    assert gain_u == pytest.approx([0.01, *[0.005 / 2**0.5] * 3])
    single, single_u = read_corners(light[:1], np.full((1, 3, 4), 0.5), np.array([100.0]))
    assert single == pytest.approx([0.1, 0.2, 0.3, 0.4])
    assert single_u == pytest.approx([0.005] * 4)
