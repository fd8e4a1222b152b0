"""Convert tilt, focus offset, field curvature and coma to adjustments for a technician."""

from __future__ import annotations

from math import inf, isfinite, nan, radians, tan
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Ticket, stage
from glasswright_camera.centring.result import Centring
from glasswright_camera.centring.vector import NOWHERE, point_along
from glasswright_camera.focus.result import FocusOffset
from glasswright_camera.moves.result import Moves
from glasswright_camera.sharpness.result import BestFocus
from glasswright_camera.stand import Seat, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_camera.centring.vector import Pointer


@stage
def suggest_moves(
    ticket: Ticket,
    centring: tuple[Centring, ...] | None,
    best_focus: tuple[BestFocus, ...] | None,
    offsets: tuple[FocusOffset, ...] | None,
    stand: Stand,
) -> Moves:
    """Convert results to moves of the whole lens on its seat.

    A tilt of the lens tilts its image by (1 + m) times the angle, m the magnification: the image plane moves with the
    lens, and the object plane is tilted the other way relative to it (Scheimpflug's rule for small angles). So the
    shim's thickness over the seat's diameter is ``tan(tilt / (1 + m))``: 5 arc minutes over 44 mm are 0.064 mm. The
    image moves with the lens (for a distant chart), so the flange distance changes by the offset.

    Parameters
    ----------
    ticket
        Its lens model is used.
    centring, best_focus, offsets
        Results at every setting; the centring with the most significant tilt at the lowest f-number is used.
    stand
        Its seats are used.

    Returns
    -------
    Moves
        An inner group moves the image by a different factor, given in the maker's documents. All values are NaN without
        a result of a focus series or a ramp: both are optional.
    """
    centred = choose_centring(centring or ())
    offset = min(offsets or (), key=_f_number, default=None)
    shift, shift_u = (offset.green.shift_um, offset.green.shift_um_u) if offset else (nan, nan)
    seat = stand.find_seat(ticket.model)
    magnification = next(
        (m.magnification_frac for m in best_focus or () if centred and m.setting == centred.setting), 0.0
    )
    x, y, shim = (find_shim(centred, seat, magnification)) if centred else ((nan, nan), (nan, nan), NOWHERE)
    return Moves(
        shim_mm=shim.size,
        shim_mm_u=shim.size_u,
        shim_deg=shim.deg,
        shim_deg_u=shim.deg_u,
        shim_x_mm=x[0],
        shim_x_mm_u=x[1],
        shim_y_mm=y[0],
        shim_y_mm_u=y[1],
        flange_um=shift,
        flange_um_u=shift_u,
        share_um=centred.field_curvature_um / 2 if centred else nan,
        share_um_u=centred.field_curvature_um_u / 2 if centred else nan,
        coma_ratio=centred.coma_ratio if centred else nan,
        coma_ratio_u=centred.coma_ratio_u if centred else nan,
        coma_deg=centred.coma_deg if centred else nan,
        coma_deg_u=centred.coma_deg_u if centred else nan,
        seat=seat.name if seat else "",
        seat_diameter_mm=seat.diameter_mm if seat else nan,
        where=str(centred.setting or "") if centred else "",
        offset_where=str(offset.setting or "") if offset else "",
        tilt_of=centred.tilt_of if centred else "not measured",
    )


def choose_centring(centring: Sequence[Centring]) -> Centring | None:
    """Return the result at the lowest f-number; of several focal lengths that with the most significant tilt."""
    lowest = min(map(_f_number, centring), default=inf)
    widest = [each for each in centring if _f_number(each) == lowest]
    return max(widest, key=_tilt_in_u, default=None)


def _f_number(result: Centring | FocusOffset) -> float:
    number = result.setting.f_number if result.setting else None
    return inf if number is None else number


def _tilt_in_u(centred: Centring) -> float:
    size, u = centred.focus_tilt_arcmin, centred.focus_tilt_arcmin_u
    return size / u if isfinite(size) and u > 0 else -1.0


def find_shim(
    centred: Centring, seat: Seat | None, magnification: float
) -> tuple[tuple[float, float], tuple[float, float], Pointer]:
    """Return the shim's components along x and y with u, and its size and direction, mm; NaN without a seat."""
    diameter = seat.diameter_mm if seat else nan

    def to_mm(arcmin: float) -> float:
        return diameter * tan(radians(arcmin / 60) / (1 + magnification))

    x, x_u = to_mm(centred.focus_tilt_x_arcmin), to_mm(centred.focus_tilt_x_arcmin_u)
    y, y_u = to_mm(centred.focus_tilt_y_arcmin), to_mm(centred.focus_tilt_y_arcmin_u)
    if not np.isfinite([x, y, x_u, y_u]).all():
        return (nan, nan), (nan, nan), NOWHERE
    return (x, x_u), (y, y_u), point_along(np.array([x, y]), np.diag([x_u**2, y_u**2]))
