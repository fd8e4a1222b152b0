"""Edges that no lens's blur explains: doubled images, movement during the exposure, a dirty chart.

The fit assumes the blur of a lens. On other edges its MTF50 may be wrong by many times its uncertainty, so zones with
many such edges are named.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.field import zone_members
from glasswright_camera.roles.shaken import SHAKEN_ROLES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.stand import Zones

    Array = NDArray[np.float64]

MOST_MISFIT: Final = 0.003
MUCH_LEFT_OUT: Final = 0.2
"""An edge counts as unexplained where misfit / MOST_MISFIT + left out / MUCH_LEFT_OUT > 1; both are used because cells
that do not fit are left out only where noise is low. The sum, measured at noise of 0.05 to 0.7 % of the step: aberrated
pupils up to 0.3; 1.2 waves of coma or a movement over 5 px up to 0.98; edges doubled 5 px away with a twentieth to a
fifth of the light, 1.2 to 2; a speck of dust on one disc, 0.3 to 0.9."""
MANY: Final = 0.5
"""Share of a zone's discs."""
NOT_JUDGED: Final = SHAKEN_ROLES | {"focus_series"}
"""Roles of shots that are blurred on purpose."""


def unlike_places(misfit: Array, left_out: Array, place_px: Array, size_px: tuple[int, int], zones: Zones) -> list[str]:
    """Return the names of zones in which more than MANY of the measured discs have unexplained edges.

    Parameters
    ----------
    misfit, left_out
        (planes, discs): see `Trace`; NaN where there is no edge. A disc counts if its edge is unexplained in one plane.
    place_px
        (discs, 2).
    size_px
        Width and height of the frame.
    zones
        The stand's.
    """
    seen = np.any(np.isfinite(left_out), axis=0)
    unlike = np.any(misfit / MOST_MISFIT + left_out / MUCH_LEFT_OUT > 1, axis=0)
    members = zone_members(place_px, *size_px, zones)
    return [name for name, inside in members.items() if unlike[inside].sum() > MANY * max(seen[inside].sum(), 1)]
