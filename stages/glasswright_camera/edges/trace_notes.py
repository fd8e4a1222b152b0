"""Notes of a trace: discs that were not measured, edges too sharp or not explained by a lens's blur."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edges.kernel.discs import NO_EDGE, NO_LEVEL, NOT_CONVERGED, REJECTED, TOO_SHARP, WHOLE_DISC

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.table import EdgeTable

    Array = NDArray[np.float64]

NYQUIST: Final = 0.5
"""Cycles/pixel, of two samples a cycle."""
REASONS: Final = {
    NO_EDGE: "no edge seen",
    NO_LEVEL: "the ring about the edge is too narrow or clipped",
    NOT_CONVERGED: "the fit did not converge",
    REJECTED: "over a quarter of the edge does not fit (dirt, or a doubled image)",
    TOO_SHARP: "no 50 % point below 1 cycle/pixel",
}


def note_whole(shot: str, planes: Sequence[str], table: EdgeTable) -> tuple[str, ...]:
    """Return a note for each plane in which discs were fitted as a whole, with the number of those without MTF50."""
    notes = []
    for plane, ending, mtf50 in zip(planes, table.ending, table.mtf50, strict=True):
        whole = ending == WHOLE_DISC
        if whole.any():
            unknown = int((whole & ~np.isfinite(mtf50).all(axis=1)).sum())
            notes.append(
                f"{shot}: {plane} plane: {whole.sum()} of {len(whole)} discs are so small for their blur that they "
                f"were fitted whole; {unknown} of them have no MTF50, as its uncertainty would be over 10 %: use "
                "larger discs or more magnification"
            )
    return tuple(notes)


def name_failures(ending: NDArray[np.int64], good: NDArray[np.bool_], thing: str = "disc") -> str:
    """Return why discs were not measured: `2 discs: no edge seen; 1 disc: ...`; empty if all were.

    Parameters
    ----------
    ending
        (planes, discs): how each fit ended.
    good
        (discs,): measured in every plane. Of a disc that failed in several planes the worst reason counts.
    thing
        Noun for what was measured.
    """
    worst = ending[:, ~good].min(axis=0) if len(good) else np.empty(0, dtype=np.int64)
    parts = []
    for code, reason in REASONS.items():
        count = int((worst == code).sum())
        if count:
            parts.append(f"{count} {thing if count == 1 else thing + 's'}: {reason}")
    rest = int((worst > TOO_SHARP).sum())
    if rest:
        parts.append(
            f"{rest} {thing if rest == 1 else thing + 's'}: no 50 % point below 1 cycle/pixel in one direction"
        )
    return "; ".join(parts)


def is_beyond_nyquist(mtf50: Array) -> bool:
    """Return whether half of the discs have an MTF50 beyond the Nyquist frequency of the sensor's pixels."""
    return bool(np.isfinite(mtf50).any() and np.nanmedian(mtf50) > NYQUIST)


def name_notes(shot: str, failed: Sequence[str], *, beyond: bool, unlike: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the notes of a trace.

    `failed` has a text for each plane with discs that were not measured; `unlike` names zones with unexplained edges.
    """
    notes = [f"{shot}: {each}" for each in failed]
    if unlike:
        notes.append(
            f"{shot}: most edges in {', '.join(unlike)} are unlike any lens's blur (a doubled image, a knock during "
            "the exposure, dirt), and MTF50 there may be wrong by many times its uncertainty; look at the shot"
        )
    if beyond:
        notes.append(
            f"{shot}: MTF50 is above {NYQUIST:g} cycles/pixel: few lenses resolve so much; "
            "make sure the file is neither sharpened nor resampled"
        )
    return tuple(notes)
