"""Tell dust on the sensor from what lies in the lens, over a ticket's flat shots."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.light.combine_darks import find_lasting
from glasswright_camera.light.dark import DarkShot
from glasswright_camera.light.flat import FlatField
from glasswright_camera.spots.origin import (
    Sighting,
    find_origin,
    find_width,
    gather_sightings,
    is_beyond,
    name_kind,
)
from glasswright_camera.spots.result import SpotMap, Spots
from glasswright_camera.spots.shape import LONG
from glasswright_camera.stand import Fraction, Positive, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

TOO_OPEN: Final = "flats_too_open"
NEARLY: Final = 0.94
"""A sixth of a stop: f-numbers are rounded."""
AT_HOME, AT_HOME_PX = 0.1, 2.0
"""Of its shadow's width, and pixels: how far a mote's shadow lies from where the stand's list has it, at the most."""
UNDER: Final = 0.6
"""The same for a shadow that is no wider than the sensor's own dust can throw."""
TOLD: Final = 6
"""Things told in words; the table has all."""
WORDS: Final = {
    "sensor_dust": "dust on the sensor",
    "lens_dust": "dust in the lens",
    "scratch": "a long mark",
    "patch": "a patch in the lens",
    "unsure": "a shadow of unknown origin",
}


@stage
def find_spots(
    maps: tuple[SpotMap, ...],
    darks: tuple[DarkShot, ...] | None,
    stand: Stand,
    flats: tuple[FlatField, ...] | None,
    *,
    sensor_glass_mm: Positive = 4.0,
    patch_frac: Fraction = 0.05,
    least_f_number: Positive = 5.6,
) -> Spots:
    """Place every shadow of the flat shots by how its width runs with the f-number, and by the stand's list of dust.

    Parameters
    ----------
    maps
        Spots of the flat shots of all f-numbers (and focal lengths: dust on the sensor is the same at each).
    darks
        Dark shots, for hot pixels.
    stand
        Pixel pitch, and the dust known to lie on the sensor.
    flats
        The same shots as they were taken together, setting by setting: one that was left out there, as it stands apart
        from its repeats, shows nothing here either. None takes every shot.
    sensor_glass_mm
        Largest distance, along the light, of dust on the sensor's own glass.
    patch_frac
        A thing in the lens that is wider itself than this, of the frame's width, is more than dust: rear lenses are as
        large as the frame asks.
    least_f_number
        A fleck on the rear lens, which is about as far from the sensor as the frame is wide, throws a shadow a fifth of
        the frame wide at this f-number; at a lower one it cannot be told from the lens's own falloff.

    Returns
    -------
    Spots
        With one f-number alone a thing is taken as opaque to place it, which is told in a note. Caveat
        `flats_too_open` where no shot is stopped down far enough to show what lies in a lens, `flats_left_out` where
        the plan lets the stage do without some of the flats, and some could not be read or stand apart.

    Raises
    ------
    Unmeasurable
        Where the shots are of two frame sizes.
    """
    together = {shot for each in flats for shot in each.shots} if flats is not None else {each.shot for each in maps}
    apart = [each.shot for each in maps if each.shot not in together]
    maps = tuple(each for each in maps if each.shot in together)
    if not maps:
        raise Unmeasurable("none of the flat shots could be taken together with its repeats: shoot them again")
    sizes = {(each.width_px, each.height_px) for each in maps}
    if len(sizes) > 1:
        told = " and ".join(f"{width} x {height}" for width, height in sorted(sizes))
        raise Unmeasurable(f"the flat shots are of {told} pixels: shots of two bodies in one ticket")
    pitch = stand.sensor.pixel_pitch_um
    limits = Limits(stack=1000 * sensor_glass_mm / pitch, patch=patch_frac * maps[0].width_px)
    things = [_describe(thing, stand, maps[0], limits) for thing in gather_sightings(maps)]
    things.sort(key=lambda each: -each.sharpest.depth)
    count = {kind: sum(each.kind == kind for each in things) for kind in WORDS}
    others = [each.sharpest for each in things if each.kind != "sensor_dust"]
    f_numbers = {each.f_number for each in maps}
    faintest_pct = 100 * find_limit(maps)
    too_open = not max(np.nan_to_num(list(f_numbers))) > NEARLY * least_f_number
    return Spots(
        sensor_dust_count=count["sensor_dust"],
        new_sensor_dust_count=sum(each.kind == "sensor_dust" and not each.is_known for each in things),
        lens_dust_count=count["lens_dust"],
        scratch_count=count["scratch"],
        patch_count=count["patch"],
        unsure_count=count["unsure"],
        lens_deepest_pct=100 * others[0].depth if others else 0.0,
        # a spot as deep as the flats can miss may lie beside the deepest one seen
        lens_deepest_pct_u=max(100 * others[0].depth_u if others else 0.0, faintest_pct),
        faintest_seen_pct=faintest_pct,
        hot_pixel_count=float(len(find_lasting(darks))) if darks else float("nan"),
        place_px=np.array([each.sharpest.place for each in things]).reshape(-1, 2),
        kind=tuple(each.kind for each in things),
        is_known=np.array([each.is_known for each in things], dtype=bool),
        frame_px=np.array([maps[0].width_px, maps[0].height_px], dtype=np.int64),
        shadow_px=np.array([each.sharpest.size for each in things]),
        shadow_um=np.array([pitch * each.sharpest.size for each in things]),
        depth=np.array([each.sharpest.depth for each in things]),
        thing_um=np.array([each.thing_um for each in things]),
        distance_mm=np.array([each.distance_mm for each in things]),
        distance_u_mm=np.array([each.distance_u_mm for each in things]),
        setting_count=len(f_numbers),
        caveats=(*((TOO_OPEN,) if too_open else ()), *((SpotMap.left_out_caveat,) if apart else ())),
        notes=(
            *_format_notes(things, pitch, len(f_numbers)),
            *_format_opened(least_f_number, too_open=too_open),
            *(f"{shot} is left out, as it stands apart from its repeats" for shot in apart),
        ),
    )


