"""Corner losses, colour shading and the centre of symmetry, for light with known falloff."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime

from glasswright import Unmeasurable
from glasswright_camera import combine_flats, measure_vignetting, reduce_flat
from glasswright_camera.vignetting.centre import falloff, slopes
from support.frames import half_diagonals, make_flat_field, make_flat_shot, make_mosaic, make_stand, save_data

SIZE = (930, 617)
CORNERS = ("upper_left", "upper_right", "lower_left", "lower_right")
SLICES = {
    "upper_left": (1, 1),
    "upper_right": (1, -1),
    "lower_left": (-1, 1),
    "lower_right": (-1, -1),
}


def round_falloff(strength=0.5, fourth=0.1, x0=0.0, y0=0.0):
    def gain(x, y):
        squared = (x - x0) ** 2 + (y - y0) ** 2
        return 1 - strength * squared - fourth * squared**2

    return gain


def measure(gain, *, size=SIZE, stand=None, box=0.05, **options):
    return measure_vignetting(make_flat_field(gain, size=size, **options), stand or make_stand(), corner_box_frac=box)


def losses(falloff):
    return np.array([getattr(falloff, f"{corner}_loss_ev") for corner in CORNERS])


def true_losses(gain, *, size=SIZE, box=0.05):
    """Return the mean over each corner box and the centre box, on 200 x 200 points each."""
    width, height = size
    half = np.hypot(width, height) / 2
    share = (np.arange(200) + 0.5) / 200
    middle = gain(*np.meshgrid(box * width * (share - 0.5) / half, box * height * (share - 0.5) / half)).mean()
    result = []
    for down, across in SLICES.values():
        x = across * (box * width * share - width / 2) / half
        y = down * (box * height * share - height / 2) / half
        result.append(-np.log2(gain(*np.meshgrid(x, y)).mean() / middle))
    return np.array(result)


@pytest.mark.parametrize("box", [0.02, 0.05, 0.13])
def test_the_loss_is_that_of_the_mean_over_the_box(box):
    # curvature within the box and its edges between the blocks must both be right
    gain = round_falloff(0.55, 0.15)
    assert np.abs(losses(measure(gain, box=box)) - true_losses(gain, box=box)).max() < 5e-5


def test_the_fields_are_consistent():
    falloff = measure(round_falloff(0.5, 0.1, 0.05, 0.03))
    each = losses(falloff)
    assert falloff.worst_corner_loss_ev == each.max()
    assert falloff.worst_corner == "upper left"
    assert falloff.mean_corner_loss_ev == pytest.approx(each.mean())
    assert falloff.asymmetry_ev == pytest.approx(np.ptp(each))
    assert falloff.plane == "green"
    assert falloff.shot_count == 3


def test_a_brighter_corner_is_a_negative_loss():
    assert measure(round_falloff(-0.2, 0)).mean_corner_loss_ev < -0.2


@pytest.mark.parametrize("sense", [1, -1])
def test_either_diagonal_may_be_the_darker_one(sense):
    def gain(x, y):
        return round_falloff(0.4, 0)(x, y) * (1 - 0.3 * sense * x * y)

    upper_left, upper_right, lower_left, lower_right = true_losses(gain)
    apart = (upper_left + lower_right - upper_right - lower_left) / 2
    assert np.sign(apart) == sense
    assert measure(gain).diagonals_ev == pytest.approx(abs(apart), abs=1e-4)


@pytest.mark.parametrize("corner", CORNERS)
def test_each_dark_corner_is_named(corner):
    down, across = SLICES[corner]

    def gain(x, y):
        # rows and columns are counted from the border: 1 is the first
        return round_falloff(0.4, 0)(x, y) * (1 - 0.4 * np.maximum(-across * x, 0) * np.maximum(-down * y, 0))

    falloff = measure(gain)
    assert falloff.worst_corner == corner.replace("_", " ")
    each = true_losses(gain)
    assert losses(falloff) == pytest.approx(each, abs=1e-3)
    assert falloff.diagonals_ev == pytest.approx((each.max() - each.min()) / 2, abs=1e-3)


def test_colour_shading_is_against_green():
    gains = (round_falloff(0.6, 0), round_falloff(0.5, 0), round_falloff(0.45, 0))
    falloff = measure(gains)
    red, green, blue = (true_losses(gain).mean() for gain in gains)
    assert falloff.red_shading_ev == pytest.approx(red - green, abs=5e-5)
    assert falloff.blue_shading_ev == pytest.approx(blue - green, abs=5e-5)


def test_one_plane_has_no_colour_shading():
    falloff = measure(round_falloff(), planes=("white",))
    assert np.isnan([falloff.red_shading_ev, falloff.red_shading_ev_u, falloff.blue_shading_ev]).all()
    assert falloff.plane == "white"


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_a_shift_of_the_falloff_shifts_its_centre(x0, y0):
    falloff = measure(round_falloff(0.5, 0.1, x0, y0))
    assert falloff.centre_x_frac == pytest.approx(x0, abs=1e-4)
    assert falloff.centre_y_frac == pytest.approx(y0, abs=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(0.1, 0.6))
def test_a_mirrored_field_mirrors(x0, y0, strength):
    one = measure(round_falloff(strength, 0.05, x0, y0))
    other = measure(round_falloff(strength, 0.05, -x0, y0))
    assert np.allclose(losses(other)[[1, 0, 3, 2]], losses(one), atol=1e-5)
    assert other.centre_x_frac == pytest.approx(-one.centre_x_frac, abs=1e-5)
    assert other.centre_y_frac == pytest.approx(one.centre_y_frac, abs=1e-5)


@settings(max_examples=10, deadline=None)
@given(st.floats(0.2, 1.5))
def test_exposure_does_not_matter(factor):
    x, y = half_diagonals(160, 240)
    light = 0.55 * round_falloff(0.5, 0.1)(x, y)
    fields = [
        combine_flats((reduce_flat(make_mosaic(level * light), blocks_across_count=24),), make_stand())
        for level in (1, factor)
    ]
    one, other = (losses(measure_vignetting(field, make_stand())) for field in fields)
    assert np.abs(one - other).max() < 3e-4  # whole DN over a few hundred pixels


def test_the_source_is_divided_out(tmp_path):
    lens = round_falloff(0.5, 0.1)

    def source(x, y):
        return 1 + 0.05 * x - 0.04 * y - 0.06 * (x**2 + y**2)

    rows, columns = 12, 18
    half = np.hypot(*SIZE) / 2
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * SIZE[0] / half
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * SIZE[1] / half
    stand = make_stand(source_map=save_data(tmp_path / "source.npy", 7.0 * source(*np.meshgrid(x, y))))
    falloff = measure(lambda x, y: lens(x, y) * source(x, y), stand=stand)
    assert np.abs(losses(falloff) - true_losses(lens)).max() < 1e-4
    assert falloff.centre_x_frac == pytest.approx(0, abs=1e-3)
    assert falloff.notes == ()


def test_without_a_source_map_there_is_a_note():
    assert measure(round_falloff()).notes == (
        "the stand has no source map: the source's own unevenness is part of these numbers",
    )


def test_a_source_map_that_is_no_grid_is_refused(tmp_path):
    stand = make_stand(source_map=save_data(tmp_path / "source.npy", np.ones(40)))
    with pytest.raises(Unmeasurable) as caught:
        measure(round_falloff(), stand=stand)
    assert (
        str(caught.value) == "the source map source.npy has the shape (40,); it must be rows x columns, 2 x 2 or more"
    )


def test_a_panel_is_refused():
    with pytest.raises(Unmeasurable) as caught:
        measure(round_falloff(), role="panel")
    assert str(caught.value) == ("vignetting is measured from shots of the diffuse source; a panel's light is not even")


def test_a_corner_without_light_is_refused():
    with pytest.raises(Unmeasurable) as caught:
        measure(round_falloff(1.05, 0.1, -0.02, -0.02))
    assert str(caught.value) == (
        "the lower right corner has no light above black: is the lens's image circle smaller than the frame, or the "
        "black level wrong?"
    )


def test_even_light_has_no_centre():
    noise = np.random.default_rng(4).normal(0, 1e-4, (62, 93))
    falloff = measure(lambda x, _: np.ones_like(x) + noise)
    assert np.isnan(
        [falloff.centre_x_frac, falloff.centre_x_frac_u, falloff.centre_y_frac, falloff.centre_y_frac_u]
    ).all()
    assert "the falloff is too small, or too uneven, to have a centre" in falloff.notes
    assert abs(falloff.mean_corner_loss_ev) < 1e-3


def test_misfit_widens_the_centres_uncertainty():
    def one_sided(x, y):
        return round_falloff()(x, y) * (1 - 0.05 * np.exp(-((x - 0.5) ** 2 + (y - 0.3) ** 2) / 0.02))

    even, uneven = measure(round_falloff()), measure(one_sided)
    assert uneven.centre_x_frac_u > 20 * even.centre_x_frac_u
    assert 0.001 < abs(uneven.centre_x_frac) < 4 * uneven.centre_x_frac_u


def test_the_stated_uncertainty_covers_the_errors():
    # 30 nights of 3 noisy frames each: errors over stated uncertainties are near a standard normal, from below
    x, y = half_diagonals(200, 300)
    gain = round_falloff(0.6, 0.1)
    light = 0.6 * gain(x, y)
    truth = true_losses(gain, size=(300, 200))
    ratios = []
    for night in range(30):
        shots = tuple(
            reduce_flat(make_mosaic(light, full_well=30000, seed=3 * night + shot), blocks_across_count=36)
            for shot in range(3)
        )
        falloff = measure_vignetting(combine_flats(shots, make_stand()), make_stand())
        stated = np.array([getattr(falloff, f"{corner}_loss_ev_u") for corner in CORNERS])
        ratios.append((losses(falloff) - truth) / stated)
    spread = float(np.std(ratios))
    assert 0.3 < spread < 1.1
    assert abs(np.mean(ratios)) < 0.35


def test_the_models_slopes_are_its_derivatives():
    """Against scipy's finite differences."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-1, 1, (2, 20))
    place = np.array([0.05, -0.03, 0.9, -0.5, -0.1, 0.02])
    found = approx_fprime(place, lambda parameters: falloff(parameters, x, y), 1e-7)
    assert slopes(place, x, y) == pytest.approx(found, abs=1e-6)


