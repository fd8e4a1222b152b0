"""Photographs by others of a printed lattice, with two cameras: location and measurement.

`support.real_dots` describes them and their folder; `ci/bench photographs` prints the table of all ten.
"""

from __future__ import annotations

import pytest

from glasswright_camera.distortion.stage import measure_distortion
from glasswright_camera.fringing.stage import measure_fringing
from glasswright_camera.sharpness.stage import measure_mtf50
from support import real_dots

pytestmark = pytest.mark.skipif(
    not real_dots.IS_THERE, reason="GLASSWRIGHT_REAL_FILES names no folder with `dots` in it"
)
PHOTOGRAPHS = real_dots.PHOTOGRAPHS


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_the_lattice_is_found_with_its_four_large_dots(name):
    fit = real_dots.locate(name)
    assert {tuple(node) for node in fit.node[fit.is_mark].tolist()} == real_dots.LARGE
    assert fit.disc_count > 320
    assert abs(fit.rotation_deg) < 10


# tracing takes twenty seconds a photograph; `ci/bench photographs` does all ten
@pytest.mark.parametrize("name", ["left.3", "right.1", "right.4"])
def test_small_soft_dots_are_located_and_measured(name):
    found, stand = real_dots.trace(name), real_dots.make_stand()
    for plane in found.planes:
        assert found.is_placed([plane]).mean() > 0.8
    assert measure_fringing((found,), stand).disc_count > 250
    assert measure_distortion((found,), stand).left_out_count < 60
    green = measure_mtf50((found,), stand).green
    # MTF50 of these photographs is about 0.085 cycles/pixel
    assert 0.07 < green.centre.mean_cy_per_px < 0.12


ABOVE = pytest.mark.xfail(strict=True, reason="the uniform part differs by 0.032 px, for an aim of 0.03 px")


@pytest.mark.parametrize(
    ("name", "plane"),
    [("left.3", 0), ("left.3", 2), ("right.4", 0), pytest.param("right.4", 2, marks=ABOVE)],
)
def test_colour_displacement_agrees_with_independent_centroids(name, plane):
    """At the same fraction of the depth: with this asymmetric blur, other levels have other centroids.

    The radial part is taken out to the last dot, where the uncertainty of blue's position is 0.1 to 0.3 px.
    """
    apart = real_dots.compare_displacement(name, plane)
    assert apart.dot_count > 240
    assert apart.median_px < 0.1
    assert apart.uniform_px < 0.03
    assert apart.radial_px < max(0.03, 2 * apart.radial_px_u)


@pytest.mark.parametrize("name", ["left.3", "right.4"])
def test_the_lattice_fits_as_well_as_opencv_has_it(name):
    """The print is not flat: every fit has residuals above a pixel. OpenCV's model has the same terms and a fixed
    centre."""
    own = measure_distortion((real_dots.trace(name),), real_dots.make_stand())
    other = real_dots.compare_distortion(name, own)
    assert own.residual_rms_px < 1.01 * other.rms_px
    assert other.curve_px < 0.1 * other.largest_px


@pytest.mark.parametrize("name", ["left.3", "right.4"])
def test_edges_with_sharpening_halos_are_flagged(name):
    """A point spread function is not negative and makes no ring lighter than the paper; sharpening does."""
    assert max(real_dots.find_overshoot(name, plane) for plane in range(3)) > 0.01
    assert "unlike_edges" in real_dots.trace(name).caveats