def find_limit(maps: Sequence[SpotMap]) -> float:
    """Return the least depth seen at the highest f-number: repeats do not make a shadow deeper, so the best shot's."""
    highest = max(np.nan_to_num(each.f_number) for each in maps)
    return min(each.faintest_depth_frac for each in maps if np.nan_to_num(each.f_number) == highest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Pixels: what tells the sensor's own dust from the lens's, and a patch from a fleck."""

    stack: float
    patch: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """One thing in the light's way."""

    sharpest: Sighting
    kind: str
    is_known: bool
    """Whether it is on the stand's list."""
    thing_um: float
    distance_mm: float
    distance_u_mm: float


def _describe(thing: Sequence[Sighting], stand: Stand, frame: SpotMap, limits: Limits) -> Thing:
    """Place one thing."""
    pitch = stand.sensor.pixel_pitch_um
    sharpest, origin = thing[0], find_origin(thing)
    origin = replace(origin, thing=find_width(thing, origin))
    long = float(np.median([each.length_ratio for each in thing])) > LONG
    is_small = sharpest.size * np.nan_to_num(sharpest.f_number, nan=1.0) < limits.stack
    is_known = not is_beyond(origin, limits.stack) and is_listed(sharpest, stand, frame, is_small=is_small)
    return Thing(
        sharpest=sharpest,
        kind="sensor_dust" if is_known else name_kind(origin, long=long, stack=limits.stack, patch=limits.patch),
        is_known=is_known,
        thing_um=pitch * origin.thing,
        distance_mm=pitch * origin.distance / 1000,
        distance_u_mm=pitch * origin.distance_u / 1000,
    )


def is_listed(sighting: Sighting, stand: Stand, frame: SpotMap, *, is_small: bool) -> bool:
    """Say whether the stand's list has dust where the middle of a shadow is, or anywhere under a small one.

    Two motes may throw one shadow, and the frame's border cuts some in half. Under a wide shadow only its middle
    counts: a fleck's in the lens falls on listed dust as on everything else.
    """
    known = np.array([(mote.x_frac * frame.width_px, mote.y_frac * frame.height_px) for mote in stand.dust])
    away = np.hypot(*(known.reshape(-1, 2) - sighting.place).T)
    return bool((away < (UNDER if is_small else AT_HOME) * sighting.size + AT_HOME_PX).any())


def _format_notes(things: Sequence[Thing], pitch: float, f_numbers: int) -> list[str]:
    """Say in words what lies in the lens, what is new on the sensor, and how far that is sure."""
    told = [each for each in things if not each.is_known]
    notes = [
        f"{WORDS[each.kind]} at x {each.sharpest.place[0]:.0f}, y {each.sharpest.place[1]:.0f}: "
        f"a shadow {pitch * each.sharpest.size / 1000:.2g} mm wide takes {100 * each.sharpest.depth:.2g} % of the light"
        + (f", {each.distance_mm:.2g} mm before the sensor" if np.isfinite(each.distance_mm) else "")
        for each in told[:TOLD]
    ]
    if len(told) > TOLD:
        notes.append(f"and {len(told) - TOLD} more, all in the table")
    if things and f_numbers < 2:
        notes.append("flats of one f-number only: distances take every thing as opaque; shoot another two stops apart")
    return notes


def _format_opened(least_f_number: float, *, too_open: bool) -> list[str]:
    """Say that no shot could show what lies in the lens."""
    told = (
        f"no flat is stopped down to f/{least_f_number:g}, so a fleck in the lens may be too wide and faint to be seen"
    )
    return [f"{told}: shoot flats at f/8 to f/16"] if too_open else []
