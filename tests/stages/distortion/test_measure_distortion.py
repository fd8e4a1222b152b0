from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera.chart.model import DistortionModel, Frame, LatticeModel, fit_lattice
from glasswright_camera.chart.pose import to_lattice
from glasswright_camera.distortion.fit import measure_centre_shift, measure_disc_radii
from glasswright_camera.distortion.lines import measure_edge_bend, measure_worst_bend
from glasswright_camera.distortion.stage import measure_distortion
from support.chart_drawing import make_layout, make_stand
from support.chart_traces import make_shots, make_trace, project_discs

LAYOUT = make_layout()
STAND = make_stand(LAYOUT)
HALF_WIDTH, HALF_HEIGHT = 3 / np.sqrt(13), 2 / np.sqrt(13)  # of a 3:2 frame, in half-diagonals


def expect_lines(radial):
    """Expected sag of top and left edge: (rise of r' - r between middle and corner) / 2, since the edge is at half the
    size."""

    def gain(square):
        return sum(k * square ** (i + 1) for i, k in enumerate(radial))

    return 50 * (gain(1.0) - gain(HALF_HEIGHT**2)), 50 * (gain(1.0) - gain(HALF_WIDTH**2))


LENSES = {
    "barrel": (-0.03, 0.0, 0.0),
    "pincushion": (0.025, -0.004, 0.0),
    "turning": (-0.06, 0.07, 0.0),
    "turning back": (0.05, -0.06, 0.01),
    "strong": (-0.12, 0.03, 0.0),
}


@pytest.mark.parametrize("name", LENSES)
def test_lines_curve_and_pose_of_a_projected_chart(name):
    radial = LENSES[name]
    view = {"tilt_x": 0.12, "tilt_y": -0.07, "rotation": 1.5, "shift_px": (35.0, -20.0), "tangential": (2e-4, -3e-4)}
    found = measure_distortion(make_shots(3, noise_px=0.01, radial=radial, **view), STAND)
    top, left = expect_lines(radial)
    # tangential terms bend top and bottom in opposite ways
    assert (found.picture_height_top_pct + found.picture_height_bottom_pct) / 2 == pytest.approx(top, abs=0.003)
    assert (found.picture_width_left_pct + found.picture_width_right_pct) / 2 == pytest.approx(left, abs=0.003)
    assert found.corner_radial_pct == pytest.approx(100 * sum(radial), abs=0.005)
    assert found.pose_tilt_x_deg == pytest.approx(0.12, abs=0.003)
    assert found.pose_tilt_y_deg == pytest.approx(-0.07, abs=0.003)
    assert found.rotation_deg == pytest.approx(1.5, abs=0.001)
    assert found.magnification_frac == pytest.approx(0.0225, rel=1e-4)
    assert found.tangential_p1_frac == pytest.approx(2e-4, abs=5e-6)
    assert found.tangential_p2_frac == pytest.approx(-3e-4, abs=5e-6)
    heights = found.curve_height_frac**2
    curve = 100 * sum(k * heights ** (i + 1) for i, k in enumerate(radial))
    np.testing.assert_allclose(found.curve_radial_pct, curve, atol=0.005)
    assert found.caveats == ()
    assert (found.disc_count, found.left_out_count, found.shot_count) == (117, 0, 3)


def test_edges_of_a_tangential_lens_bend_apart():
    p1 = 4e-4
    found = measure_distortion(make_shots(radial=(-0.01, 0.0, 0.0), tangential=(p1, 0.0)), STAND)
    # y' gains p1 x^2 on every horizontal line: away from the centre at the bottom, towards it at the top
    rise = 50 * p1 * HALF_WIDTH**2 / HALF_HEIGHT
    middle = expect_lines((-0.01,))[0]
    assert found.picture_height_bottom_pct == pytest.approx(middle + rise, abs=1e-3)
    assert found.picture_height_top_pct == pytest.approx(middle - rise, abs=1e-3)
    assert found.picture_height_worst_pct == found.picture_height_top_pct
    assert found.decentring_worst_pct == pytest.approx(300 * p1, abs=1e-3)


