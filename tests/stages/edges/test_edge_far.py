"""Wide weak halos, which no edge fit detects: exact pictures with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.sharpness.halo import WIDE_HALO
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_images import draw_sheet, make_fit, make_stand, to_mosaic
from support.halos import HALOS, PLAIN, measure, paper_and_panel


@pytest.mark.parametrize("blur", PLAIN)
def test_blurs_without_a_halo_are_unchanged(blur):
    seen = measure(PLAIN[blur])
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


def test_the_caveat_is_set_and_the_uncertainty_widened():
    sheet = draw_sheet(HALOS["10 % in 8 px"], 44.0, phases=25)
    mosaic = to_mosaic(sheet.light, noise=0.006, rng=np.random.default_rng(3))
    stand = make_stand(sheet)
    found = measure_mtf50((trace_edges(mosaic, make_fit(sheet, mosaic), stand, None, None),), stand)
    assert "wide_halo" in found.caveats
    assert 0.0025 < found.far_light_frac < 0.0045
    assert found.green.centre.mean_cy_per_px_u > 0.02 * found.green.centre.mean_cy_per_px
    assert "which its uncertainty includes" in found.notes[-1]
