"""Parts of finding the chart: the paper about a disc, discs off the lattice, a chart of another size."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.chart.discs import _fit_paper
from glasswright_camera.chart.faults import find_other_extent, list_layout_nodes
from glasswright_camera.chart.locate_ramp import choose_ramp
from glasswright_camera.chart.model import Frame
from glasswright_camera.chart.report import _fit_robustly, _measure_margin, _measure_pitch
from glasswright_camera.field_names import CORNERS
from glasswright_camera.stand import RampUse
from support.frames import make_stand
from support.ramp_shots import make_ramp_stand

FRAME = Frame(width_px=6000, height_px=4000)
LAYOUT = make_stand().charts[0].layout
PITCH_PX = 400.0


def test_the_paper_about_a_disc_is_read_between_both_circles_alone():
    row, column = np.mgrid[:60, :70]
    x, y, inner, outer = 31.3, 27.8, 8.0, 20.0
    light = 100 + 0.5 * (column - x) - 0.3 * (row - y)
    away = np.hypot(column - x, row - y)
    light[away < inner] = 5.0
    light[away > outer] = 1000.0
    *plane, soiled = _fit_paper(light.astype(np.float32), x, y, inner, outer)
    assert plane == pytest.approx([100, 0.5, -0.3], abs=1e-3)
    assert soiled == 0.0
    # dark dirt on a tenth of it does not move the plane, and is counted
    dirty = (away >= inner) & (away <= outer) & (row < 14)
    light[dirty] = 30.0
    *plane, soiled = _fit_paper(light.astype(np.float32), x, y, inner, outer)
    assert plane == pytest.approx([100, 0.5, -0.3], abs=1e-2)
    assert soiled == pytest.approx(dirty.sum() / ((away >= inner) & (away <= outer)).sum(), abs=1e-6)


def place_discs(**displaced):
    """Places of all discs on a lattice of 400 px; `displaced`: number of a disc -> pitches to the right."""
    node = list_layout_nodes(LAYOUT)
    centre = (node - [6, 4]) * PITCH_PX + FRAME.centre_px
    for number, pitches in displaced.items():
        centre[int(number[1:]), 0] += pitches * PITCH_PX
    return node, centre


@pytest.mark.parametrize(("pitches", "is_far"), [(0.017, False), (0.025, True), (-0.025, True)])
def test_a_disc_off_a_perfect_lattice_by_more_than_a_fiftieth_of_the_pitch_is_an_outlier(pitches, is_far):
    model, far = _fit_robustly(*place_discs(n40=pitches), LAYOUT, FRAME)
    assert np.flatnonzero(far).tolist() == [40] * is_far
    assert _measure_pitch(model, LAYOUT, FRAME) == pytest.approx(PITCH_PX, rel=1e-3)


def test_among_discs_that_scatter_a_disc_is_an_outlier_from_eight_times_their_deviation():
    node, centre = place_discs(n40=0.095)
    centre = centre + np.random.default_rng(3).normal(0, 0.008 * PITCH_PX, centre.shape)
    centre[70, 1] += 0.045 * PITCH_PX
    assert np.flatnonzero(_fit_robustly(node, centre, LAYOUT, FRAME)[1]).tolist() == [40]


def test_margins_are_to_the_nearest_border_of_the_outermost_pixels():
    place = np.array([[0.0, 2000.0], [5999.5, 2000.0], [3000.0, 10.0], [3000.0, 3989.0], [-5.0, 100.0]])
    assert _measure_margin(place, FRAME).tolist() == [0.5, 0.0, 10.5, 10.5, -4.5]


@pytest.mark.parametrize(("count", "is_row"), [(3, False), (4, True)])
@pytest.mark.parametrize("column", [-1, 12])
def test_a_column_beyond_the_layout_counts_from_two_discs_in_five(count, is_row, column):
    layout = replace(LAYOUT, columns=12, rows=10)
    more = np.column_stack([np.full(count, column), np.arange(count)])
    node = np.concatenate([list_layout_nodes(layout), more])
    found = find_other_extent(node, np.ones((10, 12), bool), layout)
    assert found == ((13, 10) if is_row else None)


def test_a_stand_with_two_boards_uses_the_first_and_one_without_says_so():
    stand = make_ramp_stand()
    (first,) = stand.ramps
    other = RampUse(layout=first.layout, angle_deg=30.0)
    assert choose_ramp(replace(stand, ramps=(first, other))) is first
    with pytest.raises(Unmeasurable, match="names no ramp"):
        choose_ramp(replace(stand, ramps=()))


def test_corners_lie_where_their_names_say():
    for name, (x, y) in CORNERS.items():
        assert (x < 0, y < 0) == ("left" in name, "upper" in name)
    assert {(abs(x), abs(y)) for x, y in CORNERS.values()} == {(0.78, 0.7)}