def test_local_distortion_is_that_of_the_discs_themselves():
    found = measure_distortion(make_shots(radial=(-0.04, 0.0, 0.0)), STAND)
    height = found.disc_height_frac
    good = np.isfinite(found.disc_local_pct)
    np.testing.assert_allclose(found.disc_local_pct[good], -4 * height[good] ** 2, atol=2e-4)
    assert found.local_worst_height_frac == pytest.approx(height.max())
    # the corner disc: 6 x 4 pitches of 450 px from the centre
    assert height.max() == pytest.approx(450 * np.hypot(6, 4) / np.hypot(3000, 2000), abs=1e-5)
    assert found.local_worst_pct == pytest.approx(-4 * height.max() ** 2, abs=2e-4)
    assert found.reach_frac == pytest.approx(height.max() * (1 - 0.04 * height.max() ** 2), abs=1e-5)


def test_a_wave_shows_in_the_sag_though_ends_and_middle_agree():
    # r^2 and r^4 such that the top edge's corner and middle lie alike
    k1 = -0.05
    k2 = -k1 * (1 - HALF_HEIGHT**2) / (1 - HALF_HEIGHT**4)
    distortion = DistortionModel(radial=np.array([k1, k2]), tangential=np.zeros(2))
    assert measure_edge_bend(distortion, HALF_WIDTH, HALF_HEIGHT)["top"] == pytest.approx(0.0, abs=1e-12)
    # by hand: along the edge u = x^2, bend h (k1 u + k2 (u^2 + 2 h^2 u)), least at half of w^2
    u = HALF_WIDTH**2 / 2
    by_hand = HALF_HEIGHT * (k1 * u + k2 * (u * u + 2 * HALF_HEIGHT**2 * u))
    assert measure_worst_bend(distortion, HALF_WIDTH, HALF_HEIGHT) >= 100 * abs(by_hand) / (2 * HALF_HEIGHT) - 1e-4


# --- the size of the discs


def test_distortion_moves_a_large_disc_by_three_k_x_rho_squared():
    # closed form of first order in k; at k = -0.05, -0.017 px at the corner for 20 of 3600 px
    for k, share in ((-0.0005, 1e-3), (-0.05, 0.03)):
        distortion = DistortionModel(radial=np.array([k]), tangential=np.zeros(2))
        model = LatticeModel(plane=np.eye(3), distortion=distortion, covariance=np.zeros((0, 0)))
        moved = measure_centre_shift(model, np.array([[1.0, 0.0], [0.0, 0.5]]), np.full(2, 20 / 3600))
        expected = 3 * k * np.array([1.0, 0.5]) * (20 / 3600) ** 2
        np.testing.assert_allclose([moved[0, 0], moved[1, 1]], expected, rtol=share)
        np.testing.assert_allclose([moved[0, 1], moved[1, 0]], 0, atol=1e-12)


def test_perspective_moves_a_disc_by_its_closed_form():
    # r^2 sin t cos t / f: 20 px, 10 000 px, 5 degrees -> 0.0035 px (Ahn, Warnecke & Rauh 1999)
    tilt, focal, radius = np.radians(5.0), 10_000.0, 20.0
    plane = np.array([[np.cos(tilt), 0, 0], [0, 1, 0], [np.sin(tilt) / focal, 0, 1]])
    model = LatticeModel(
        plane=plane, distortion=DistortionModel(radial=np.zeros(1), tangential=np.zeros(2)), covariance=np.zeros((0, 0))
    )
    moved = measure_centre_shift(model, np.zeros((1, 2)), np.array([radius]))
    np.testing.assert_allclose(moved[0], _find_ellipse_centre(plane, radius), atol=2e-5)
    assert abs(moved[0, 0]) == pytest.approx(0.0035, rel=0.02)


