"""The table from which a sweep is computed: one row per setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.field import CORNERS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright import Setting
    from glasswright_camera.sharpness.result import BestFocus, PlaneSharpness, Sharpness
    from glasswright_camera.vignetting.stage import Falloff

    Array = NDArray[np.float64]

PLANES: Final = ("red", "green", "blue")
REGIONS: Final = ("centre", "corner", "whole")
ZONES: Final = ("centre", "mid", *CORNERS)
SIDES: Final = ("sagittal", "tangential")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Arrays over (settings, ...), by focal length, focus distance and f-number."""

    settings: tuple[Setting, ...]
    focal_length_mm: Array
    f_number: Array
    series: NDArray[np.int64]
    """(settings,): index, from 0, of the setting's focal length and focus distance."""
    sharpness: Array
    """(settings, regions)."""
    sharpness_u: Array
    detail: Array
    """(settings, planes, zones, sides): every MTF50."""
    detail_u: Array
    corner_loss: Array
    """(settings,)."""
    corner_loss_u: Array


def lay_table(sharpness: Sequence[Sharpness | BestFocus], falloff: Sequence[Falloff]) -> Table:
    """Return the table of measured settings.

    Raises
    ------
    Unmeasurable
        Where a setting has no f-number.
    """
    rows = sorted(((find_setting(each), each) for each in sharpness), key=lambda row: _place(row[0]))
    settings = tuple(setting for setting, _ in rows)
    places = [_place(setting)[:2] for setting in settings]
    order = sorted(set(places))
    greens = [each.green for _, each in rows]
    detail = [[read_detail(getattr(each, plane)) for plane in PLANES] for _, each in rows]
    losses = {(each.setting.focal_length_mm, each.setting.f_number): each for each in falloff if each.setting}
    matched = [losses.get((setting.focal_length_mm, setting.f_number)) for setting in settings]
    return Table(
        settings=settings,
        focal_length_mm=np.array([np.nan if s.focal_length_mm is None else s.focal_length_mm for s in settings]),
        f_number=np.array([s.f_number for s in settings], dtype=np.float64),
        series=np.array([order.index(place) for place in places], dtype=np.int64),
        sharpness=np.array([read_regions(green)[0] for green in greens]),
        sharpness_u=np.array([read_regions(green)[1] for green in greens]),
        detail=np.array([[pair[0] for pair in planes] for planes in detail]),
        detail_u=np.array([[pair[1] for pair in planes] for planes in detail]),
        corner_loss=np.array([np.nan if each is None else each.mean_corner_loss_ev for each in matched]),
        corner_loss_u=np.array([np.nan if each is None else each.mean_corner_loss_ev_u for each in matched]),
    )


def find_setting(sharpness: Sharpness | BestFocus) -> Setting:
    """Return the setting, which must have an f-number to be part of a sweep."""
    setting = sharpness.setting
    if setting is None or setting.f_number is None:
        where = "" if setting is None else f" ({setting})"
        raise Unmeasurable(
            f"a setting{where} has no f-number, so its place in the sweep is not known: "
            "give it in ticket.yaml under `shots`"
        )
    return setting


def _place(setting: Setting) -> tuple[float, float, float]:
    values = (setting.focal_length_mm, setting.focus_distance_m, setting.f_number)
    focal, distance, f_number = (-1.0 if value is None else value for value in values)
    return focal, distance, f_number


def read_regions(green: PlaneSharpness) -> tuple[list[float], list[float]]:
    """Return MTF50 of centre, corners and whole field, with uncertainties."""
    zones = [getattr(green, zone) for zone in ZONES]
    whole = sum(zone.mean_cy_per_px for zone in zones) / len(zones)
    whole_u = float(np.sqrt(sum(zone.mean_cy_per_px_u**2 for zone in zones))) / len(zones)
    return (
        [green.centre.mean_cy_per_px, green.corner_mean_cy_per_px, whole],
        [green.centre.mean_cy_per_px_u, green.corner_mean_cy_per_px_u, whole_u],
    )


def read_detail(plane: PlaneSharpness) -> tuple[list[list[float]], list[list[float]]]:
    """Return every zone's MTF50 along both directions, with uncertainties."""
    zones = [getattr(plane, zone) for zone in ZONES]
    return (
        [[getattr(zone, f"{side}_cy_per_px") for side in SIDES] for zone in zones],
        [[getattr(zone, f"{side}_cy_per_px_u") for side in SIDES] for zone in zones],
    )


def list_values(sharpness: Sharpness | BestFocus) -> list[float]:
    """List every measured MTF50 of a setting."""
    planes = (read_detail(getattr(sharpness, plane))[0] for plane in PLANES)
    return [value for zones in planes for sides in zones for value in sides]
