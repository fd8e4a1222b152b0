"""Parts of the edge kernel against a finer computation, a library, or exact blurs."""

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import brentq, least_squares
from scipy.special import ndtr

from glasswright_camera.edges.kernel.bins import (
    BINS,
    CELL_COLUMNS,
    DIRECTIONS,
    DISTANCE_MEAN,
    DISTANCE_VARIANCE,
    LIGHT_MEAN,
    NUMBER,
    SCATTER,
    add_pixel,
    average_cells,
)
from glasswright_camera.edges.kernel.equations import PRODUCTS
from glasswright_camera.edges.kernel.family import FREQUENCY, Wavefront, family, pupil_transfer, scaled
from glasswright_camera.edges.kernel.fit import invert, solve
from glasswright_camera.edges.kernel.moments import family_moments
from glasswright_camera.edges.kernel.parameters import EVEN_0, EVEN_2, PARAMETERS, RADIAL_COUNT, WIDTH
from glasswright_camera.edges.kernel.prior import FIRST_SCALES, HALO, PriorSettings, estimate_scales
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, FITTED_REACH, REACH, edge_shapes, sine_profile


def test_few_samples_of_a_pupil_are_interpolated_accurately():
    coarse, fine = np.linspace(0.0, 2.0, 101), np.linspace(0.0, 2.0, 4001)
    for wavefront in (Wavefront(), Wavefront(defocus=0.25), Wavefront(defocus=0.4, spherical=-0.25)):
        found, half = scaled(coarse / 2, pupil_transfer(coarse, wavefront)[None])
        exact, exact_half = scaled(fine / 2, pupil_transfer(fine, wavefront, nodes=40)[None])
        # straight lines between so few samples are off by 4e-5 and 2e-4
        assert half == pytest.approx(exact_half, rel=2e-6)
        assert np.abs(found - exact)[0, FREQUENCY < 2].max() < 1e-5


def test_the_transfer_of_a_pupil_without_shear_is_one():
    # the formula in closed form: Goodman, Introduction to Fourier Optics, from memory
    shear = np.array([0.0, 0.02, 0.5, 1.0, 1.9])
    closed = 2 / np.pi * (np.arccos(shear / 2) - shear / 2 * np.sqrt(1 - shear**2 / 4))
    assert np.abs(pupil_transfer(shear, Wavefront()) - closed).max() < 1e-6


def test_a_gaussian_keeps_its_half_point_and_its_form():
    frequency = np.linspace(0.0, 2.0, 201)
    found, half = scaled(frequency, np.exp(-2 * (np.pi * frequency) ** 2)[None].astype(complex))
    assert half[0] == pytest.approx(np.sqrt(np.log(2) / 2) / np.pi, rel=1e-6)
    inside = FREQUENCY * half[0] < 2
    assert np.abs(found[0, inside] - 0.5 ** (FREQUENCY[inside] ** 2)).max() < 1e-5


def amounts_of(transfer):
    """Return the amounts of the even shapes in transfer functions (members, frequencies)."""
    shapes = edge_shapes().transfer
    return sine_profile(transfer - shapes[0]) @ np.linalg.pinv(sine_profile(shapes[1 : 1 + EVEN_COUNT]))


def exact_edges():
    """Return straight edges of MTF50 1 at u: (name, profile)."""
    u = np.arange(-FITTED_REACH, FITTED_REACH + 0.01, 0.02)
    yield "gaussian", u, ndtr(u * np.pi / np.sqrt(np.log(2) / 2))
    shear = np.linspace(0.0, 2.0, 4001)
    for waves in (0.0, 0.25, 0.35):
        transfer = pupil_transfer(shear, Wavefront(defocus=waves), nodes=40).real
        half = brentq(lambda f, t=transfer: np.interp(f, shear, t) - 0.5, 0.01, 1.0)
        yield f"{waves} wave", u, 0.5 + sine_profile(np.interp(FREQUENCY * half, shear, transfer, right=0.0), u)


