"""Step `dust`: what lies on the body's sensor, whatever lens is on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import Finding, StepResult
from glasswright_camera.raw.stage import decode_raw
from glasswright_camera.spots.map_spots import map_spots

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

RESTS: Final = ("find_spots.*",)
HOLDS_DAYS: Final = 30
FROM_F_NUMBER: Final = 10.5
WITHIN_FRAC: Final = 0.006
"""Of the frame's width. Dust a millimetre before the sensor throws its shadow where the exit pupil puts it: lenses
whose pupils are 40 and 80 mm away differ by 0.2 mm in the corner of a frame 36 mm wide."""
WIDEST_FRAC: Final = 0.03
"""Of the frame's width: a wider shadow at the smallest stop is of something in the lens."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Motes:
    """Shadows that are there with every lens."""

    place: Array
    """(motes, 2): of the frame's width and height."""
    scatter_frac: float
    """Standard deviation of a place from lens to lens."""
    unsure: int
    """Shadows that some lenses show and others do not, on the body or on two lenses in one place."""


def commission_dust(folder: Path, stand: Stand, today: date) -> StepResult:
    """List the dust on the sensor from flats of several lenses at the smallest stop.

    Parameters
    ----------
    folder
        Holds `lens_1`, `lens_2` and so on, each with two flats or more through another lens.
    stand
        Its sensor reads the shots.
    today
        Taken as the day of the shots where no file tells.

    Raises
    ------
    Unmeasurable
        With fewer than two lenses, or from several bodies.
    """
    lenses = sorted(path for path in folder.glob("lens_*") if path.is_dir() and any(path.iterdir()))
    if len(lenses) < 2:
        raise Unmeasurable(f"{folder} has flats of {len(lenses)} lenses: shoot two or more, into `lens_1` and so on")
    shots: list[Shot] = []
    seen = []
    for path in lenses:
        found = list_shots(path, "flat")
        refuse_open(found)
        shots += found
        seen.append(join_places([see_places(shot, stand) for shot in found]))
    refuse_copies(shots)
    motes = match_places(seen)
    findings = (
        Finding(name="mote_count", value=float(len(motes.place)), u=float(motes.unsure), ceiling_u=2.0,
                meaning="motes on the sensor; u is the number of shadows that not every lens shows"),
        Finding(name="mote_place_frac", value=motes.scatter_frac, u=motes.scatter_frac / np.sqrt(2 * len(seen)),
                ceiling_u=WITHIN_FRAC, meaning="how far a mote's shadow moves from lens to lens, of the frame's width"),
    )  # fmt: skip
    dust = [{"x_frac": round(float(x), 5), "y_frac": round(float(y), 5)} for x, y in motes.place]
    return StepResult(
        step="dust",
        findings=findings,
        changes={("camera", "dust"): dust},
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=find_body(shots),
        measured=find_day(shots, today),
        shot_count=len(shots),
        is_rehearsed=is_rehearsed(shots),
        notes=("dust comes and goes: do this again after every cleaning, and when `find_spots` reports new dust",),
    )


def refuse_open(shots: Sequence[Shot]) -> None:
    """Refuse shots at a wide aperture: dust casts no shadow there, and a dusty sensor would be listed as clean."""
    for shot in shots:
        f_number = shot.facts.f_number
        if f_number is None or f_number < FROM_F_NUMBER:
            said = "no f-number" if f_number is None else f"f/{f_number:g}"
            raise Unmeasurable(f"{shot.path} says {said}, where dust casts too faint a shadow: shoot at f/11 or beyond")


def see_places(shot: Shot, stand: Stand) -> Array:
    """Return the places of a flat's small shadows, (spots, 2) of width and height."""
    spots = map_spots(decode_raw(shot, stand))
    small = spots.size_px < WIDEST_FRAC * spots.width_px
    return np.asarray((spots.place_px[small] + 0.5) / [spots.width_px, spots.height_px])


def join_places(shots: Sequence[Array]) -> Array:
    """Return the places that more than half of a lens's shots show: noise has none twice."""
    first = shots[0]
    times = sum((is_near(first, other).astype(int) for other in shots), np.zeros(len(first), dtype=int))
    return first[times > len(shots) / 2]


def match_places(lenses: Sequence[Array]) -> Motes:
    """Return the places that every lens shows, each the mean over the lenses."""
    first = lenses[0]
    everywhere = np.all([is_near(first, other) for other in lenses[1:]], axis=0)
    found = [[place, *(_nearest(place, other) for other in lenses[1:])] for place in first[everywhere]]
    stack = np.array(found).reshape(len(found), len(lenses), 2)
    scatter = float(np.sqrt(np.mean(stack.var(axis=1, ddof=1)))) if len(found) else 0.0
    means = stack.mean(axis=1)
    others = np.concatenate([lens[~is_near(lens, means)] for lens in lenses])
    return Motes(place=means, scatter_frac=scatter, unsure=_count_seen_twice(others))


def is_near(places: Array, others: Array) -> NDArray[np.bool_]:
    """Say which places (n, 2) have one of the others near."""
    if not len(others):
        return np.zeros(len(places), dtype=bool)
    away = np.abs(places[:, None] - others[None]).max(axis=2)
    return np.asarray(away.min(axis=1) <= WITHIN_FRAC if len(places) else np.zeros(0, dtype=bool))


def _nearest(place: Array, others: Array) -> Array:
    return np.asarray(others[int(np.abs(others - place).max(axis=1).argmin())])


def _count_seen_twice(places: Array) -> int:
    """Count the places that are there more than once."""
    left, count = list(places), 0
    while left:
        place = left.pop()
        again = [k for k, other in enumerate(left) if np.abs(other - place).max() <= WITHIN_FRAC]
        count += bool(again)
        left = [other for k, other in enumerate(left) if k not in again]
    return count
