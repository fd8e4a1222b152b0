"""The stage that traces edges: from a mosaic and the located chart to a table or an error."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import shift

from glasswright import Unmeasurable
from glasswright_camera.edges.kernel.discs import MEASURED, NO_EDGE, NO_LEVEL, NOT_CONVERGED, REJECTED, TOO_SHARP
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.edges.trace_notes import name_failures
from glasswright_camera.field import direction_share
from glasswright_camera.light.flat import FlatField
from glasswright_camera.sharpness.reading import UNEVEN_SHAPE_U
from glasswright_camera.stand import Zones
from support.edge_images import (
    Sheet,
    bent_pupil,
    draw_sheet,
    gaussian,
    make_fit,
    make_stand,
    mtf50_of,
    solve_blur,
    to_mosaic,
)

SHARP = 0.2
SIGMA = 0.187391 / SHARP


@pytest.fixture(scope="module")
def sheet():
    return draw_sheet(gaussian(SIGMA), 32.0, phases=16)


def expose(light, noise=0.002, **how):
    return to_mosaic(light, noise=noise, rng=np.random.default_rng(3), **how)


def trace(sheet, light=None, *, panel=None, flat=None, kind="large", **settings):
    mosaic = expose(sheet.light if light is None else light)
    return trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet, kind=kind), panel, flat, **settings)


def test_every_disc_is_measured_in_every_plane(sheet):
    found = trace(sheet)
    assert found.disc_count == 16
    assert found.left_out_count == 0
    assert found.notes == ()
    assert found.caveats == ()
    assert found.planes == ("red", "green", "blue")
    assert np.abs(found.mtf50 / SHARP - 1).max() < 0.01
    assert np.abs(found.centre_px - sheet.centre).max() < 0.01
    assert found.is_sharpness_known().all()


def test_a_trace_names_the_zones_of_its_stand(sheet):
    mosaic, zones = expose(sheet.light), Zones(centre_within_frac=0.4)
    stand = replace(make_stand(sheet, kind="large"), zones=zones)
    assert trace_edges(mosaic, make_fit(sheet, mosaic), stand, None, None).zones == zones


def test_falloff_is_corrected_by_the_panel(sheet):
    height, width = sheet.light.shape
    block = 16.0
    y, x = np.mgrid[: int(height / block) + 1, : int(width / block) + 1]

    def falls(px, py):
        return 1 - 0.4 * ((px / width) ** 2 + (py / height) ** 2)

    place_y, place_x = np.mgrid[:height, :width]
    gain = falls((x + 0.5) * block - 0.5, (y + 0.5) * block - 0.5)
    panel = FlatField(
        role="panel",
        width_px=width,
        height_px=height,
        planes=("red", "green", "blue"),
        block_px=block,
        gain=np.repeat(gain[None], 3, axis=0).astype(np.float32),
        gain_u=np.zeros((3, *gain.shape), np.float32),
        light_level=np.full(3, 0.8, np.float32),
        shot_count=1,
    )
    light = sheet.light * falls(place_x, place_y)
    plain, evened = trace(sheet, light), trace(sheet, light, panel=panel)
    for found, limit in ((plain, 0.01), (evened, 0.003)):
        assert np.abs(found.centre_px - sheet.centre).max() < 0.01
        assert np.abs((found.mtf50 / SHARP).mean(axis=1) - 1).max() < limit
    # the light is reported at the frame's centre
    level = falls(*sheet.centre.T)
    assert np.abs(plain.paper_light / level / 0.8 - 1).max() < 0.01
    assert np.abs(evened.paper_light / level / 0.8 - 1).max() < 0.01


def test_the_hole_of_a_ring_mark_is_excluded(sheet):
    size = sheet.light.shape[0] // 4
    hole = draw_sheet(gaussian(SIGMA), 12.8, phases=16, pitch=size / 12.8)
    light = sheet.light.copy()
    for row, column in ((1, 1), (1, 3), (2, 1)):
        part = np.s_[row * size : (row + 1) * size, column * size : (column + 1) * size]
        light[part] -= hole.light[part] - 0.8
    found = trace(sheet, light, kind="ring")
    assert np.abs(found.mtf50 / SHARP - 1).max() < 0.015
    assert np.abs(found.centre_px - sheet.centre).max() < 0.01


def test_discs_without_an_edge_are_counted_and_named(sheet):
    light = sheet.light.copy()
    size = light.shape[0] // 4
    light[:size, : 2 * size] = 0.8
    found = trace(sheet, light)
    assert found.disc_count == 14
    assert found.left_out_count == 2
    assert found.notes == tuple(
        f"chart/0001.dng: {plane} plane, no place: 2 discs: no edge seen" for plane in ("red", "green", "blue")
    )
    assert np.isnan(found.mtf50[:, :2]).all()
    assert np.isfinite(found.mtf50[:, 2:]).all()


def test_too_few_edges_are_refused_with_the_reason(sheet):
    with pytest.raises(Unmeasurable) as error:
        trace(sheet, np.full_like(sheet.light, 0.8))
    assert str(error.value) == (
        "only 0 of 16 discs could be placed in any plane (in red: 16 discs: no edge seen); "
        "check focus, exposure, and that nothing covers the chart"
    )


def test_a_shot_on_the_shaker_without_edges_is_reported_as_motion(sheet):
    mosaic = replace(expose(np.full_like(sheet.light, 0.8)), role="shake_on")
    with pytest.raises(Unmeasurable, match=r"the shaker moved the image too far for its exposure time: shoot shorter"):
        trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet, kind="large"), None, None)


def test_an_overexposed_chart_is_refused(sheet):
    with pytest.raises(Unmeasurable, match="only 0 of 16 discs could be placed in any plane"):
        trace(sheet, sheet.light * 1.4)


def test_edges_without_blur_have_no_mtf50_with_a_caveat():
    bare = draw_sheet(gaussian(0.12), 32.0, phases=16, folds=4)
    with pytest.raises(Unmeasurable, match=r"1\d discs: no 50 % point below 1 cycle/pixel"):
        trace(bare)


def test_mtf50_beyond_nyquist_sets_a_caveat():
    sheet = draw_sheet(gaussian(0.187391 / 0.7), 32.0, phases=16, folds=4)
    found = trace(sheet)
    # each of the 96 numbers within four of its uncertainties, as a whole as stated, their mean within half a percent
    pull = (found.mtf50 - 0.7) / found.mtf50_u
    assert np.abs(pull).max() < 4
    assert np.sqrt((pull**2).mean()) < 1.2
    assert abs(found.mtf50.mean() / 0.7 - 1) < 0.005
    assert found.caveats == ("beyond_nyquist",)
    assert found.notes == (
        "chart/0001.dng: MTF50 is above 0.5 cycles/pixel: few lenses resolve so much; "
        "make sure the file is neither sharpened nor resampled",
    )


def doubled(light, share, away_px):
    """Light with a second image beside the first, as by a knock or a separated cemented pair."""
    return (1 - share) * light + share * shift(light, (0.0, away_px), order=3, mode="nearest")


@pytest.mark.parametrize("noise", [0.0005, 0.002, 0.005])
@pytest.mark.parametrize(("share", "away_px"), [(0.05, 5.0), (0.1, 5.0), (0.2, 5.0), (0.1, 8.0), (0.1, 15.0)])
def test_doubled_edges_set_a_caveat_or_are_refused(sheet, share, away_px, noise):
    mosaic = expose(doubled(sheet.light, share, away_px), noise)
    try:
        found = trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None)
    except Unmeasurable as error:
        assert "over a quarter of the edge does not fit" in str(error)
    else:
        assert found.caveats == ("unlike_edges",)
        assert "are unlike any lens's blur" in found.notes[-1]


def test_only_the_corner_with_doubled_edges_is_named(sheet):
    light, half = sheet.light.copy(), sheet.light.shape[0] // 2
    light[:half, :half] = doubled(sheet.light, 0.1, 5.0)[:half, :half]
    found = trace(sheet, light)
    assert found.caveats == ("unlike_edges",)
    assert found.notes[-1] == (
        "chart/0001.dng: most edges in upper_left are unlike any lens's blur (a doubled image, a knock during the "
        "exposure, dirt), and MTF50 there may be wrong by many times its uncertainty; look at the shot"
    )


def test_specks_set_no_caveat_and_a_blot_removes_one_disc(sheet):
    y, x = np.mgrid[: sheet.light.shape[0], : sheet.light.shape[1]]
    light = sheet.light.copy()
    for k in (0, 5, 10):
        at = sheet.centre[k] + sheet.radius * np.array([np.cos(k), np.sin(k)])
        light *= 1 - 0.6 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 2.5**2))
    found = trace(sheet, light)
    assert found.caveats == ()
    assert found.disc_count == 16
    assert (found.left_out_frac[:, [0, 5, 10]] > 0.03).all()
    assert np.delete(found.left_out_frac, [0, 5, 10], axis=1).max() < 0.01
    at = sheet.centre[6] + [0.0, sheet.radius]
    light[np.hypot(x - at[0], y - at[1]) < 0.9 * sheet.radius] = 0.1
    found = trace(sheet, light)
    assert found.disc_count == 15
    assert found.caveats == ()


@pytest.mark.parametrize("role", ["focus_series", "shake_on"])
def test_shots_that_are_blurred_on_purpose_get_no_caveat(sheet, role):
    mosaic = replace(expose(doubled(sheet.light, 0.05, 5.0)), role=role)
    assert trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None).caveats == ()


def test_camera_shake_is_refused():
    sheet = draw_sheet(gaussian(SIGMA, 1.5 * SIGMA, 0.5), 32.0, phases=16)
    with pytest.raises(Unmeasurable) as error:
        trace(sheet)
    assert "all discs are blurred 1.50 times wider along 29 degrees than across it (limit 1.25)" in str(error.value)


def test_failures_are_named_by_their_worst_plane():
    ending = np.array(
        [
            [MEASURED, NO_EDGE, NOT_CONVERGED, TOO_SHARP, MEASURED, REJECTED],
            [MEASURED, MEASURED, NO_LEVEL, TOO_SHARP, MEASURED, TOO_SHARP],
        ]
    )
    good = np.array([True, False, False, False, False, False])
    assert name_failures(ending, good) == (
        "1 disc: no edge seen; 1 disc: the ring about the edge is too narrow or clipped; "
        "1 disc: over a quarter of the edge does not fit (dirt, or a doubled image); "
        "1 disc: no 50 % point below 1 cycle/pixel; "
        "1 disc: no 50 % point below 1 cycle/pixel in one direction"
    )
    assert name_failures(ending, np.ones(6, dtype=bool)) == ""


def test_of_three_shots_the_one_out_of_focus_is_odd(sheet):
    found = trace(sheet)
    soft = replace(found, mtf50=found.mtf50 * 0.8)
    odd = type(found).find_outliers([found, soft, replace(found, mtf50=found.mtf50 * 1.005)])
    assert list(odd) == [1]
    assert odd[1] == ("median MTF50 0.160 cycles/pixel, in all shots of the setting 0.200: focus or the stand moved")
    assert type(found).find_outliers([replace(t, role="focus_series") for t in (found, soft, found)]) == {}


def test_the_sheet_has_its_properties(sheet):
    assert isinstance(sheet, Sheet)
    assert sheet.light.max() == pytest.approx(0.8, abs=1e-3)
    assert sheet.light.min() == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize("kind", ["stretched", "astigmatic pupil"])
def test_pointing_does_not_turn_the_directions_of_a_disc_on_the_image_centre(kind):
    blur = gaussian(1.0, 1.35, 0.4)
    if kind != "stretched":
        blur = solve_blur(lambda c: bent_pupil(c, defocus=0.1, astigmatism=0.3, angle=0.4), 0.2, 0.2, 3.0)
    sheet = draw_sheet(blur, 24.0, phases=9)
    side = sheet.light.shape[0]
    found, noise = [], []
    for dx, dy in ((0.0, 0.0), (0.3, -0.2), (-0.3, 0.4), (0.0, 2.0), (-6.0, 3.0), (5.0, 8.0)):
        # the picture is periodic: another pointing is a picture moved
        light = np.real(np.fft.ifft2(np.fft.fft2(sheet.light) * move(side, dx, dy)))
        middle = (side - 1) / 2 - sheet.centre[4]
        light = np.real(np.fft.ifft2(np.fft.fft2(light) * move(side, *middle)))
        moved = Sheet(light=light, centre=sheet.centre + middle + (dx, dy), radius=24.0, clear=sheet.clear)
        mosaic = to_mosaic(light, noise=0.001, rng=np.random.default_rng(4))
        trace = trace_edges(mosaic, make_fit(moved, mosaic), make_stand(moved, shake_ratio=9.0), None, None)
        found.append(trace.mtf50[1, 4])
        noise.append(trace.mtf50_u[1, 4, 0])
    both = np.array(found)
    np.testing.assert_array_equal(both[:, 0], both[:, 1])
    # the two directions differ by a third; what is left is noise, and what an uneven blur leaves of shape
    u = np.hypot(np.mean(noise) / both.mean(), UNEVEN_SHAPE_U)
    assert both[:, 0].std(ddof=1) / both.mean() < 1.5 * u
    along, across = mtf50_of(blur, 0.4), mtf50_of(blur, 0.4 + np.pi / 2)
    assert both.mean() == pytest.approx(((along**-2 + across**-2) / 2) ** -0.5, rel=0.02)


def move(side, dx, dy):
    """Shift a periodic picture."""
    f = np.fft.fftfreq(side)
    return np.exp(-2j * np.pi * (f[None, :] * dx + f[:, None] * dy))


def test_directions_separate_gradually_away_from_the_image_centre():
    place = np.array([[499.5 + r, 399.5] for r in (0.0, 24.0, 36.0, 48.0, 200.0)])
    share = direction_share(place, np.full(5, 24.0), 1000, 800)
    np.testing.assert_allclose(share, [0.0, 0.0, 0.5, 1.0, 1.0])