def lit(light):
    """A vignetting result of one flat with the light given pixel by pixel, in blocks of ten pixels."""
    rows, columns = (size // 10 for size in light.shape)
    blocks = light.reshape(rows, 10, columns, 10).mean(axis=(1, 3))
    return measure_vignetting(combine_flats((make_flat_shot(0.6 * blocks),), make_stand()), make_stand())


def test_a_clipped_corner_is_told_where_its_box_hides_it():
    y, x = np.mgrid[:640, :960].astype(float)
    r = np.hypot(x - 479.5, y - 319.5) / (np.hypot(960, 640) / 2)
    smooth = np.exp2(-(r**2))
    # the image circle's rim crosses the corners: closed form by the pixels' own mean
    clipped = smooth * np.clip((1.03 - r) / 0.1, 0.02, 1)
    for light, most in ((smooth, 0.02), (clipped, 0.05)):
        found = lit(light)
        centre = light[304:336, 456:504].mean()
        assert found.extreme_corner_loss_ev == pytest.approx(-np.log2(light[:10, :10].mean() / centre), abs=0.003)
        assert found.worst_corner_loss_ev == pytest.approx(-np.log2(light[:32, :48].mean() / centre), abs=most)
    assert found.extreme_corner_loss_ev > found.worst_corner_loss_ev + 0.9
    assert found.extreme_beyond_box_ev == pytest.approx(
        found.extreme_corner_loss_ev - found.worst_corner_loss_ev, abs=0.01
    )
    assert 0 < found.extreme_corner_loss_ev_u < 0.02


def test_a_corner_without_good_light_has_no_end():
    light = np.full((640, 960), 0.8)
    light[:10, :10] = np.nan
    assert np.isnan(lit(light).extreme_corner_loss_ev)


def test_the_stated_u_of_a_corners_end_is_the_scatter_of_draws():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:64, :96].astype(float)
    light = 0.6 * np.exp2(-(((x - 47.5) ** 2 + (y - 31.5) ** 2) / (48**2 + 32**2)))
    # one corner darker, so that it is the same one each time
    light[0, 0] *= 0.8
    found = [
        measure_vignetting(
            combine_flats(
                (make_flat_shot(light * (1 + 2e-3 * rng.standard_normal(light.shape)), relative_u=2e-3),), make_stand()
            ),
            make_stand(),
        )
        for _ in range(60)
    ]
    ends = np.array([each.extreme_corner_loss_ev for each in found])
    stated = np.sqrt(np.mean([each.extreme_corner_loss_ev_u**2 for each in found]))
    assert 0.7 < ends.std(ddof=1) / stated < 1.35


@pytest.mark.parametrize(("reach", "softness"), [(0.93, 0.0), (0.96, 0.0), (0.93, 0.01)])
def test_a_mechanical_cut_off_is_followed_as_far_as_its_uncertainty_says(reach, softness):
    def gain(x, y):
        r = np.hypot(x, y)
        lit = r < reach if softness == 0 else 1 / (1 + np.exp(np.clip((r - reach) / softness, -50, 50)))
        return (1 - 0.3 * r**2) * (0.3 + 0.7 * lit)

    size = (1500, 1000)
    flat = combine_flats((reduce_flat(make_mosaic(gain(*half_diagonals(*size)))),), make_stand())
    found = measure_vignetting(flat, make_stand(), corner_box_frac=0.05)
    error = losses(found) - true_losses(gain, size=size)
    u = np.array([getattr(found, f"{corner}_loss_ev_u") for corner in CORNERS])
    # measured: up to 0.011 EV off where the light ends within a block
    assert (np.abs(error) < 2 * u).all()
    assert np.abs(error).max() < 0.015
    assert "shadows too wide to interpolate" in " ".join(flat.notes)
