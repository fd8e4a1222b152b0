"""Step `dust`: what lies on the body's sensor, whatever lens is on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
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
class Sight:
    """What the flats of one lens show."""

    small: Array
    """(spots, 2): places of small shadows, of the frame's width and height."""
    wide: Array
    """(spots, 3): place and width of each wide shadow, of the frame's width and height, and of its width."""
    aspect: float = 2 / 3
    """Height over width."""

    def hides(self, place: Array) -> bool:
        """Say whether a wide shadow, or its rim, could hide a small one there."""
        away = np.hypot(self.wide[:, 0] - place[0], (self.wide[:, 1] - place[1]) * self.aspect)
        return bool(np.any(away <= self.wide[:, 2]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Motes:
    """Shadows that are there with every lens."""

    place: Array
    """(motes, 2): of the frame's width and height."""
    scatter_frac: float
    """Standard deviation of a place from lens to lens."""
    unsure: int
    """Shadows of which the lenses leave open whether they are the body's: two show them and another does not, or one
    shows them where a wide shadow covers them in another."""


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
        seen.append(join_shots([see_places(shot, stand) for shot in found]))
    refuse_copies(shots)
    motes = match_places(seen)
    findings = (
        StepValue(name="mote_count", value=float(len(motes.place)), u=float(motes.unsure), ceiling_u=2.0,
                meaning="motes on the sensor; u is the number of shadows of which it is not sure"),
        StepValue(name="mote_place_frac", value=motes.scatter_frac, u=motes.scatter_frac / np.sqrt(2 * len(seen)),
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


def see_places(shot: Shot, stand: Stand) -> Sight:
    """Return a flat's shadows."""
    spots = map_spots(decode_raw(shot, stand))
    small = spots.size_px < WIDEST_FRAC * spots.width_px
    place = np.asarray((spots.place_px + 0.5) / [spots.width_px, spots.height_px])
    return Sight(
        small=place[small],
        wide=np.column_stack([place[~small], spots.size_px[~small] / spots.width_px]),
        aspect=spots.height_px / spots.width_px,
    )


def join_shots(shots: Sequence[Sight]) -> Sight:
    """Take the shots of one lens together."""
    return replace(
        shots[0],
        small=join_places([shot.small for shot in shots]),
        wide=np.concatenate([shot.wide for shot in shots]),
    )


def join_places(shots: Sequence[Array]) -> Array:
    """Return the places that more than half of a lens's shots show: noise has none twice."""
    first = shots[0]
    times = sum((is_near(first, other).astype(int) for other in shots), np.zeros(len(first), dtype=int))
    return first[times > len(shots) / 2]


def match_places(lenses: Sequence[Sight]) -> Motes:
    """Return the places that two lenses show, and every other that could; each the mean over those lenses."""
    means, squares, unsure = [], [], 0
    for place in _list_apart([each for lens in lenses for each in lens.small]):
        shows = [bool(is_near(place[None], lens.small)[0]) for lens in lenses]
        misses = [not shown and not lens.hides(place) for shown, lens in zip(shows, lenses, strict=True)]
        if sum(shows) >= 2 and not any(misses):
            seen = np.array([_nearest(place, lens.small) for shown, lens in zip(shows, lenses, strict=True) if shown])
            means.append(seen.mean(axis=0))
            squares.append(seen.var(axis=0, ddof=1))
        elif sum(shows) >= 2 or sum(misses) < len(lenses) - 1:
            unsure += 1
    scatter = float(np.sqrt(np.mean(squares))) if squares else 0.0
    return Motes(place=np.array(means).reshape(-1, 2), scatter_frac=scatter, unsure=unsure)


def is_near(places: Array, others: Array) -> NDArray[np.bool_]:
    """Say which places (n, 2) have one of the others near."""
    if not len(others):
        return np.zeros(len(places), dtype=bool)
    away = np.abs(places[:, None] - others[None]).max(axis=2)
    return np.asarray(away.min(axis=1) <= WITHIN_FRAC if len(places) else np.zeros(0, dtype=bool))


def _nearest(place: Array, others: Array) -> Array:
    return np.asarray(others[int(np.abs(others - place).max(axis=1).argmin())])


def _list_apart(places: Sequence[Array]) -> list[Array]:
    """Return one place for each group of near ones."""
    apart: list[Array] = []
    for place in places:
        if not any(np.abs(place - other).max() <= WITHIN_FRAC for other in apart):
            apart.append(place)
    return apart
