"""Groups of a ticket's shots by setting."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

from glasswright.intake.shot_setting import Nominal
from glasswright.plugin.artefact import Setting

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from glasswright.intake.index import IndexedShot, IndexedTicket


def is_of_any_setting(indexed: IndexedShot) -> bool:
    """Return whether an unusable shot could belong to any setting: it then counts as missing in each."""
    return bool(indexed.refusal) and indexed.unsettled


def shots_of(indexed: IndexedTicket, roles: Collection[str]) -> list[IndexedShot]:
    """Return a ticket's shots of some roles, sorted by name."""
    return [each for each in indexed.shots if each.shot.role in roles]


def settings_of(indexed: IndexedTicket, roles: Collection[str], nominal: Nominal) -> tuple[Setting, ...]:
    """Return the settings at which shots of some roles must be measured: those shot, and those planned.

    A planned setting counts as shot if a shot agrees with it in everything that the plan specifies; the shot's own
    setting may contain more (its focus distance).
    """
    shot = {
        each.shot.setting
        for each in shots_of(indexed, roles)
        if each.shot.setting is not None and not is_of_any_setting(each)
    }
    missing = [setting for setting in planned_settings(nominal) if not any(_covers(each, setting) for each in shot)]
    return sort_settings([*shot, *missing])


def planned_settings(nominal: Nominal) -> tuple[Setting, ...]:
    """Return every combination of the plan's nominal values."""
    if nominal == Nominal():
        return ()
    each = product(nominal.focal_length_mm or (None,), nominal.f_number or (None,), nominal.focus_distance_m or (None,))
    return tuple(
        Setting(focal_length_mm=focal_length, f_number=f_number, focus_distance_m=distance)
        for focal_length, f_number, distance in each
    )


def enclosing_setting(setting: Setting | None, available: Collection[Setting]) -> Setting | None:
    """Return the available setting that applies to a shot: its own, else without exposure time, else also without focus
    distance.

    For example, one flat for a focal length and f-number applies to charts at two focus distances.
    """
    if setting is None:
        return None
    untimed = replace(setting, exposure_time_s=None)
    for candidate in (setting, untimed, replace(untimed, focus_distance_m=None)):
        if candidate in available:
            return candidate
    return None


def sort_settings(settings: Iterable[Setting]) -> tuple[Setting, ...]:
    """Sort settings; unknown values come first."""
    return tuple(sorted(settings, key=lambda setting: setting.sort_key))


def _covers(shot: Setting, planned: Setting) -> bool:
    # a shot without focus distance, such as a flat, is valid for all: a role that needs one is refused without it
    return (
        planned.focal_length_mm in (None, shot.focal_length_mm)
        and planned.f_number in (None, shot.f_number)
        and (shot.focus_distance_m is None or planned.focus_distance_m in (None, shot.focus_distance_m))
    )