def _find_ellipse_centre(plane, radius):
    """Centre of the conic that the circle's image is (Hartley & Zisserman, 2.2.3)."""
    back = np.linalg.inv(plane)
    conic = back.T @ np.diag([1, 1, -(radius**2)]) @ back
    return np.linalg.solve(conic[:2, :2], -conic[:2, 2])


def test_uncorrected_disc_size_would_show():
    """Effect of the correction: the chart projected with and without it."""
    view = {"radial": (-0.08, 0.0, 0.0)}
    node, large = project_discs(LAYOUT, **view)
    small = project_discs(LAYOUT, true_size=False, **view)[1]
    assert np.hypot(*(large - small).T).max() > 0.3
    found = measure_distortion((make_trace(node, large),), STAND)
    assert found.residual_rms_px < 0.002
    assert found.corner_radial_pct == pytest.approx(-8.0, abs=0.001)


def test_a_large_mark_has_its_own_radius():
    layout = make_layout(kind="large")
    node = np.array([[5, 3], [0, 0]])
    np.testing.assert_allclose(measure_disc_radii(node, layout) * 720, [33.6, 24.0])


# --- what must not matter


@settings(max_examples=12, deadline=None)
@given(
    k1=st.floats(-0.08, 0.06),
    k2=st.floats(-0.03, 0.03),
    rotation=st.sampled_from([0.0, 3.0, 180.0]),
    shift=st.floats(-40, 40),
    tilt=st.floats(-0.15, 0.15),
)
def test_pose_does_not_matter(k1, k2, rotation, shift, tilt):
    view = {"rotation": rotation, "shift_px": (shift, 20.0), "tilt_x": tilt, "tilt_y": -tilt}
    found = measure_distortion(make_shots(radial=(k1, k2, 0.0), **view), STAND)
    top, left = expect_lines((k1, k2))
    assert found.picture_height_top_pct == pytest.approx(top, abs=1e-3)
    assert found.picture_width_right_pct == pytest.approx(left, abs=1e-3)


def test_a_mirrored_lens_mirrors():
    node, centre = project_discs(LAYOUT, radial=(-0.03, 0.01, 0.0), tangential=(2e-4, 5e-4))
    one = measure_distortion((make_trace(node, centre),), STAND)
    # mirroring lens and chart swaps the columns
    flipped = np.column_stack([5999 - centre[:, 0], centre[:, 1]])
    two = measure_distortion((make_trace(np.column_stack([12 - node[:, 0], node[:, 1]]), flipped),), STAND)
    assert two.picture_width_left_pct == pytest.approx(one.picture_width_right_pct, abs=1e-6)
    assert two.picture_height_top_pct == pytest.approx(one.picture_height_top_pct, abs=1e-6)
    assert two.tangential_p2_frac == pytest.approx(-one.tangential_p2_frac, abs=1e-8)


def test_a_quarter_turn_of_the_body_turns_the_edges():
    layout = make_layout(9, 9)
    stand = make_stand(layout)
    node, centre = project_discs(
        layout, width=4000, height=4000, radial=(-0.03, 0.0, 0.0), tangential=(5e-4, 0.0), magnification=0.021
    )
    one = measure_distortion((make_trace(node, centre, width=4000, height=4000, chart=layout.name),), stand)
    turned = np.column_stack([3999 - centre[:, 1], centre[:, 0]])  # clockwise: what was above is at the right
    two = measure_distortion((make_trace(node, turned, width=4000, height=4000, chart=layout.name),), stand)
    assert two.picture_width_right_pct == pytest.approx(one.picture_height_top_pct, abs=1e-6)
    assert two.picture_width_left_pct == pytest.approx(one.picture_height_bottom_pct, abs=1e-6)
    assert two.rotation_deg == pytest.approx(one.rotation_deg + 90, abs=1e-4)


# --- uncertainty


