"""Every uncertainty used by a card's limit equals the scatter of repeated noisy draws.

Each test draws the stage's inputs many times with noise of a known size and compares the scatter of a result with the
standard uncertainty that the stage states for it (JCGM 100:2008, 4.2 and 5.1), and counts how often the truth lies
within 1.96 of them.
"""

from dataclasses import replace
from operator import attrgetter

import numpy as np
import pytest

from glasswright_camera.centring.stage import measure_centring
from glasswright_camera.distortion.stage import measure_distortion
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_camera.fringing.stage import measure_fringing
from glasswright_camera.glare.stage import measure_glare
from glasswright_camera.sharpness.stage import measure_best_focus, measure_mtf50
from glasswright_camera.spots.map_spots import map_spots
from glasswright_camera.spots.origin import list_shadows
from glasswright_camera.stabiliser.growth import Lengths, choose_length, fit_growth
from glasswright_camera.stand import ChartUse
from glasswright_camera.vignetting.stage import measure_vignetting
from support.centring_traces import make_field_trace, make_series
from support.centring_traces import make_stand as make_centring_stand
from support.chart_drawing import make_layout
from support.chart_traces import make_trace as make_lattice_trace
from support.chart_traces import project_discs
from support.edge_traces import HEIGHT, WIDTH, make_stand, make_trace
from support.frames import make_flat_field, make_mosaic
from support.frames import make_stand as make_flat_stand
from support.ramp_shots import make_ramp_trace

STAND = make_stand()
MIDDLE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
DRAWS = 120
"""The scatter has a standard error of 6.5 %: 0.8 and 1.25 are three of them off."""


def expect_pinned(found, *names, truth=None, low=0.8, high=1.25, least=0.86):
    """Assert that scatter over stated uncertainty is near one, and the coverage of the interval correct."""
    for name in names:
        value, u = (np.array([attrgetter(name + end)(each) for each in found]) for end in ("", "_u"))
        ratio = value.std(ddof=1) / np.sqrt(np.mean(u**2))
        assert low < ratio < high, f"{name}: scatter {value.std(ddof=1):.3g} is {ratio:.2f} of the stated u"
        covered = np.mean(np.abs(value - (value.mean() if truth is None else truth)) < 1.96 * u)
        assert covered > least, f"{name}: {covered:.2f} within 1.96 u"


def sharp_field(seed, u):
    """MTF50 with one softest corner, noise of `u` on each disc and direction."""
    rng = np.random.default_rng(seed)

    def values(place, _plane):
        x, y = ((place - MIDDLE) / np.hypot(*MIDDLE)).T
        value = 0.3 - 0.06 * (x**2 + y**2) - 0.03 * (x + y) - 0.05 * (x**2 - y**2)
        return np.column_stack([value - 0.02 * (x**2 + y**2), value]) + u * rng.standard_normal((len(x), 2))

    return make_trace(values, u=u)


def test_sharpness_as_shot():
    found = [measure_mtf50((sharp_field(k, 0.003),), STAND) for k in range(DRAWS)]
    expect_pinned(
        found,
        "green.centre.mean_cy_per_px",
        "green.worst_cy_per_px",
        "green.corner_mean_cy_per_px",
        "green.corner_imbalance_frac",
    )


def test_soft_sides_and_softer_corners():
    found = [measure_centring((sharp_field(k, 0.003),), None, None, None, STAND) for k in range(DRAWS)]
    expect_pinned(found, "soft_sides_frac", "corner_softening_frac", "side_slope_frac")


def test_the_worst_displacement_of_a_colour():
    # red's centres and green's are uncertain by different amounts: both count
    for red_u, green_u in ((0.02, 0.004), (0.004, 0.02)):
        found = []
        for seed in range(DRAWS):
            rng = np.random.default_rng(seed)

            def shift(place, plane, rng=rng, red_u=red_u, green_u=green_u):
                lateral = 1e-3 * (place - MIDDLE) + np.array([0.3, 0.2]) if plane == 0 else 0.0
                return lateral + (red_u if plane == 0 else green_u) * rng.standard_normal(place.shape)

            trace = make_trace(shift=shift)
            stated = np.full_like(trace.centre_u_px, green_u)
            stated[0] = red_u
            found.append(measure_fringing((replace(trace, centre_u_px=stated),), STAND))
        expect_pinned(found, "red_green.worst_pct", "worst_red_green_px", "red_green.corner_radial_px")


