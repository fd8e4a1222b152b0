"""The stage that lists the dark spots of a flat frame."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.small_frame import shrink_mosaic
from glasswright_camera.spots.candidates import covers, even_out, find_candidates, find_faintest, split_bands
from glasswright_camera.spots.result import SpotMap
from glasswright_camera.spots.shape import Shape, is_falloff, is_row_of_spots, measure_shape
from glasswright_camera.stand import Fraction
from glasswright_camera.surface import LEAST_SIDE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.spots.candidates import Candidate

    Array32 = NDArray[np.float32]

FINEST_WIDTH: Final = 2000
"""Most cells over the frame's width: the shadow of the sharpest dust is still two across."""
MOST_LISTED: Final = 200
WIDEST: Final = 0.25
"""Widest shadow, of the frame's width; the smooth field would include wider ones."""
REACH_OF_LONG: Final = 3.0
"""Half-length of a long shadow, in standard deviations of its cells' places."""
REFERENCE_WIDTH: Final = 0.1
"""Width, of the frame's, of the shadow for which the detection limit is given: about a fleck on the rear lens at
f/16."""


@stage
def map_spots(mosaic: Mosaic, *, least_depth_frac: Fraction = 0.004) -> SpotMap:
    """Find the shadows on a frame of an even field, from a few pixels to a quarter of the frame wide.

    Parameters
    ----------
    mosaic
        A shot of the diffuse source. The higher its f-number, the sharper and deeper the shadows.
    least_depth_frac
        Least depth of a spot: relative loss of light.

    Returns
    -------
    SpotMap
        Sizes are those of a fitted plateau with a sloping rim. Wide shadows are measured a little too shallow, as the
        smooth field fits a part of them.

    Raises
    ------
    Unmeasurable
        Where the frame is too small.
    """
    # even, so that every cell has the same pixels of each colour
    block = 2 * max(1, int(np.ceil(mosaic.values.shape[2] / FINEST_WIDTH / 2)))
    height, width = mosaic.values.shape[1:]
    if min(height, width) < block * LEAST_SIDE:
        raise Unmeasurable(
            f"the frame has {width} x {height} pixels; spots need at least {block * LEAST_SIDE} each way"
        )
    residual, surface = even_out(shrink_mosaic(mosaic, block).light)
    bands = split_bands(residual, surface)
    shapes = _measure_shapes(residual, find_candidates(bands), least_depth_frac)
    listed = shapes[:MOST_LISTED]
    return SpotMap(
        shot=mosaic.shot,
        width_px=width,
        height_px=height,
        f_number=_f_number(mosaic),
        place_px=np.array([(shape.place + 0.5) * block - 0.5 for shape in listed]).reshape(-1, 2),
        size_px=np.array([block * shape.size for shape in listed]),
        size_u_px=np.array([block * shape.size_u for shape in listed]),
        depth=np.array([shape.depth for shape in listed]),
        depth_u=np.array([shape.depth_u for shape in listed]),
        length_ratio=np.array([shape.length / shape.size for shape in listed]),
        length_px=np.array([block * shape.length for shape in listed]),
        rim_px=np.array([block * shape.rim for shape in listed]),
        faintest_depth_frac=max(least_depth_frac, find_faintest(bands, REFERENCE_WIDTH * residual.shape[1])),
        spot_count=len(shapes),
        notes=(f"{len(shapes)} spots were found; the clearest {MOST_LISTED} are listed",)
        if len(shapes) > MOST_LISTED
        else (),
    )


def _measure_shapes(residual: Array32, candidates: list[Candidate], least_depth: float) -> list[Shape]:
    """Return the shapes of candidates, clearest first, each shadow once, without those too shallow or too wide."""
    measured: list[Shape] = []
    taken: list[Candidate] = []
    for seen in candidates:
        if any(covers(other, seen.place) for other in taken) or any(_holds(shape, seen) for shape in measured):
            continue
        shape = measure_shape(residual, seen)
        if shape is None or any(_same(shape, other) for other in measured):
            continue
        if shape.depth < least_depth:
            continue
        # candidates within a shadow are parts of it, even if it is too wide to be listed
        taken.append(seen if shape.spread is None else replace(seen, place=shape.place, spread=shape.spread))
        measured.append(shape)
    return [
        shape
        for shape in measured
        if shape.size <= WIDEST * residual.shape[1]
        and not is_falloff(shape, residual)
        and not is_row_of_spots(residual, shape, measured)
        and not any(_absorbs(other, shape) for other in measured)
    ]


def _holds(shape: Shape, seen: Candidate) -> bool:
    """Return whether a candidate lies within a measured shadow."""
    return bool(np.hypot(*(shape.place - seen.place)) < 0.75 * shape.size)


def _absorbs(shape: Shape, other: Shape) -> bool:
    """Return whether a shadow measured first is only a part of a long one, its end or border."""
    if shape.spread is None or other.size >= shape.size / 2:
        return False
    offset = other.place - shape.place
    return bool(offset @ np.linalg.solve(shape.spread, offset) < REACH_OF_LONG**2)


def _same(shape: Shape, other: Shape) -> bool:
    """Return whether a fit has converged to a measured shadow."""
    return bool(np.hypot(*(shape.place - other.place)) < 0.6 * max(shape.size, other.size))


def _f_number(mosaic: Mosaic) -> float:
    """Return the f-number of the shot's setting, else that of its file."""
    known = (mosaic.setting.f_number if mosaic.setting else None) or mosaic.facts.f_number
    return float(known) if known else float("nan")
