"""Distinguish dust on the sensor from objects in the lens, over a ticket's flat shots."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.light.combine_darks import find_lasting
from glasswright_camera.light.dark import DarkShot
from glasswright_camera.light.flat import FlatField
from glasswright_camera.spots.origin import (
    Shadow,
    find_origin,
    find_width,
    group_shadows,
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
"""Largest distance of a mote's shadow from its place in the stand's list: a share of its width, plus pixels."""
UNDER: Final = 0.6
"""The same for a shadow not wider than that of dust on the sensor can be."""
MOST_NAMED: Final = 6
"""Most objects named in notes; the table has all."""
KIND_NAMES: Final = {
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
    """Find the origin of every shadow of the flat shots from its widths over the f-numbers and the stand's dust list.

    Parameters
    ----------
    maps
        Spots of the flat shots of all f-numbers and focal lengths; dust on the sensor is the same at each.
    darks
        Dark shots, for hot pixels.
    stand
        For the pixel pitch, and the known dust on the sensor.
    flats
        The same shots, combined by setting: those left out there as outliers are left out here, too. None uses every
        shot.
    sensor_glass_mm
        Largest distance, along the light, of dust on the sensor's own glass.
    patch_frac
        Width, of the frame's, above which an object in the lens is a patch, not dust.
    least_f_number
        A fleck on the rear lens, about as far from the sensor as the frame is wide, has a shadow a fifth of the frame
        wide at this f-number; at lower ones it cannot be separated from the lens's falloff.

    Returns
    -------
    Spots
        With only one f-number objects are assumed to be opaque, with a note. Caveat `flats_too_open` where no shot is
        stopped down far enough to show objects in a lens, `flats_left_out` where flats that could not be read or are
        outliers were left out.

    Raises
    ------
    Unmeasurable
        Where the shots are of two frame sizes.
    """
    together = {shot for each in flats for shot in each.shots} if flats is not None else {each.shot for each in maps}
    apart = [each.shot for each in maps if each.shot not in together]
    maps = tuple(each for each in maps if each.shot in together)
    if not maps:
        raise Unmeasurable("none of the flat shots could be combined with its repeats: shoot them again")
    sizes = {(each.width_px, each.height_px) for each in maps}
    if len(sizes) > 1:
        text = " and ".join(f"{width} x {height}" for width, height in sorted(sizes))
        raise Unmeasurable(f"the flat shots are of {text} pixels: shots of two bodies in one ticket")
    pitch = stand.sensor.pixel_pitch_um
    limits = Limits(stack=1000 * sensor_glass_mm / pitch, patch=patch_frac * maps[0].width_px)
    things = [_describe(thing, stand, maps[0], limits) for thing in group_shadows(maps)]
    things.sort(key=lambda each: -each.sharpest.depth)
    count = {kind: sum(each.kind == kind for each in things) for kind in KIND_NAMES}
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
        # a spot below the detection limit may lie beside the deepest one
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
            *(f"{shot} is left out, as it deviates from its repeats" for shot in apart),
        ),
    )


def find_limit(maps: Sequence[SpotMap]) -> float:
    """Return the detection limit at the highest f-number: that of the best shot."""
    highest = max(np.nan_to_num(each.f_number) for each in maps)
    return min(each.faintest_depth_frac for each in maps if np.nan_to_num(each.f_number) == highest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits in pixels: largest distance of dust on the sensor, and least width of a patch."""

    stack: float
    patch: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """One object in the light path."""

    sharpest: Shadow
    kind: str
    is_known: bool
    """Whether it is on the stand's list."""
    thing_um: float
    distance_mm: float
    distance_u_mm: float


def _describe(thing: Sequence[Shadow], stand: Stand, frame: SpotMap, limits: Limits) -> Thing:
    """Return one object with its origin and kind."""
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


def is_listed(shadow: Shadow, stand: Stand, frame: SpotMap, *, is_small: bool) -> bool:
    """Return whether the stand's list has dust at the middle of a shadow, or anywhere within a small one.

    Two motes may form one shadow, and the frame's border cuts some in half. In a wide shadow only the middle counts, as
    the shadow of a fleck in the lens may cover listed dust by chance.
    """
    known = np.array([(mote.x_frac * frame.width_px, mote.y_frac * frame.height_px) for mote in stand.dust])
    away = np.hypot(*(known.reshape(-1, 2) - shadow.place).T)
    return bool((away < (UNDER if is_small else AT_HOME) * shadow.size + AT_HOME_PX).any())


def _format_notes(things: Sequence[Thing], pitch: float, f_numbers: int) -> list[str]:
    """Return notes on objects in the lens, new dust on the sensor, and their reliability."""
    new = [each for each in things if not each.is_known]
    notes = [
        f"{KIND_NAMES[each.kind]} at x {each.sharpest.place[0]:.0f}, y {each.sharpest.place[1]:.0f}: "
        f"a shadow {pitch * each.sharpest.size / 1000:.2g} mm wide takes {100 * each.sharpest.depth:.2g} % of the light"
        + (f", {each.distance_mm:.2g} mm in front of the sensor" if np.isfinite(each.distance_mm) else "")
        for each in new[:MOST_NAMED]
    ]
    if len(new) > MOST_NAMED:
        notes.append(f"and {len(new) - MOST_NAMED} more, all in the table")
    if things and f_numbers < 2:
        notes.append("flats of one f-number only: distances assume opaque objects; shoot another two stops apart")
    return notes


def _format_opened(least_f_number: float, *, too_open: bool) -> list[str]:
    """Return a note that no shot could show objects in the lens."""
    text = (
        f"no flat is stopped down to f/{least_f_number:g}, so a fleck in the lens may be too wide and faint to be seen"
    )
    return [f"{text}: shoot flats at f/8 to f/16"] if too_open else []
