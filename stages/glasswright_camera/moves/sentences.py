"""Describe suggested adjustments, and after a repair their success."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.field import clock_time

if TYPE_CHECKING:
    from glasswright_camera.moves.result import Moves

SURE: Final = 5.0
"""Standard uncertainties from which a move is significant."""
COVERAGE: Final = 2.0
LEAST_SHIM_MM: Final = 0.01
LEAST_FLANGE_UM: Final = 5.0
"""Smaller changes are not made by shims (common practice, no source)."""
LEAST_COMA: Final = 0.2
UNDER: Final = "a hint under the maker's service documents"


def describe_moves(moves: Moves) -> list[str]:
    """Return a sentence for each significant move."""
    sentences = []
    if stands_out(moves.shim_mm, moves.shim_mm_u, LEAST_SHIM_MM):
        sentences.append(
            f"To remove the tilt of best focus ({moves.where}, tilt of {moves.tilt_of}): a shim thicker by "
            f"{_with_u(moves.shim_mm, moves.shim_mm_u, 'mm')} at {clock_time(moves.shim_deg)} than opposite, over the "
            f"{moves.seat_diameter_mm:g} mm of the {moves.seat}; half more there and half less opposite keeps the "
            f"middle in focus; {UNDER}"
        )
    if stands_out(moves.flange_um, moves.flange_um_u, LEAST_FLANGE_UM):
        sentences.append(
            f"To remove the focus offset ({moves.offset_where}): {_change(moves.flange_um)} the flange distance by "
            f"{_with_u(abs(moves.flange_um), moves.flange_um_u, 'µm')}, or the autofocus adjustment; {UNDER}"
        )
    if stands_out(moves.share_um, moves.share_um_u, LEAST_FLANGE_UM):
        sentences.append(
            f"To balance the field curvature between middle and corners ({moves.where}): {_change(moves.share_um)} the "
            f"flange distance by {_with_u(abs(moves.share_um), moves.share_um_u, 'µm')} from best focus of the middle; "
            f"the field stays curved; {UNDER}"
        )
    if stands_out(moves.coma_ratio, moves.coma_ratio_u, LEAST_COMA):
        sentences.append(
            f"To centre the decentred element ({moves.where}): move it along the line from "
            f"{clock_time(moves.coma_deg)} to {clock_time(moves.coma_deg + 180)}; the sense depends on the lens, so "
            f"move it slightly and shoot again; {UNDER}"
        )
    return sentences


def stands_out(value: float, u: float, least: float) -> bool:
    """Return whether a move is large and significant enough to be made."""
    return bool(abs(value) > max(least, SURE * u))


def compare_moves(before: Moves, after: Moves) -> list[str]:
    """Return a sentence on the success of each move that was significant before."""
    sentences = []
    if before.where == after.where and stands_out(before.shim_mm, before.shim_mm_u, LEAST_SHIM_MM):
        suggested = np.array([before.shim_x_mm, before.shim_y_mm])
        left = np.array([after.shim_x_mm, after.shim_y_mm])
        left_u = float(np.hypot(after.shim_x_mm_u, after.shim_y_mm_u))
        sentences.append(
            f"Tilt: a shim of {before.shim_mm:.3f} mm at {clock_time(before.shim_deg)} was suggested "
            f"({before.where}); "
            + _judge(suggested, left, left_u, f"{after.shim_mm:.3f} mm at {clock_time(after.shim_deg)}")
        )
    for name, at, one, other, other_u in (
        (
            "Focus offset",
            (before.offset_where, after.offset_where),
            before.flange_um,
            after.flange_um,
            after.flange_um_u,
        ),
        ("Field curvature", (before.where, after.where), before.share_um, after.share_um, after.share_um_u),
    ):
        one_u = before.flange_um_u if name == "Focus offset" else before.share_um_u
        if at[0] == at[1] and stands_out(one, one_u, LEAST_FLANGE_UM):
            what = f"{name}: a change of flange distance by {one:+.1f} µm was suggested ({at[0]}); "
            sentences.append(what + _judge(np.array([one]), np.array([other]), other_u, f"{other:+.1f} µm"))
    if before.where == after.where and stands_out(before.coma_ratio, before.coma_ratio_u, LEAST_COMA):
        suggested, left = _vector(before.coma_ratio, before.coma_deg), _vector(after.coma_ratio, after.coma_deg)
        what = f"Coma in the middle was {before.coma_ratio:.2f} of the typical one ({before.where}); "
        sentences.append(what + _judge(suggested, left, after.coma_ratio_u, f"{after.coma_ratio:.2f}"))
    return sentences


def _judge(
    suggested: np.ndarray[tuple[int], np.dtype[np.float64]],
    left: np.ndarray[tuple[int], np.dtype[np.float64]],
    left_u: float,
    left_text: str,
) -> str:
    """Describe how much of a suggested move was made, and the remaining error."""
    if not (np.isfinite(left).all() and np.isfinite(left_u)):
        return "it was not measured again"
    if float(np.linalg.norm(left)) <= COVERAGE * left_u:
        return f"it is done: the remaining {left_text} is within its uncertainty"
    done = float((suggested - left) @ suggested / (suggested @ suggested))
    if done < -COVERAGE * left_u / float(np.linalg.norm(suggested)):
        return f"it was moved in the wrong direction: {left_text} is to be removed now"
    return f"{100 * done:.0f} % of it was done: {left_text} remains"


def _vector(size: float, deg: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return size * np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])


def _change(value: float) -> str:
    return "increase" if value > 0 else "reduce"


def _with_u(value: float, u: float, unit: str) -> str:
    decimals = min(max(0, 1 - int(np.floor(np.log10(COVERAGE * u)))), 4) if u > 0 else 3
    return f"{value:.{decimals}f} ± {COVERAGE * u:.{decimals}f} {unit}"
