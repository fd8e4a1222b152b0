"""Straight slanted edges with the discs' kernel, and with the standard method."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from glasswright import Unmeasurable
from glasswright_camera.edges.kernel.discs import MEASURED, NOT_CONVERGED
from glasswright_camera.edges.kernel.parameters import PARAMETERS
from glasswright_camera.edges.slanted import table
from glasswright_camera.edges.slanted.stage import trace_slanted_edges
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.stand import EdgeFeature
from support.edge_images import (
    DARK,
    PAPER,
    bent_pupil,
    draw_sheet,
    gaussian,
    make_fit,
    make_stand,
    mtf50_of,
    place_disc,
    round_pupil,
    square_spectrum,
    to_mosaic,
)

LEAN = np.radians(5.3)
RADIUS = 48.0
SIDE = 110.0


def draw(transfer):
    """Draw 16 discs with a slanted square among them."""
    sheet = draw_sheet(transfer, RADIUS, phases=16)
    size = sheet.light.shape[0] // 4
    middle = sheet.centre[[5, 6, 9, 10]].mean(axis=0) + np.array([0.3, -0.4])
    light = sheet.light.copy()
    # centred between four discs; pictures add, for light is linear
    x0, y0 = np.rint(middle - [0.3, -0.4]).astype(int) - size // 2
    at = middle - [x0, y0]
    square = place_disc(square_spectrum(size, SIDE, LEAN, transfer), size, (at[0], at[1]))
    light[y0 : y0 + size, x0 : x0 + size] += (DARK - PAPER) * square
    return sheet, light, middle


def set_up(transfer, *, noise=0.0015, edges=True):
    sheet, light, middle = draw(transfer)
    mosaic = to_mosaic(light, noise=noise, rng=np.random.default_rng(8))
    fit = make_fit(sheet, mosaic)
    fit = replace(fit, clear_px=np.full(16, 60.0))
    stand = make_stand(sheet)
    use = stand.charts[0]
    # the sheet's lattice runs from node 0 to 3 of 5, so its place in mm comes from the pitch
    scale = 100.0 / (sheet.light.shape[0] // 4)
    heart = (middle - sheet.centre[0]) * scale - 200.0
    c, s = np.cos(LEAN), np.sin(LEAN)
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * SIDE / 2 * scale @ np.array([[c, s], [-s, c]]) + heart
    feature = EdgeFeature(name="square", corners_mm=tuple((float(x), float(y)) for x, y in corner), clear_mm=10.0)
    layout = replace(use.layout, edges=(feature,) if edges else ())
    return mosaic, fit, replace(stand, charts=(replace(use, layout=layout),))


BLURS = {
    "gaussian": gaussian(0.937),
    "sharp": gaussian(0.55),
    "diffraction": round_pupil(0.6),
    "defocus": round_pupil(1.0, 0.5),
}


@pytest.mark.parametrize("blur", BLURS)
def test_disc_slanted_edge_and_exact_transfer_function_agree(blur):
    transfer = BLURS[blur]
    mosaic, fit, stand = set_up(transfer)
    truth = mtf50_of(transfer, LEAN)
    edges = trace_slanted_edges(mosaic, fit, stand)
    discs = trace_edges(mosaic, fit, stand, None, None)
    assert edges.edge_count == 4
    assert edges.feature == ("square",) * 4
    green = edges.planes.index("green")
    straight, round_ = edges.mtf50[green].mean(), discs.mtf50[green].mean()
    assert straight / truth == pytest.approx(1.0, abs=0.005)
    assert round_ / truth == pytest.approx(1.0, abs=0.005)
    assert straight / round_ == pytest.approx(1.0, abs=0.005)
    assert np.abs(edges.mtf50 / truth - 1).max() < 5 * edges.mtf50_u.max() / truth + 0.005


def test_an_edge_measures_the_blur_across_it():
    transfer = gaussian(0.8, 1.1, LEAN)
    mosaic, fit, stand = set_up(transfer)
    edges = trace_slanted_edges(mosaic, fit, stand)
    along = np.abs(np.cos(edges.normal_angle - LEAN)) > 0.5
    assert edges.mtf50[:, along] / (0.187391 / 1.1) == pytest.approx(1.0, abs=0.02)
    assert edges.mtf50[:, ~along] / (0.187391 / 0.8) == pytest.approx(1.0, abs=0.02)


def test_its_uncertainty_equals_the_scatter():
    _, light, _ = draw(gaussian(0.937))
    _, fit, stand = set_up(gaussian(0.937))
    rng = np.random.default_rng(3)
    off, stated = [], []
    for _ in range(25):
        edges = trace_slanted_edges(to_mosaic(light, noise=0.0075, rng=rng), fit, stand)
        off.append(edges.mtf50 - 0.187391 / 0.937)
        stated.append(edges.mtf50_u)
    inside = (np.abs(off) < 1.96 * np.array(stated)).mean()
    # 300 numbers: a true 95 % lies within 3.8 % of it at three standard errors
    assert 0.91 < inside < 0.99


def test_coma_across_an_edge_does_not_change_its_mtf50():
    transfer = bent_pupil(1.0, coma=0.3, angle=LEAN)
    mosaic, fit, stand = set_up(transfer)
    edges = trace_slanted_edges(mosaic, fit, stand)
    along = np.abs(np.cos(edges.normal_angle - LEAN)) > 0.5
    for which, angle in ((along, LEAN), (~along, LEAN + np.pi / 2)):
        assert edges.mtf50[:, which].mean() / mtf50_of(transfer, angle) == pytest.approx(1.0, abs=0.005)


def test_a_layout_without_edges_is_reported():
    mosaic, fit, stand = set_up(gaussian(0.937), edges=False)
    with pytest.raises(Unmeasurable) as error:
        trace_slanted_edges(mosaic, fit, stand)
    assert str(error.value) == "the layout sheet has no `edges`; list them there, or leave this stage out"


def test_edges_outside_the_frame_are_named():
    mosaic, fit, stand = set_up(gaussian(0.937))
    use = stand.charts[0]
    far = EdgeFeature(name="far", corners_mm=((900.0, 0.0), (950.0, 0.0), (950.0, 50.0)), clear_mm=5.0)
    stand = replace(stand, charts=(replace(use, layout=replace(use.layout, edges=(far,))),))
    with pytest.raises(Unmeasurable, match="none of the 1 edge features of sheet lies within the frame"):
        trace_slanted_edges(mosaic, fit, stand)


def test_a_missing_edge_is_named():
    mosaic, fit, stand = set_up(gaussian(0.937))
    mosaic = replace(mosaic, values=np.full_like(mosaic.values, 40000))
    with pytest.raises(Unmeasurable) as error:
        trace_slanted_edges(mosaic, fit, stand)
    assert str(error.value) == "none of 4 slanted edges was measured in every plane (4 edges: no edge seen)"


# ---- the plain standard method, corrections off, on a synthetic Gaussian edge


def plain_mtf50(sigma, angle, offset, *, rows=100, width=64, three_point=True, correct_derivative=False, cosine=True):
    """Return MTF50 by projection at the known angle, four bins a pixel, derivative, Hamming window, Fourier
    transform."""
    x = np.arange(width) - width / 2 + 0.5
    row = np.arange(rows) - rows / 2 + 0.5
    place = x[None, :] - offset - row[:, None] * np.tan(angle)
    light = ndtr(place * np.cos(angle) / sigma)
    scale = np.cos(angle) if cosine else 1.0
    half = width / 2 - rows / 2 * np.tan(angle) - 1
    bins = np.floor((place * scale + half) * 4).astype(int)
    inside = (bins >= 0) & (bins < int(8 * half))
    total = np.bincount(bins[inside], light[inside])
    spread = total / np.bincount(bins[inside])
    slope = (spread[2:] - spread[:-2]) / 2 if three_point else np.diff(spread)
    n = len(slope)
    peak = int(np.argmax(slope))
    window = 0.54 + 0.46 * np.cos(2 * np.pi * (np.arange(n) - peak) / n)
    f = np.arange(0.01, 0.6, 0.0005)
    value = np.abs(np.exp(-2j * np.pi * np.outer(f, np.arange(n) / 4)) @ (slope * window)) / (slope * window).sum()
    if correct_derivative:
        value = value / np.sinc(f / 2)
    k = int(np.argmax(value < 0.5))
    return f[k - 1] + (value[k - 1] - 0.5) / (value[k - 1] - value[k]) * 0.0005, n / 4


@pytest.mark.parametrize("mtf50", [0.2, 0.25, 0.4])
@pytest.mark.parametrize("correct", [False, True], ids=["derivative-left", "derivative-corrected"])
def test_the_biases_of_the_standard_method_are_those_of_its_steps(mtf50, correct):
    # each step's factor: 3-point derivative sinc(f/2), bins of a quarter pixel sinc(f/4); and a Hamming window of
    # width W moves the half point of a Gaussian by 0.46 ln 2 / (W f)^2
    rng = np.random.default_rng(int(1000 * mtf50))

    def left(f):
        derivative = 1.0 if correct else np.sinc(f / 2)
        return np.exp(-np.log(2) * (f / mtf50) ** 2) * derivative * np.sinc(f / 4) - 0.5

    steps = brentq(left, 0.5 * mtf50, 1.5 * mtf50)
    off, expected = [], []
    for _ in range(60):
        found, window = plain_mtf50(
            0.187391 / mtf50, np.radians(rng.uniform(4, 6)), rng.uniform(-0.5, 0.5), correct_derivative=correct
        )
        off.append(found / mtf50 - 1)
        expected.append(steps / mtf50 - 1 + 0.46 * np.log(2) / (window * mtf50) ** 2)
    # uneven filling of the bins scatters by 0.2 to 0.4 % an edge
    assert np.mean(off) == pytest.approx(np.mean(expected), abs=0.0015)
    # and it is a bias that the kernel does not have
    assert abs(np.mean(expected)) > 0.002 or mtf50 == 0.2


def test_without_the_cosine_mtf50_is_low_by_it():
    angle = np.radians(10.0)
    with_cosine, _ = plain_mtf50(0.75, angle, 0.1, correct_derivative=True)
    without, _ = plain_mtf50(0.75, angle, 0.1, correct_derivative=True, cosine=False)
    assert without / with_cosine - 1 == pytest.approx(np.cos(angle) - 1, abs=0.002)


def test_equations_without_a_solution_refuse_a_fit_and_raise_nothing(monkeypatch):
    light = DARK + (PAPER - DARK) * np.tile(ndtr((np.arange(200) - 99.7) / 0.8), (200, 1))
    mosaic = to_mosaic(light, noise=0.003, rng=np.random.default_rng(1))

    def find_strips():
        strip = {"half_length_px": np.array([60.0]), "inside_px": np.array([20.0]), "outside_px": np.array([20.0])}
        return table.trace_strips(mosaic, middle=np.array([[100.0, 100.0]]), normal=np.array([[1.0, 0.0]]), **strip)

    # an upright edge shows its two sparse planes too few distances
    assert find_strips().ending[1] == MEASURED
    monkeypatch.setattr(table, "slanted_prior", lambda: np.full((PARAMETERS, PARAMETERS), np.nan))
    found = find_strips()
    assert (found.ending == NOT_CONVERGED).all()
    assert np.isnan(found.mtf50).all()