def test_distortion_at_the_worst_edge():
    layout = make_layout()
    stand = replace(STAND, charts=(ChartUse(layout=layout),))
    node, centre = project_discs(layout, radial=(-0.03, 0.02, 0.0), tangential=(0.0, 0.002))
    found = [
        measure_distortion((make_lattice_trace(node, centre, noise_px=0.05, u_px=0.05, seed=k),), stand)
        for k in range(60)
    ]
    expect_pinned(found, "picture_height_worst_pct", low=0.72, high=1.35)  # 60 draws


FLAT_X, FLAT_Y = 0.83, 0.55
"""Half the frame's sides in half-diagonals, about."""


def uneven_field(seed, corner_u, centre_u):
    """Falloff about a point off the middle, with independent errors of each corner and the middle."""
    rng = np.random.default_rng(seed)
    off = {(sx, sy): corner_u * rng.standard_normal() for sx in (-1, 1) for sy in (-1, 1)}
    middle = centre_u * rng.standard_normal()

    def corners(x, y):
        return (np.abs(x) > FLAT_X / 2) & (np.abs(y) > FLAT_Y / 2)

    def gain(x, y):
        square = (x - 0.06) ** 2 + (y - 0.04) ** 2
        error = np.where(np.hypot(x, y) < 0.2, middle, 0.0)
        for (sx, sy), much in off.items():
            error = np.where(corners(x, y) & (np.sign(x) == sx) & (np.sign(y) == sy), much, error)
        return (1 - 0.6 * square - 0.1 * square**2) * (1 + error)

    flat = make_flat_field(gain, size=(930, 617))
    rows, columns = flat.gain.shape[1:]
    y, x = np.meshgrid(np.linspace(-FLAT_Y, FLAT_Y, rows), np.linspace(-FLAT_X, FLAT_X, columns), indexing="ij")
    relative = np.where(corners(x, y), corner_u, np.where(np.hypot(x, y) < 0.2, centre_u, 1e-5))
    return replace(flat, gain_u=(relative * flat.gain).astype(np.float32))


@pytest.mark.parametrize(("corner_u", "centre_u"), [(0.01, 1e-5), (1e-5, 0.01), (0.006, 0.006)])
def test_corner_losses_hold_the_corners_part_and_the_centres(corner_u, centre_u):
    found = [measure_vignetting(uneven_field(k, corner_u, centre_u), make_flat_stand()) for k in range(DRAWS)]
    expect_pinned(found, "worst_corner_loss_ev", "upper_right_loss_ev")
    if corner_u > centre_u:
        expect_pinned(found, "asymmetry_ev", "diagonals_ev")
    if centre_u >= corner_u:
        # the corners' own part is not averaged down, as repeats may share it
        expect_pinned(found, "mean_corner_loss_ev", low=0.7)


def veiled(seed, scatter):
    trace = make_trace()
    light = 0.8 * np.ones_like(trace.paper_light)
    uneven = 1 + scatter * np.random.default_rng(seed).standard_normal(light.shape)
    dark, no_middle = light * (0.97 / 15 + 0.03) * uneven, np.full_like(light, np.nan)
    return replace(trace, paper_light=light, dark_light=dark, middle_light=no_middle)


def print_of(contrast, u_frac):
    layout = replace(STAND.charts[0].layout, contrast_ratio=contrast, contrast_u_frac=u_frac)
    return replace(STAND, charts=(ChartUse(layout=layout),))


def test_glare_by_the_discs_scatter_and_by_the_prints_contrast():
    alone = [measure_glare((veiled(k, 0.05),), None, print_of(15.0, 1e-6)) for k in range(DRAWS)]
    expect_pinned(alone, "chart_glare_pct", "centre_glare_pct", "corner_glare_pct", truth=3.0)
    contrast = 15 * (1 + 0.1 * np.random.default_rng(8).standard_normal(DRAWS))
    printed = [measure_glare((veiled(k, 0.05),), None, print_of(c, 0.1)) for k, c in enumerate(contrast)]
    expect_pinned(printed, "chart_glare_pct", truth=3.0)


@pytest.mark.parametrize("count", [1, 3])
def test_focus_offset_of_one_shot_and_of_some(count):
    found = [
        measure_focus_offset(tuple(make_ramp_trace(12.0, noise=0.01, seed=10 * k + j) for j in range(count)))
        for k in range(DRAWS)
    ]
    expect_pinned(found, "green.shift_um", "green.offset_mm")
    expect_pinned(found, "green.kept_sharpness_frac", "red_green_um")


def test_focus_offset_of_shots_that_scatter():
    rng = np.random.default_rng(4)
    found = [
        measure_focus_offset(tuple(make_ramp_trace(12 + 3 * rng.standard_normal(), seed=j) for j in range(6)))
        for k in range(DRAWS)
    ]
    # six shots: 1.96 of their own standard errors hold 89 % (Student's t for 5 degrees of freedom)
    expect_pinned(found, "green.shift_um", "green.kept_sharpness_frac", least=0.8)