@pytest.mark.parametrize(("u", "profile"), [pytest.param(*rest, id=name) for name, *rest in exact_edges()])
def test_the_shapes_fit_an_exact_edge_within_a_tenth_of_a_percent(u, profile):
    table = edge_shapes().table
    place = np.linspace(-REACH, REACH, len(table))
    drawn = np.linalg.cholesky(np.linalg.inv(family_moments().round_)).T

    def off(value):
        at = u / np.sqrt(value[0])
        shapes = [np.interp(at, place, table[:, k]) for k in range(1 + EVEN_COUNT)]
        model = shapes[0] + sum(amount * shape for amount, shape in zip(value[3:], shapes[1:], strict=True))
        return np.concatenate([(value[1] + value[2] * model - profile) / 2.5e-4, drawn @ value[3:]])

    found = least_squares(off, [1.0, 0.0, 1.0] + [0.0] * EVEN_COUNT, x_scale=1e-2).x
    assert found[0] ** -0.5 == pytest.approx(1.0, abs=1e-3)


def test_a_halo_is_distinguished_from_other_round_blurs():
    moments, settings, sure = family_moments(), PriorSettings(), 1e-4 * np.eye(PARAMETERS)
    value = np.zeros(PARAMETERS)
    value[WIDTH] = 25.0
    round_ones, halos = (amounts_of(part.transfer.real) for part in (family().plain, family().halos))
    halo_scales = []
    for amounts in (*round_ones, *halos):
        value[EVEN_0:EVEN_2], scales = amounts, np.array(FIRST_SCALES)
        estimate_scales(moments, settings, value, sure, scales)
        halo_scales.append(scales[HALO])
    round_scales, halo_only_scales = np.array(halo_scales[: len(round_ones)]), np.array(halo_scales[len(round_ones) :])
    assert np.mean(round_scales < 2 * settings.halo_least) > 0.95
    # of the nine those with a tenth of the light or more in a halo three times as wide as the blur or more
    assert (halo_only_scales[[4, 5, 7, 8]] > 6 * settings.halo_least).all()


def test_a_cell_has_its_mean_distance_and_its_slope_is_not_noise():
    rng = np.random.default_rng(3)
    distance, noise = rng.uniform(2.0, 3.0, 12), rng.normal(0.0, 0.01, 12)
    cell = np.zeros((DIRECTIONS, BINS, CELL_COLUMNS))
    for d, e in zip(distance, noise, strict=True):
        add_pixel(cell[3, 5], d, 0.4 + 0.1 * d + e)
        add_pixel(cell[4, 5], d, 0.4 + 0.1 * d)
    average_cells(cell)
    line = np.polynomial.Polynomial.fit(distance, 0.1 * distance + noise, 1)
    assert cell[3, 5, NUMBER] == 12
    assert cell[3, 5, DISTANCE_MEAN] == pytest.approx(distance.mean())
    assert cell[3, 5, DISTANCE_VARIANCE] == pytest.approx(distance.var())
    assert cell[3, 5, LIGHT_MEAN] == pytest.approx((0.4 + 0.1 * distance + noise).mean())
    assert cell[3, 5, SCATTER] == pytest.approx(np.sum((0.1 * distance + noise - line(distance)) ** 2), rel=1e-6)
    assert cell[4, 5, SCATTER] == pytest.approx(0.0, abs=1e-12)


def test_equations_are_solved_as_scipy_solves_them():
    rng = np.random.default_rng(5)
    root = rng.normal(size=(40, 17))
    matrix, right = root.T @ root, rng.normal(size=17)
    assert np.allclose(solve(matrix, right), cho_solve(cho_factor(matrix), right))
    assert np.allclose(invert(matrix) @ matrix, np.eye(17))


@pytest.mark.parametrize("matrix", [np.zeros((17, 17)), np.full((17, 17), np.nan), np.diag([1.0] * 16 + [np.inf])])
def test_equations_without_a_solution_give_nan_and_no_exception(matrix):
    assert np.isnan(solve(matrix, np.ones(17))).all()
    assert np.isnan(invert(matrix)).all()


def test_the_matrix_of_products_contains_every_function_and_the_residual():
    assert PRODUCTS % 2 == 0
    assert RADIAL_COUNT + 1 <= PRODUCTS <= RADIAL_COUNT + 2
