"""Step `dust`: list the dust on the sensor from shadows that appear with every lens."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count
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
"""Largest distance between the shadows of one mote with two lenses, in frame widths. The shadow's place depends on the
exit pupil. For dust 1 mm before the sensor, pupils 40 and 80 mm away differ by 0.2 mm in the corner (36 mm frame)."""
WIDEST_FRAC: Final = 0.03
"""In frame widths: a wider shadow at the smallest stop comes from something in the lens."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LensShadows:
    """Shadows in the flats of one lens."""

    small: Array
    """(spots, 2): places of small shadows, as fractions of the frame's width and height."""
    wide: Array
    """(spots, 3): place of each wide shadow as fractions of width and height, and its diameter in frame widths."""
    aspect: float = 2 / 3
    """Height over width."""

    def hides(self, place: Array) -> bool:
        """Return whether a wide shadow, or its rim, could hide a small one at a place."""
        away = np.hypot(self.wide[:, 0] - place[0], (self.wide[:, 1] - place[1]) * self.aspect)
        return bool(np.any(away <= self.wide[:, 2]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Motes:
    """Shadows that appear with every lens."""

    place: Array
    """(motes, 2): fractions of the frame's width and height."""
    scatter_frac: float
    """Standard deviation of a place between lenses."""
    unsure: int
    """Number of undecided shadows: two lenses show them and another does not, or one lens shows them where a wide
    shadow covers the place in another."""


def commission_dust(folder: Path, stand: Stand, today: date) -> StepResult:
    """List the dust on the sensor from flats of several lenses at the smallest stop.

    Parameters
    ----------
    folder
        Contains `lens_1`, `lens_2` and so on, each with two flats or more through another lens.
    stand
        Its sensor describes the raw files.
    today
        Used as the day of the shots if no file has a date.

    Raises
    ------
    Unmeasurable
        With fewer than two lenses, or from several bodies.
    """
    lenses = sorted(path for path in folder.glob("lens_*") if path.is_dir() and any(path.iterdir()))
    if len(lenses) < 2:
        raise Unmeasurable(
            f"{folder} has flats of {format_count(len(lenses), 'lens')}: shoot two or more, into `lens_1` and so on"
        )
    shots: list[Shot] = []
    lens_shadows = []
    for path in lenses:
        found = list_shots(path, "flat")
        refuse_open(found)
        shots += found
        lens_shadows.append(join_shots([find_shadows(shot, stand) for shot in found]))
    refuse_copies(shots)
    motes = match_places(lens_shadows)
    findings = (
        StepValue(name="mote_count", value=float(len(motes.place)), u=float(motes.unsure), ceiling_u=2.0,
                meaning="motes on the sensor; u is the number of undecided shadows"),
        StepValue(name="mote_place_frac", value=motes.scatter_frac,
                u=motes.scatter_frac / np.sqrt(2 * len(lens_shadows)), ceiling_u=WITHIN_FRAC,
                meaning="scatter of a mote's shadow between lenses, in frame widths"),
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
        notes=("repeat this step after every cleaning, and when `find_spots` reports new dust",),
    )


def refuse_open(shots: Sequence[Shot]) -> None:
    """Refuse shots at a wide aperture: dust casts no visible shadow, and a dusty sensor would be listed as clean."""
    for shot in shots:
        f_number = shot.facts.f_number
        if f_number is None or f_number < FROM_F_NUMBER:
            found = "has no f-number" if f_number is None else f"is at f/{f_number:g}"
            raise Unmeasurable(f"{shot.path} {found}: dust shows only at f/11 or beyond, shoot there")


def find_shadows(shot: Shot, stand: Stand) -> LensShadows:
    """Return a flat's shadows."""
    spots = map_spots(decode_raw(shot, stand))
    small = spots.size_px < WIDEST_FRAC * spots.width_px
    place = np.asarray((spots.place_px + 0.5) / [spots.width_px, spots.height_px])
    return LensShadows(
        small=place[small],
        wide=np.column_stack([place[~small], spots.size_px[~small] / spots.width_px]),
        aspect=spots.height_px / spots.width_px,
    )


def join_shots(shots: Sequence[LensShadows]) -> LensShadows:
    """Combine the shadows in the shots of one lens."""
    return replace(
        shots[0],
        small=join_places([shot.small for shot in shots]),
        wide=np.concatenate([shot.wide for shot in shots]),
    )


def join_places(shots: Sequence[Array]) -> Array:
    """Return the places found in more than half of a lens's shots; noise is not found twice at one place."""
    first = shots[0]
    times = sum((has_near(first, other).astype(int) for other in shots), np.zeros(len(first), dtype=int))
    return first[times > len(shots) / 2]


def match_places(lenses: Sequence[LensShadows]) -> Motes:
    """Return the shadows found with at least two lenses, and with every lens in which no wide shadow hides them.

    A place is the mean over the lenses that show it.
    """
    means, squares, unsure = [], [], 0
    for place in _list_apart([each for lens in lenses for each in lens.small]):
        shows = [bool(has_near(place[None], lens.small)[0]) for lens in lenses]
        misses = [not shown and not lens.hides(place) for shown, lens in zip(shows, lenses, strict=True)]
        if sum(shows) >= 2 and not any(misses):
            seen = np.array([_nearest(place, lens.small) for shown, lens in zip(shows, lenses, strict=True) if shown])
            means.append(seen.mean(axis=0))
            squares.append(seen.var(axis=0, ddof=1))
        elif sum(shows) >= 2 or sum(misses) < len(lenses) - 1:
            unsure += 1
    scatter = float(np.sqrt(np.mean(squares))) if squares else 0.0
    return Motes(place=np.array(means).reshape(-1, 2), scatter_frac=scatter, unsure=unsure)


def has_near(places: Array, others: Array) -> NDArray[np.bool_]:
    """Return which of the places (n, 2) have one of the others near."""
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
