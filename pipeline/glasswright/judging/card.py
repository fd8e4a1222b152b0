"""The card of a lens model: its limits, and the conditions under which they are valid."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from glasswright.config import CheckName, ConfigModel, Line, SafeName
from glasswright.config.plan.method import Method, method_text
from glasswright.plugin.artefact import Setting
from glasswright.plugin.units import suffix_of

Finite = Annotated[float, Field(allow_inf_nan=False)]
Measure = Annotated[str, Field(pattern=r"^\w+(\.\w+)+$")]
Names = str | tuple[str, ...]
Confidence = Annotated[float, Field(gt=0.5, lt=1)]
Rule = Literal["guarded", "simple"]
Place = Finite | tuple[Finite, Finite]

SAME_FRACTION = 1e-6
"""Tolerance for rounding when nominal settings are compared."""


class At(ConfigModel):
    """The settings at which a limit applies; each a number or a closed range."""

    focal_length_mm: Place | None = None
    f_number: Place | None = None
    focus_distance_m: Place | None = None

    @field_validator("*")
    @classmethod
    def _rises(cls, value: Place | None) -> Place | None:
        if isinstance(value, tuple) and value[0] > value[1]:
            msg = f"the range [{value[0]:g}, {value[1]:g}] runs backwards: write the smaller number first"
            raise ValueError(msg)
        return value

    def holds(self, setting: Setting) -> bool:
        """Return whether a setting is one of them."""
        return (
            _is_in(setting.focal_length_mm, self.focal_length_mm)
            and _is_in(setting.f_number, self.f_number)
            and _is_in(setting.focus_distance_m, self.focus_distance_m)
        )

    def __str__(self) -> str:
        """Return the settings as text: `f/2 to f/2.8`."""
        ranges = {name: value for name, value in self if value is not None}
        low = Setting(**{name: value[0] if isinstance(value, tuple) else value for name, value in ranges.items()})
        high = Setting(**{name: value[1] if isinstance(value, tuple) else value for name, value in ranges.items()})
        return str(low) if low == high else f"{low} to {high}"


def describe_place(at: At) -> str:
    """Return where a limit or condition applies: `at f/2`, `at 0.6 m`."""
    return f"at {str(at).removeprefix('at ')}"


def _is_in(value: float | None, place: Place | None) -> bool:
    if place is None or value is None:
        return place is None
    low, high = place if isinstance(place, tuple) else (place, place)
    return low * (1 - SAME_FRACTION) <= value <= high * (1 + SAME_FRACTION)


class Bounded(ConfigModel):
    """A lower bound, an upper bound, or both."""

    measure: Measure
    min: Finite | None = None
    max: Finite | None = None

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if self.min is not None and self.max is not None and self.min > self.max:
            msg = f"`min` {self.min:g} is above `max` {self.max:g}: no value can meet both"
            raise ValueError(msg)
        return self


class Fact(Bounded):
    """A measured value that must be met for the card to be valid."""

    text: str | None = Field(default=None, alias="is")
    at: At = At()
    """Settings at which it must be met, such as a focus distance; all, unless given."""

    @model_validator(mode="after")
    def _refuse_empty(self) -> Self:
        if (self.text is None) == (self.min is None and self.max is None):
            msg = "must have either `is`, or `min` and `max` (one or both)"
            raise ValueError(msg)
        return self


class ValidFor(ConfigModel):
    """The conditions under which the card's limits were set, and so are valid."""

    stand: Names
    body: Names
    where: tuple[Fact, ...] = ()


NEVER_ACCEPTED: Final = frozenset({"identity_contradiction"})
"""Caveats about which lens was measured, rather than how well."""