def test_the_uncertainty_equals_the_scatter():
    names = ("picture_height_top_pct", "corner_radial_pct", "pose_tilt_x_deg", "magnification_frac")
    node, centre = project_discs(LAYOUT, radial=(-0.03, 0.02, 0.0))
    found = [
        measure_distortion((make_trace(node, centre, noise_px=0.05, u_px=0.05, seed=3 + 10 * seed),), STAND)
        for seed in range(60)
    ]
    for name in names:
        scatter = np.std([getattr(each, name) for each in found], ddof=1)
        stated_u = np.sqrt(np.mean([getattr(each, f"{name}_u") ** 2 for each in found]))
        # 60 draws: the scatter has a standard error of 9 %
        assert stated_u == pytest.approx(scatter, rel=0.3), name
    # the worst of four alike corners scatters less than each of them does, so one corner is followed
    corner = np.std([each.disc_local_pct[0] for each in found], ddof=1)
    assert found[0].local_worst_pct_u == pytest.approx(corner, rel=0.3)


def test_the_prints_own_errors_do_not_average_out():
    node, centre = project_discs(LAYOUT, radial=(-0.03, 0.0, 0.0))
    warped = centre + np.random.default_rng(8).normal(0, 0.2, centre.shape)
    few, many = (
        measure_distortion(
            tuple(make_trace(node, warped, noise_px=0.01, seed=k, shot=f"chart/{k}") for k in range(count)), STAND
        )
        for count in (1, 4)
    )
    assert many.residual_rms_px == pytest.approx(0.2, rel=0.15)
    assert many.picture_height_top_pct_u == pytest.approx(few.picture_height_top_pct_u, rel=0.05)
    assert abs(many.picture_height_top_pct - expect_lines((-0.03,))[0]) < 3 * many.picture_height_top_pct_u


def test_shots_that_scatter_more_than_noise_set_a_caveat():
    shots = [make_shots(radial=(-0.03 + 0.001 * k, 0.0, 0.0))[0] for k in (-2, -1, 0, 1, 2)]
    found = measure_distortion(tuple(shots), STAND)
    scatter = np.std([expect_lines((-0.03 + 0.001 * k,))[0] for k in (-2, -1, 0, 1, 2)], ddof=1)
    assert found.picture_height_top_pct_u == pytest.approx(scatter / np.sqrt(5), rel=0.02)


# --- caveats


def test_a_tilted_chart_sets_a_caveat():
    found = measure_distortion(make_shots(tilt_x=0.3, tilt_y=-0.4), STAND)
    assert found.caveats == ("chart_not_parallel",)
    assert found.notes == (
        "the chart is tilted by 0.50 degrees against the sensor (limit 0.2): +0.30 about x, -0.40 about y; "
        "align it and shoot again",
    )


def test_correlated_pose_and_lens_set_a_caveat():
    found = measure_distortion(make_shots(2, noise_px=1.0, u_px=1.0, focal_mm=400.0), STAND)
    assert "pose_not_separable" in found.caveats
    assert any("cannot be separated from the lens's decentring" in note for note in found.notes)


def test_without_a_focal_length_the_tilt_is_not_a_number():
    found = measure_distortion(tuple(replace(shot, setting=None) for shot in make_shots()), STAND)
    assert np.isnan(found.pose_tilt_x_deg)
    assert np.isnan(found.pose_tilt_y_deg_u)
    assert np.isfinite(found.picture_height_worst_pct_u)
    assert found.notes == (
        "the chart's tilt in degrees needs the focal length, which neither the files nor the ticket give",
    )


def test_a_small_chart_sets_a_caveat_for_extrapolation():
    found = measure_distortion(make_shots(magnification=0.0175), STAND)
    assert found.caveats == ("short_of_corner",)
    assert found.notes == ("the discs reach to 0.70 of the half-diagonal; numbers for the corner are extrapolated",)


# --- poor data