def test_the_boards_angle_does_not_average_out():
    rng = np.random.default_rng(5)
    found = []
    for k in range(DRAWS):
        angle = 45 + 2 * rng.standard_normal()
        shots = [make_ramp_trace(12.0, noise=0.01, seed=10 * k + j, angle_deg_u=2.0) for j in range(3)]
        found.append(measure_focus_offset(tuple(replace(each, angle_deg=angle) for each in shots)))
    expect_pinned(found, "green.shift_um", "green.offset_mm")


def test_tilt_and_curvature_of_a_series():
    layout, stand = make_layout(), make_centring_stand()
    found = []
    for seed in range(30):
        series = make_series(layout, tilt_um=(9.0, -12.0), field_curvature_um=6.0)
        rng = np.random.default_rng(seed)
        noisy = tuple(
            replace(
                each, mtf50=each.mtf50 * (1 + 0.01 * rng.standard_normal(each.mtf50.shape)), mtf50_u=0.01 * each.mtf50
            )
            for each in series
        )
        focus = replace(measure_best_focus(noisy, stand), setting=series[0].setting)
        found.append(measure_centring((make_field_trace(layout),), (focus,), None, None, stand))
    # 30 draws: the scatter has a standard error of 13 %
    expect_pinned(found, "tilt_steps", "field_curvature_steps", low=0.65, high=1.4)


def test_the_centres_focus_contributes_to_the_corners_uncertainty():
    # only the middle's discs are noisy: corners read at its focus, on a slope, move with it
    layout, stand = make_layout(), make_centring_stand()
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        steps = []
        for each in make_series(layout, field_curvature_um=12.0):
            away = np.linalg.norm(each.centre_px[1] - MIDDLE, axis=1) / np.hypot(*MIDDLE)
            much = np.where(away < 0.35, 0.12, 1e-4)[None, :, None]
            value = each.mtf50 * (1 + much * rng.standard_normal(each.mtf50.shape))
            steps.append(replace(each, mtf50=value, mtf50_u=much * each.mtf50))
        found.append(measure_best_focus(tuple(steps), stand))
    expect_pinned(
        found, "centre_steps", "focus.upper_left.medial_steps", "green.upper_left.mean_cy_per_px", low=0.7, high=1.4
    )


@pytest.mark.parametrize(("off", "on"), [(1.0, 1.0), (0.9, 0.65), (1.25, 0.95)])
def test_the_stabilisers_benefit(off, on):
    time = np.log(np.repeat([1 / 80, 1 / 60, 1 / 40, 1 / 30, 1 / 15, 1 / 8, 1 / 5, 1 / 4], 3))
    is_on = np.repeat([False, True], 12)
    # 18 um after 1/50 s off, and three stops later on
    level = np.log(18.0) + np.where(is_on, on * (time - np.log(8 / 50)), off * (time - np.log(1 / 50)))
    at = np.log(18.0)
    rows = []
    for seed in range(80):
        length = level + 0.2 * np.random.default_rng(seed).standard_normal(24)
        lengths = Lengths(log_time=time, log_length=length, kind=np.zeros(24, dtype=int), is_on=is_on)
        growth = fit_growth(lengths)
        assert choose_length(lengths)[1]
        rows.append([growth.benefit(at), growth.time_at(at, on=False), growth.slope(on=False), growth.slope(on=True)])
    table = np.array(rows)
    truth = np.array([np.log(8.0), np.log(1 / 50), off, on])
    ratio = table[..., 0].std(axis=0, ddof=1) / np.sqrt((table[..., 1] ** 2).mean(axis=0))
    assert table[..., 0].mean(axis=0) == pytest.approx(truth, abs=0.06)
    assert (ratio > 0.72).all(), ratio
    assert (ratio < 1.3).all(), ratio


def test_the_depth_of_a_spot():
    rows, columns = np.mgrid[:240, :360].astype(float)
    light = 0.6 * (1 - 0.05 * np.clip((30 - np.hypot(columns - 160.3, rows - 120.7)) / 2, 0, 1))
    found = []
    for seed in range(40):
        spots = map_spots(make_mosaic(light, full_well=12_000, seed=seed))
        (seen,) = list_shadows(spots)
        found.append((seen.depth, seen.depth_u, spots.depth_u[0]))
    depth, u, noise_u = np.array(found).T
    assert 0.7 < depth.std(ddof=1) / np.sqrt(np.mean(noise_u**2)) < 1.4  # 40 draws, noise alone
    assert (u > noise_u).all()
    assert depth.mean() == pytest.approx(0.05, rel=0.02)
