"""Contrast at 10 and 30 line pairs/mm and MTF10: closed forms, a rehearsed lens, and the stated uncertainty."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Setting
from glasswright_camera import locate_chart, measure_contrast, measure_mtf50, trace_edges
from glasswright_rehearsal.optics.blur import find_blur, transfer
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from support.edge_traces import HALF_SIGMA, make_stand, make_trace
from support.rehearsed_shots import make_lattice_scene, stand_for, take_shot

PITCH_UM = 5.0
STAND = make_stand(PITCH_UM)
FREQUENCY = np.arange(0.0, 0.6001, 0.02)


def gaussian_trace(half, u=0.001, seed=None):
    """A trace of Gaussian blurs: MTF50 0.187391 / sigma, the curve exp(-2 pi^2 sigma^2 f^2) (check values, 2.1)."""
    trace = make_trace(u=u)
    noise = 0.0 if seed is None else u * np.random.default_rng(seed).standard_normal(trace.mtf50.shape)
    mtf50 = np.broadcast_to(half, trace.mtf50.shape) + noise
    sigma = HALF_SIGMA / mtf50[..., None]
    mtf = np.exp(-2 * (np.pi * sigma * FREQUENCY) ** 2)
    return replace(trace, mtf50=mtf50, frequency=FREQUENCY, mtf=mtf.astype(np.float32))


def measure(trace):
    return measure_contrast((trace,), measure_mtf50((trace,), STAND), STAND)


@pytest.mark.parametrize("half", [0.15, 0.25, 0.3])
def test_a_gaussian_blur_has_its_closed_form(half):
    found = measure(gaussian_trace(half))
    for zone in (found.centre, found.mid, found.corner):
        for lines, value in ((10, zone.mean_at_10_frac), (30, zone.mean_at_30_frac)):
            frequency = lines * PITCH_UM / 1000
            assert value == pytest.approx(2 ** -((frequency / half) ** 2), abs=3e-3)  # linear between samples
    # MTF10 at 0.34154 / sigma: 1.8226 times MTF50
    tenth = 0.34154 / HALF_SIGMA * half
    if tenth < 0.6:
        assert found.centre.mtf10_lp_per_mm == pytest.approx(tenth * 1000 / PITCH_UM, rel=4e-3)


def test_a_tenth_beyond_the_curve_is_not_told():
    assert np.isnan(measure(gaussian_trace(0.4)).centre.mtf10_lp_per_mm)


def test_directions_are_kept_apart():
    found = measure(gaussian_trace(np.array([0.3, 0.2]))).mid
    assert found.sagittal_at_30_frac == pytest.approx(2 ** -((0.15 / 0.3) ** 2), abs=3e-3)
    assert found.tangential_at_30_frac == pytest.approx(2 ** -((0.15 / 0.2) ** 2), abs=3e-3)


def test_the_stated_u_covers_the_scatter_of_draws():
    truth = 2 ** -((0.15 / 0.25) ** 2)
    found = [measure(gaussian_trace(0.25, u=0.008, seed=seed)).centre for seed in range(60)]
    value = np.array([each.mean_at_30_frac for each in found])
    u = np.array([each.mean_at_30_frac_u for each in found])
    assert value.std(ddof=1) < 1.2 * np.sqrt(np.mean(u**2))
    assert np.mean(np.abs(value - truth) < 1.96 * u + 3e-3) > 0.9


def test_a_rehearsed_lens_has_the_contrast_of_its_transfer_function():
    lens = Lens(f_number=4, aberrations=Aberrations(blur_um=3.0, defocus_um=20.0, coma_waves=0.3))
    scene = make_lattice_scene(lens=lens)
    stand = stand_for(scene)
    mosaic = take_shot(scene)
    traced = trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, None)
    trace = replace(traced, setting=Setting(focal_length_mm=50, f_number=4))
    found = measure_contrast((trace,), measure_mtf50((trace,), stand), stand).centre
    blur = find_blur(lens, scene.frame, scene.frame.centre_px[None], "green")
    one = np.array([[0.0, 1.0]])
    truth = np.abs(transfer(blur, np.array([0.06, 0.18]), one, one[:, ::-1]))[0].mean(axis=0)
    assert abs(found.mean_at_10_frac - truth[0]) < 3 * found.mean_at_10_frac_u
    assert abs(found.mean_at_30_frac - truth[1]) < 3 * found.mean_at_30_frac_u
    assert found.mean_at_30_frac_u < 0.01
