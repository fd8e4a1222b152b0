"""Wide weak halos, which no edge fit detects: exact pictures with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from glasswright_camera.edges.kernel import table
from glasswright_camera.edges.kernel.discs import CENTRE, MEASURED, NOISE
from glasswright_camera.edges.kernel.far import FAR_REACH, FARTHER, LEAST_MIDDLE, MIDDLE
from glasswright_camera.edges.kernel.parameters import CONTRAST, DARK, EVEN_0, GRADIENT_X, GRADIENT_Y, SHIFT, WIDTH
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.sharpness.halo import WIDE_HALO
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_images import draw_sheet, make_fit, make_stand, to_mosaic, two_gaussians
from support.halos import HALOS, PLAIN, measure, paper_and_panel


@pytest.mark.parametrize("blur", PLAIN)
def test_blurs_without_a_halo_are_unchanged(blur):
    # of the defocused blur a disc of 44 px is 6.6 blurs, too small for a halo to be excluded
    seen = measure(PLAIN[blur], sheet=draw_sheet(PLAIN[blur], 60.0 if blur == "defocus" else 44.0, phases=16))
    far = seen.far
    assert far.caveats() == ()
    assert far.notes() == ()
    assert far.mtf50_u() == 0.0
    assert np.abs(seen.error / seen.u).max() < 3.0


def test_uneven_paper_and_light_are_no_halo():
    sheet = draw_sheet(PLAIN["Gaussian"], 44.0, phases=16)
    far = measure(PLAIN["Gaussian"], uneven=paper_and_panel(sheet.light.shape, 3), sheet=sheet).far
    assert not far.is_halo
    # two more of its uncertainties are left
    assert abs(far.value) < WIDE_HALO + far.value_u


@pytest.mark.parametrize("blur", HALOS)
def test_a_wide_halo_is_always_detected(blur):
    seen = measure(HALOS[blur])
    far = seen.far
    assert far.caveats() == ("wide_halo",)
    assert far.notes()[0].startswith("a wide weak halo (haze, spherical aberration, scatter): ")
    assert np.abs(seen.error / seen.u).max() < 3.0


def test_a_halo_that_small_discs_may_hide_is_said_to_be_unseen():
    # 40 % of the light in 3 px: MTF50 is seven uncertainties off, with less far light than a blur without a halo
    seen = measure(two_gaussians(0.7, 3.0, 0.4))
    assert not seen.far.is_halo
    assert seen.far.caveats() == ("halo_unseen",)
    assert seen.far.notes()[0].startswith(
        "a wide weak halo (haze) would not be seen: fewer than 9 discs have a radius of"
    )


def test_the_caveat_is_set_and_the_uncertainty_widened():
    sheet = draw_sheet(HALOS["10 % in 8 px"], 44.0, phases=25)
    mosaic = to_mosaic(sheet.light, noise=0.006, rng=np.random.default_rng(3))
    stand = make_stand(sheet)
    found = measure_mtf50((trace_edges(mosaic, make_fit(sheet, mosaic), stand, None, None),), stand)
    assert "wide_halo" in found.caveats
    assert 0.0025 < found.far_light_frac < 0.0045
    assert found.green.centre.mean_cy_per_px_u > 0.02 * found.green.centre.mean_cy_per_px
    assert "which its uncertainty includes" in found.notes[-1]


def far_pixels(frame, discs, tables, curvatures, row, which, plane):
    """Places in blurs, light less prediction and prediction of a plane's pixels within a disc, one by one."""
    x0, y0 = discs.centre[which]
    inverse, radius = np.linalg.inv(discs.maps[which]), discs.radius_px[which]
    on_print = radius * np.sqrt(abs(np.linalg.det(inverse)))
    rows, columns = frame.pattern.shape[1:]
    y, x = np.mgrid[: frame.values.shape[1], : frame.values.shape[2]]
    used = (frame.pattern[0, y % rows, x % columns] == plane) & ((y // rows - int(y0) // rows) % 2 == 0)
    y, x = y[used & (np.hypot(x - x0, y - y0) < 1.3 * radius)], x[used & (np.hypot(x - x0, y - y0) < 1.3 * radius)]

    def distance(px, py):
        at = inverse @ np.stack([px, py])
        level = np.hypot(*at)
        normal = inverse.T @ at
        return (level**2 - on_print * level) / np.hypot(*normal), normal / np.hypot(*normal)

    rough, _ = distance(x - x0, y - y0)
    d, (nx, ny) = distance(x - row[CENTRE], y - row[CENTRE + 1])
    unit = np.sqrt(row[WIDTH])
    u = (d - row[SHIFT]) / unit
    k = np.clip(np.searchsorted(curvatures, unit / radius) - 1, 0, len(curvatures) - 2)
    t = (unit / radius - curvatures[k]) / (curvatures[k + 1] - curvatures[k])
    profile = ((1 - t) * tables[k] + t * tables[k + 1]) @ np.r_[1.0, row[EVEN_0 : EVEN_0 + tables.shape[2] - 1]]
    e = np.interp(np.maximum(u, -FAR_REACH), np.linspace(-FAR_REACH, 0, len(profile)), profile)
    c, s = np.cos(discs.radial[which]), np.sin(discs.radial[which])
    px, py, (g0, gx, gy, gxx, gxy, gyy) = x - x0, y - y0, discs.gain[plane, which]
    gain = g0 + gx * px + gy * py + gxx * px**2 + gxy * px * py + gyy * py**2
    gain *= 1 + (1 + d / radius) * (row[GRADIENT_X] * (nx * c + ny * s) + row[GRADIENT_Y] * (ny * c - nx * s))
    black = frame.black[0, y % rows, x % columns]
    left = ((frame.values[0, y, x] - black) / (frame.white - black) / gain - row[DARK]) / row[CONTRAST] - e
    kept = (rough >= -discs.limit[which, 0]) & (abs(left) <= 6 * np.sqrt(row[NOISE]) / row[CONTRAST] + 0.015)
    is_middle = (u < -FARTHER) | ((d < -MIDDLE * radius) & (u < -LEAST_MIDDLE))
    return u[kept], left[kept], e[kept], is_middle[kept]


def test_far_light_is_the_mean_over_the_pixels_one_by_one(monkeypatch):
    sheet = draw_sheet(HALOS["10 % in 8 px"], 44.0, phases=16)
    mosaic = to_mosaic(sheet.light, noise=0.006, rng=np.random.default_rng(3))
    taken = []
    measure_far_light = table.measure_far_light
    monkeypatch.setattr(table, "measure_far_light", lambda *given: taken.append(given) or measure_far_light(*given))
    trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None)
    frame, discs, tables, curvatures, fits, far_light, middle_light = taken[0]
    for plane, which in [(0, 0), (1, 3), (2, 7)]:
        row = fits.value[plane, which]
        assert row[table.ENDING] == MEASURED
        u, left, e, is_middle = far_pixels(frame, discs, tables, curvatures, row, which, plane)
        rings = [left[u < -FARTHER], left[(u >= -FARTHER) & (u <= -4)]]
        expected = [ring.mean() if len(ring) >= 20 else np.nan for ring in rings]
        np.testing.assert_allclose(far_light[plane, which], expected, atol=1e-9)
        np.testing.assert_allclose(middle_light[plane, which], (left + e)[is_middle].mean(), atol=1e-9)
