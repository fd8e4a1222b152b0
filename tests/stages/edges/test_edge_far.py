"""Wide weak halos, which no fit of an edge sees: exact pictures with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from glasswright_camera.edges.repeats import line_up
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.sharpness.halo import WIDE_HALO, find_far_light
from glasswright_camera.sharpness.reading import shape_u
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_images import (
    draw_sheet,
    gaussian,
    make_fit,
    make_stand,
    mtf50_of,
    round_pupil,
    to_mosaic,
    two_gaussians,
)


def tails(width, share, core):
    """Tails of light that fall as r^-3: Fourier transform exp(-2 pi a f) (check by quadrature: Cauchy's edge)."""
    middle = gaussian(core)
    return lambda fx, fy: (
        (1 - share) * middle(fx, fy) + share * np.exp(-2 * np.pi * width * np.hypot(fx, fy)) * np.sinc(fx) * np.sinc(fy)
    )


PLAIN = {
    "Gaussian": gaussian(0.7),
    "diffraction": round_pupil(0.5),
    "defocus": round_pupil(0.6, 0.4),
    "near halo": two_gaussians(0.7, 2.5, 0.05),
}
HALOS = {
    "3 % in 8 px": two_gaussians(0.7, 8.0, 0.03),
    "10 % in 5 px": two_gaussians(0.7, 5.0, 0.1),
    "10 % in 8 px": two_gaussians(0.7, 8.0, 0.1),
    "10 % in 10 px": two_gaussians(0.7, 10.0, 0.1),
    "10 % in 12 px": two_gaussians(0.7, 12.0, 0.1),
    "20 % in 12 px": two_gaussians(0.7, 12.0, 0.2),
    "tails": tails(10.0, 0.2, 0.7),
}


def measure(transfer, noise=0.006, seed=3, uneven=None):
    """What is found, and MTF50 of each plane and direction less the truth over its standard uncertainty."""
    sheet = draw_sheet(transfer, 44.0, phases=16)
    rng = np.random.default_rng(seed)
    light = sheet.light if uneven is None else sheet.light * uneven(sheet.light.shape, rng)
    mosaic = to_mosaic(light, noise=noise, rng=rng)
    trace = trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None)
    far = find_far_light(line_up((trace,), trace.node))
    truth = mtf50_of(transfer, 0.0)
    value = np.nanmean(trace.mtf50, axis=1)
    own = np.sqrt(np.nansum(trace.mtf50_u**2, axis=1)) / trace.mtf50.shape[1]
    shape = shape_u(value, 44.0, np.zeros(len(value)))
    return far, (value - truth) / np.sqrt(own**2 + shape**2 + (value * far.mtf50_u()) ** 2)


def paper_and_panel(shape, rng):
    """Paper of 0.5 % mottle of many sizes, and a panel that leaves 0.3 %."""

    def wave(size_px):
        found = ndimage.gaussian_filter(rng.standard_normal(shape), size_px, mode="wrap")
        return found / found.std()

    return 1 + 0.005 * sum(wave(size_px) / 2 for size_px in (2, 6, 15, 40)) + 0.003 * wave(120)


@pytest.mark.parametrize("blur", PLAIN)
def test_plain_blurs_show_no_halo_and_stay_as_certain(blur):
    far, pulls = measure(PLAIN[blur])
    assert far.caveats() == ()
    assert far.notes() == ()
    assert far.mtf50_u() == 0.0
    assert np.abs(pulls).max() < 3.0


def test_uneven_paper_and_light_open_nothing():
    far, _ = measure(PLAIN["Gaussian"], uneven=paper_and_panel)
    assert not far.is_halo
    # two more of its uncertainties are left
    assert abs(far.value) < WIDE_HALO + far.value_u


@pytest.mark.parametrize("blur", HALOS)
def test_a_wide_halo_is_never_silent(blur):
    far, pulls = measure(HALOS[blur])
    assert far.caveats() == ("wide_halo",)
    assert far.notes()[0].startswith("a wide weak halo (haze, spherical aberration, scatter): ")
    assert np.abs(pulls).max() < 3.0


def test_the_caveat_is_set_and_the_uncertainty_widened():
    sheet = draw_sheet(HALOS["10 % in 8 px"], 44.0, phases=25)
    mosaic = to_mosaic(sheet.light, noise=0.006, rng=np.random.default_rng(3))
    stand = make_stand(sheet)
    found = measure_mtf50((trace_edges(mosaic, make_fit(sheet, mosaic), stand, None, None),), stand)
    assert "wide_halo" in found.caveats
    assert 0.0025 < found.far_light_frac < 0.0045
    assert found.green.centre.mean_cy_per_px_u > 0.02 * found.green.centre.mean_cy_per_px
    assert "which its uncertainty includes" in found.notes[-1]
