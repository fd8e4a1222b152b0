"""Places of nodes with heights on a tilted chart, against projection in three dimensions."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from glasswright_camera.chart.model import project
from glasswright_camera.chart.pose import flatten_nodes, half_extent_mm
from support.frames import make_stand

DISTANCE_MM, IMAGE_DISTANCE = 2000.0, 2.4
"""To the lattice's middle, and from the lens to its image in half-diagonals."""


@pytest.mark.parametrize(("tilt_x_deg", "tilt_y_deg"), [(0, 0), (0.2, 0), (0, -0.3), (1.5, 1.0)])
def test_a_raised_node_is_seen_where_its_line_of_sight_meets_the_lattice(tilt_x_deg, tilt_y_deg):
    # a pinhole camera: Hartley & Zisserman, "Multiple View Geometry", 2nd ed., 6.1
    layout = make_stand().charts[0].layout
    row, column = (place.ravel() for place in np.mgrid[: layout.rows, : layout.columns])
    flat = np.column_stack([column - (layout.columns - 1) / 2, row - (layout.rows - 1) / 2]) * layout.pitch_mm
    height = 3 * np.random.default_rng(1).standard_normal(len(flat))
    layout = replace(layout, nodes_mm=tuple(map(tuple, np.column_stack([flat, height]).tolist())))
    turn = Rotation.from_euler("xyz", [tilt_x_deg, tilt_y_deg, 1.0], degrees=True).as_matrix()
    camera = np.diag([IMAGE_DISTANCE, IMAGE_DISTANCE, 1.0])
    seen = (camera @ (turn @ np.column_stack([flat, height]).T + [[0], [0], [DISTANCE_MM]])).T
    seen = seen[:, :2] / seen[:, 2:]
    plane = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, DISTANCE_MM]])
    plane = plane @ np.diag([half_extent_mm(layout), half_extent_mm(layout), 1])

    places = flatten_nodes(np.column_stack([column, row]), layout, plane, DISTANCE_MM)

    # within a micrometre on the lattice; a height of 3 mm displaces the outermost nodes by 180
    assert project(plane, places) == pytest.approx(seen, abs=IMAGE_DISTANCE * 0.001 / DISTANCE_MM)
