"""Compiles the fit of whole discs, beside a process that compiles the rest: `python ci/compile_whole.py`.

No disc is fitted: the arrays are empty, and only their types count.
"""

from __future__ import annotations

import numpy as np

from glasswright_camera.edges.kernel.discs import ROWS, Fits
from glasswright_camera.edges.kernel.moments import family_moments
from glasswright_camera.edges.kernel.parameters import PARAMETERS
from glasswright_camera.edges.kernel.ring import Discs, Frame
from glasswright_camera.edges.kernel.whole import fit_whole_discs
from glasswright_camera.edges.kernel.whole_light import spread_table


def make_arguments() -> tuple[object, ...]:
    """Return the arguments for no disc on a raw frame of three colours."""
    level = np.zeros((1, 2, 2))
    frame = Frame(np.zeros((1, 2, 2), np.uint16), np.zeros((1, 2, 2), np.int64), level, 1.0)
    discs = Discs(
        np.zeros((0, 2)), np.zeros((0, 2, 2)), np.zeros(0), np.zeros((0, 2)), np.zeros(0), np.zeros((3, 0, 6))
    )
    fits = Fits(np.zeros((3, 0, ROWS)), np.zeros((3, 0, PARAMETERS, PARAMETERS)), np.zeros((3, 0, 2, 1)))
    wanted = np.zeros((3, 0), dtype=np.bool_)
    return frame, discs, family_moments(), spread_table(), wanted, wanted, 1, fits


if __name__ == "__main__":
    fit_whole_discs(*make_arguments())
