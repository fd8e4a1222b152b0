"""Light over an edge beyond 2/MTF50: closed forms, and what stage and rehearsal say of pictures drawn exactly."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import erfc

from glasswright_camera.edges.repeats import line_up
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.sharpness.halo import find_spill
from glasswright_rehearsal.optics import blur as rehearsed
from support.edge_images import draw_sheet, gaussian, make_fit, make_stand, mtf50_of, round_pupil, to_mosaic
from support.halos import HALOS

BLURS = {"Gaussian": gaussian(0.7), "diffraction": round_pupil(0.3)} | HALOS


def spill_of(transfer):
    """By the transform of a step: one less twice the integral of sin(2 pi f x) M(f) / (pi f), x = 2 / MTF50."""
    x = 2 / mtf50_of(transfer, 0.0)
    found, _ = quad(
        lambda f: np.sin(2 * np.pi * f * x) * float(np.real(transfer(np.array(f), np.array(0.0)))) / (np.pi * f),
        1e-9, 1.2, limit=800,
    )  # fmt: skip
    return 1 - 2 * found


def test_closed_forms():
    assert spill_of(BLURS["Gaussian"]) == pytest.approx(0.0, abs=1e-6)
    # two Gaussians: the halo's own error function, the core leaves nothing at ten of its widths
    for share, width in ((0.03, 8.0), (0.1, 8.0), (0.1, 12.0), (0.2, 12.0)):
        name = f"{100 * share:g} % in {width:g} px"
        x = 2 / mtf50_of(BLURS[name], 0.0)
        assert spill_of(BLURS[name]) == pytest.approx(share * erfc(x / width / np.sqrt(2)), abs=1e-4)
    # a round pupil's transfer function begins as 1 - 4 f / (pi cut-off); the transform of that kink is a line spread of
    # 2 / (pi^3 cut-off x^2), of which 4 / (pi^3 cut-off x) lies beyond x on both sides together
    narrow = round_pupil(0.3)
    x = 2 / mtf50_of(narrow, 0.0)
    assert spill_of(narrow) == pytest.approx(4 / (np.pi**3 * x * 0.3), rel=0.03)


def read_from_discs(name):
    transfer = BLURS[name]
    sheet = draw_sheet(transfer, 70.0, phases=16)
    mosaic = to_mosaic(sheet.light, noise=0.004, rng=np.random.default_rng(3))
    trace = trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None)
    return find_spill(line_up((trace,), trace.node)), spill_of(transfer)


@pytest.mark.parametrize("name", ["Gaussian", "3 % in 8 px", "10 % in 8 px", "10 % in 12 px"])
def test_it_is_read_from_discs(name):
    found, true = read_from_discs(name)
    # the middle of a disc has some of a wide halo's light, and a round edge throws more inwards than a straight one
    assert found.value == pytest.approx(true, abs=3 * found.value_u + 0.001 + 0.15 * true)
    assert found.value_u < 0.002


def test_diffraction_reaches_the_middle_of_small_discs_and_is_read_too_low_there():
    # discs of eight blurs' radius: a third of it is in the middle too
    found, true = read_from_discs("diffraction")
    assert 0.55 * true < found.value < 0.75 * true


def test_the_rehearsals_truth_is_the_same_quantity():
    one = np.array([0.49])
    none = np.zeros(1)
    blur = rehearsed.Blur(
        cutoff=np.array([50.0]), waves=none, variance_xx=one, variance_xy=none, variance_yy=one,
        halo_frac=0.1, halo_variance=64.0,
    )  # fmt: skip
    found = rehearsed.find_spill(blur, np.ones((1, 1)), np.zeros((1, 1)))
    x = 2 / rehearsed.find_mtf50(blur, np.ones((1, 1)), np.zeros((1, 1)))
    # core and halo, and what diffraction at f/0.2 adds
    assert float(found[0, 0]) == pytest.approx(0.1 * erfc(float(x[0, 0]) / np.sqrt(2) / 8.1), abs=4e-4)