def test_too_few_discs():
    shot = make_shots()[0]
    centre = shot.centre_px.copy()
    centre[1, 20:] = np.nan
    with pytest.raises(Unmeasurable) as caught:
        measure_distortion((replace(shot, centre_px=centre),), STAND)
    assert str(caught.value) == (
        "chart/0000: 20 discs have a centre in the green plane, 30 are needed to separate the chart's pose from the "
        "lens (117 discs were traced)"
    )


def test_discs_near_the_middle_only():
    with pytest.raises(Unmeasurable) as caught:
        measure_distortion(make_shots(magnification=0.0125), STAND)
    assert (
        str(caught.value)
        == "the discs reach only to 0.500 of the half-diagonal, 0.6 is needed; fill the frame with the chart"
    )


def test_an_unknown_chart_and_two_charts():
    shot = make_shots()[0]
    with pytest.raises(Unmeasurable, match="the shots show chart other, the stand file has lattice_13x9"):
        measure_distortion((replace(shot, chart="other"),), STAND)
    with pytest.raises(Unmeasurable, match="the shots show different charts: lattice_13x9, other"):
        measure_distortion((shot, replace(shot, chart="other")), STAND)


def test_a_single_disc_off_the_lattice_is_left_out():
    node, centre = project_discs(LAYOUT, radial=(-0.03, 0.0, 0.0))
    spoiled = centre.copy()
    spoiled[40] += (1.5, -1.0)
    found = measure_distortion((make_trace(node, spoiled, noise_px=0.01),), STAND)
    assert (found.disc_count, found.left_out_count) == (116, 1)
    assert found.corner_radial_pct == pytest.approx(-3.0, abs=0.005)


def test_a_crumpled_chart_is_refused():
    node, centre = project_discs(LAYOUT)
    crumpled = centre.copy()
    crumpled[node[:, 1] < 4] += np.random.default_rng(0).normal(0, 40, (52, 2))
    with pytest.raises(Unmeasurable, match=r"chart/0001: \d+ of 117 discs have no centre or do not fit a lattice"):
        measure_distortion((make_trace(node, crumpled, noise_px=0.01),), STAND)


def test_the_white_plane_is_used_with_a_monochrome_sensor():
    node, centre = project_discs(LAYOUT, radial=(0.02, 0.0, 0.0))
    found = measure_distortion((make_trace(node, centre, planes=("white",)),), STAND)
    assert found.corner_radial_pct == pytest.approx(2.0, abs=1e-3)


def test_fewer_terms_set_the_third_to_zero():
    found = measure_distortion(make_shots(radial=(-0.03, 0.01, 0.0)), STAND, radial_terms_count=2)
    assert found.radial_k3_frac == 0
    assert found.radial_k3_frac_u == 0
    assert found.corner_radial_pct == pytest.approx(-2.0, abs=1e-3)


def test_the_fit_recovers_the_model():
    rng = np.random.default_rng(2)
    distortion = DistortionModel(radial=np.array([-0.05, 0.03, -0.01]), tangential=np.array([3e-4, -2e-4]))
    plane = np.array([[0.7, 0.02, 0.01], [-0.02, 0.71, -0.03], [0.004, -0.003, 1.0]])
    true = LatticeModel(plane=plane, distortion=distortion, covariance=np.zeros((0, 0)))
    lattice = to_lattice(rng.permutation(np.array([(c, r) for c in range(13) for r in range(9)])), LAYOUT)
    found = fit_lattice(lattice, true.place(lattice), radial_terms=3, tangential=True)
    np.testing.assert_allclose(found.plane, plane, atol=1e-9)
    np.testing.assert_allclose(found.distortion.radial, distortion.radial, atol=1e-8)
    np.testing.assert_allclose(found.distortion.tangential, distortion.tangential, atol=1e-9)
    assert Frame(width_px=6000, height_px=4000).half_diagonal_px == pytest.approx(3605.5513)