class Limit(Bounded):
    """One limit: of which measure, at which settings, by which decision rule."""

    at: At = At()
    rule: Rule | None = None
    confidence: Confidence | None = None
    accept: tuple[str, ...] = ()
    """Caveats that do not matter for this limit."""
    must_hold_below: Finite | None = None
    """A lens whose true value is this or less must be held, so `min` may not be lower."""
    must_hold_above: Finite | None = None
    """A lens whose true value is this or more must be held, so `max` may not be higher."""

    @model_validator(mode="after")
    def _refuse_empty(self) -> Self:
        if self.min is None and self.max is None:
            msg = "must have `min`, `max` or both"
            raise ValueError(msg)
        low, high = self.must_hold_below, self.must_hold_above
        if low is not None and (self.min is None or self.min < low):
            msg = f"a lens with {low:g} must be held (`must_hold_below`), and passes: write `min: {low:g}` or more"
            raise ValueError(msg)
        if high is not None and (self.max is None or self.max > high):
            msg = f"a lens with {high:g} must be held (`must_hold_above`), and passes: write `max: {high:g}` or less"
            raise ValueError(msg)
        never = NEVER_ACCEPTED.intersection(self.accept)
        if never:
            msg = f"`accept` cannot contain `{min(never)}`: numbers of another lens meet no limit; correct the ticket"
            raise ValueError(msg)
        return self

    @property
    def step(self) -> str:
        """The step of the measure."""
        return self.measure.partition(".")[0]

    @property
    def field(self) -> str:
        """Path of the field in the step's result."""
        return self.measure.partition(".")[2]


SHOTS: Final = "shot_count"
"""Field of a result with its number of shots."""

FAINTEST: Final = "faintest_seen"
"""Prefix (before the unit) of the field of a result with its detection limit."""


def faintest_field(field: str) -> str:
    """Return the field with the detection limit that belongs to a field; empty if its name has no unit."""
    path, dot, name = field.rpartition(".")
    suffix = suffix_of(name)
    return f"{path}{dot}{FAINTEST}_{suffix}" if suffix else ""


HAND_STEP: Final = "read_hand_checks"
"""Name of the step that reads a ticket's hand checks."""


def hand_measures(name: str) -> tuple[str, str]:
    """Return the measures of a hand check: whether it passed (empty if unknown), and a sentence about it."""
    return f"{HAND_STEP}.{name}.passed", f"{HAND_STEP}.{name}.says"


class AdoptedPlan(Method):
    """The plan that the limits are valid for: the steps that the card reads and every step upstream, with all
    settings."""

    name: SafeName
    by: Line
    """Name of the person who adopted it."""
    at: Line
    """The day."""
    why: Line

    @cached_property
    def text(self) -> str:
        """The method as JSON."""
        return method_text(Method(settings=self.settings, stages=self.stages))


class CardChange(ConfigModel):
    """One change of a card's limits (by tuning) or of its plan."""

    at: Line
    """The day."""
    by: Line
    """Name of the person who adopted it."""
    changed: tuple[str, ...]
    """Each changed number, as text."""
    evidence: str
    """The evidence for the change."""


class Card(ConfigModel):
    """The limits for one lens model."""

    card: Annotated[str, Field(min_length=1)]
    """The lens model, as in tickets."""
    valid_for: ValidFor
    confidence: Confidence = 0.95
    rule: Rule = "guarded"
    limits: tuple[Limit, ...] = ()
    hand_checks: tuple[CheckName, ...] = ()
    """Checks that a person must have passed and signed before the lens can pass."""
    identity: Literal["none", "serial"] = "none"
    """Whether EXIF must contain the lens's serial number; with a lens without contacts it cannot."""
    plan: AdoptedPlan | None = None
    """Written by `glasswright adopt`; without it every limit is UNKNOWN."""
    history: tuple[CardChange, ...] = ()
    """Who changed what, when and on what evidence; not used in judging."""

    @field_validator("hand_checks")
    @classmethod
    def _refuse_twice(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            msg = f"lists `{twice[0]}` twice: remove one"
            raise ValueError(msg)
        return names

    def rule_of(self, limit: Limit) -> Rule:
        """Return the decision rule of a limit."""
        return limit.rule or self.rule

    def confidence_of(self, limit: Limit) -> float:
        """Return the required confidence of a limit."""
        return limit.confidence or self.confidence

    def steps(self) -> frozenset[str]:
        """Return the names of the steps that the card reads."""
        facts = {fact.measure.partition(".")[0] for fact in self.valid_for.where}
        return frozenset({*(limit.step for limit in self.limits), *facts, *((HAND_STEP,) if self.hand_checks else ())})

    def measures(self) -> frozenset[str]:
        """Return the measures that the card reads."""
        hand = [measure for name in self.hand_checks for measure in hand_measures(name)]
        beside = [f"{limit.step}.{name}" for limit in self.limits for name in (SHOTS, faintest_field(limit.field))]
        return frozenset([*(each.measure for each in (*self.limits, *self.valid_for.where)), *hand, *beside])
