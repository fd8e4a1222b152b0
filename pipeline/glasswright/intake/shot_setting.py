"""The setting of a shot, from its EXIF, the ticket and the plan's nominal values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final, Self

from glasswright.plugin.artefact import Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from glasswright.config import Plan
    from glasswright.plugin.artefact import CaptureFacts
    from glasswright.plugin.roles import Role

SETTING_CONTRADICTION: Final = "setting_contradiction"
FOCAL_LENGTH_TOLERANCE: Final = 0.03
"""Relative."""
F_NUMBER_TOLERANCE_STOPS: Final = 1 / 6
DISTANCE_TOLERANCE: Final = 0.1
"""Relative: focusing scales are coarse."""
ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Nominal:
    """The nominal settings in a plan."""

    focal_length_mm: tuple[float, ...] = ()
    f_number: tuple[float, ...] = ()
    focus_distance_m: tuple[float, ...] = ()

    @classmethod
    def of_plan(cls, plan: Plan) -> Self:
        """Return a plan's."""
        return cls(
            focal_length_mm=plan.nominal_focal_length_mm,
            f_number=plan.nominal_f_number,
            focus_distance_m=plan.nominal_focus_distance_m,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRule:
    """Settings in the ticket for shots whose names match a pattern; None where one is not given."""

    files: str
    focal_length_mm: float | None = None
    f_number: float | None = None
    focus_distance_m: float | None = None
    exposure_time_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotSetting:
    """The setting of one shot (None if its role has none), and findings about it."""

    setting: Setting | None
    missing: tuple[str, ...] = ()
    """Parts of the setting that neither EXIF nor the ticket gives; the exposure time only for timed roles."""
    caveats: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    exposure_time_s: float | None = None
    """The ticket's exposure time if it gives one, for any role; else that of EXIF."""
    unconfirmed: bool = False
    """Whether the f-number is from the ticket alone and EXIF has none."""


def settle(name: str, role: Role, facts: CaptureFacts, rules: Sequence[ShotRule], nominal: Nominal) -> ShotSetting:
    """Return the setting of a shot named `role/file`.

    The ticket takes precedence over EXIF. If the two differ by more than a shot may differ from its nominal setting,
    this is a finding and the shot gets the caveat `setting_contradiction`. The value is then replaced by the nearest
    nominal one within 3 % of focal length, 1/6 stop and a tenth of the focus distance, and kept if there is none.
    """
    if not role.has_setting:
        return ShotSetting(setting=None, exposure_time_s=facts.exposure_time_s)
    findings: list[str] = []
    contradictions: list[str] = []
    matching = [rule for rule in rules if fnmatchcase(name, rule.files)]
    focal_length = _choose(
        name,
        "focal length",
        "mm",
        facts.focal_length_mm,
        _declared(matching, "focal_length_mm"),
        focal_lengths_agree,
        contradictions,
    )
    f_number = _choose(
        name, "f-number", "", facts.f_number, _declared(matching, "f_number"), f_numbers_agree, contradictions
    )
    distance = _choose(
        name, "focus distance", "m", None, _declared(matching, "focus_distance_m"), _equal, contradictions
    )
    exposure = _choose(
        name,
        "exposure time",
        "s",
        facts.exposure_time_s,
        _declared(matching, "exposure_time_s"),
        f_numbers_agree,
        contradictions,
    )
    setting = Setting(
        focal_length_mm=_join(
            name, "focal length", focal_length, nominal.focal_length_mm, nearest_focal_length, findings
        ),
        f_number=_join(name, "f-number", f_number, nominal.f_number, nearest_f_number, findings),
        focus_distance_m=_join(name, "focus distance", distance, nominal.focus_distance_m, nearest_distance, findings),
        exposure_time_s=exposure if role.is_timed else None,
    )
    needed = [("focal length", focal_length), ("f-number", f_number)]
    needed += [("focus distance", distance)] if role.has_distance and nominal.focus_distance_m else []
    needed += [("exposure time", exposure)] if role.is_timed else []
    return ShotSetting(
        setting=setting,
        missing=tuple(what for what, value in needed if value is None),
        caveats=(SETTING_CONTRADICTION,) if contradictions else (),
        findings=(*contradictions, *findings),
        exposure_time_s=exposure,
        unconfirmed=f_number is not None and facts.f_number is None,
    )


def describe_missing(missing: Sequence[str]) -> str:
    """Return a message that names what a shot's setting lacks, and the remedy."""
    both = len(missing) > 1
    return (
        f"no {' and no '.join(missing)} in EXIF or ticket.yaml: give {'them' if both else 'it'} in ticket.yaml under "
        "`shots`"
    )


def _declared(rules: Sequence[ShotRule], field: str) -> list[tuple[str, float]]:
    return [(rule.files, getattr(rule, field)) for rule in rules if getattr(rule, field) is not None]


def _equal(one: float, other: float) -> bool:
    return one == other


def _choose(
    name: str,
    what: str,
    unit: str,
    exif: float | None,
    declared: Sequence[tuple[str, float]],
    agree: Callable[[float, float], bool],
    contradictions: list[str],
) -> float | None:
    """Return the ticket's value, or else EXIF's, and record every contradiction between two sources."""
    if not declared:
        return exif
    first_pattern, chosen = declared[0]
    for pattern, value in declared[1:]:
        if not agree(value, chosen):
            contradictions.append(
                f"{name}: ticket.yaml gives {what} {chosen:g} {unit}".rstrip()
                + f" for {first_pattern} and {value:g} for {pattern}; the first is used: correct ticket.yaml"
            )
    if exif is not None and not agree(exif, chosen):
        contradictions.append(
            f"{name}: EXIF has {what} {exif:g} {unit}".rstrip()
            + f", ticket.yaml says {chosen:g}; the ticket's is used: correct whichever is wrong"
        )
    return chosen


def _join(
    name: str,
    what: str,
    value: float | None,
    nominal: Sequence[float],
    nearest: Callable[[float, Sequence[float]], float | None],
    findings: list[str],
) -> float | None:
    """Return the nominal value for a shot's own, or its own if none is listed or near enough."""
    if value is None:
        return None
    joined = nearest(value, nominal)
    if joined is None and nominal:
        listed = ", ".join(f"{each:g}" for each in nominal)
        findings.append(
            f"{name}: {what} {value:g} is near none of the plan's ({listed}): treated as a separate setting"
        )
    return value if joined is None else joined


def focal_lengths_agree(one_mm: float, other_mm: float) -> bool:
    """Return whether two focal lengths agree within 3 % of the second."""
    return abs(one_mm / other_mm - 1) <= FOCAL_LENGTH_TOLERANCE + ROUNDING


def f_numbers_agree(one: float, other: float) -> bool:
    """Return whether two f-numbers agree within 1/6 stop; a stop is a factor of the square root of 2."""
    return abs(2 * math.log2(one / other)) <= F_NUMBER_TOLERANCE_STOPS + ROUNDING


def nearest_focal_length(value_mm: float, nominal_mm: Sequence[float]) -> float | None:
    """Return the nearest nominal focal length, or None if it is more than 3 % away."""
    nearest = min(nominal_mm, key=lambda each: (abs(math.log(value_mm / each)), each), default=None)
    return nearest if nearest is not None and focal_lengths_agree(value_mm, nearest) else None


def nearest_distance(value_m: float, nominal_m: Sequence[float]) -> float | None:
    """Return the nearest nominal focus distance, or None if it is more than a tenth away."""
    nearest = min(nominal_m, key=lambda each: (abs(math.log(value_m / each)), each), default=None)
    return nearest if nearest is not None and abs(value_m / nearest - 1) <= DISTANCE_TOLERANCE + ROUNDING else None


def nearest_f_number(value: float, nominal: Sequence[float]) -> float | None:
    """Return the nearest nominal f-number, or None if it is more than 1/6 stop away."""
    nearest = min(nominal, key=lambda each: (abs(math.log(value / each)), each), default=None)
    return nearest if nearest is not None and f_numbers_agree(value, nearest) else None
