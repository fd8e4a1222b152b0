"""The engine's own keys of a stand file: the bench's name, its bodies, its scatter, who may decide."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from glasswright.config.schema.names import Line, SafeName, Sentence
from glasswright.config.stand.constants import StandConstant
from glasswright.config.stand.watch_keys import WatchKeys
from glasswright.plugin.settings import ConfigModel
from glasswright.signing import is_public_key


class Spread(ConfigModel):
    """A standard uncertainty of the stand for one measured field, and its origin."""

    u: Annotated[float, Field(gt=0)] | None = None
    """In the field's unit."""
    relative_u: Annotated[float, Field(gt=0, lt=1)] | None = None
    """As a fraction of the value."""
    freedom: Annotated[float, Field(ge=1)] | None = None
    """Degrees of freedom, from a study; without them the number counts as known to 25 %."""
    with_repeats: bool = False
    """For a reproducibility: it includes the repeatability, as from a study without repeats."""
    origin: Sentence
    """The study it comes from, or who declared it and when."""

    @model_validator(mode="after")
    def _refuse_both(self) -> Self:
        if (self.u is None) == (self.relative_u is None):
            raise ValueError("give either `u` (in the field's unit) or `relative_u` (of the value)")
        return self

    def of(self, value: float) -> float:
        """Return the standard uncertainty of a value."""
        return self.u if self.u is not None else abs(value) * (self.relative_u or 0.0)


def _check_measure(measure: str) -> str:
    step, dot, field = measure.partition(".")
    if not (step and dot and field):
        raise ValueError("names no field: write `step.field`; `*` matches any letters")
    return measure


def _check_key(key: str) -> str:
    if not is_public_key(key):
        raise ValueError("is not an Ed25519 public key: write the middle line of what `openssl pkey -pubout` prints")
    return key


Spreads = dict[Annotated[str, AfterValidator(_check_measure)], Spread]


class ShopNote(ConfigModel):
    """The shop, for the head of its records."""

    name: Line
    address: tuple[Line, ...] = ()
    """Lines of the address."""
    logo: Line | None = None
    """A PNG or JPEG file, relative to the stand file: at most 500 kB and 2000 pixels wide and high."""


class StandKeys(ConfigModel):
    """The engine's own keys of a stand file."""

    stand: SafeName
    bodies: Annotated[tuple[Line, ...], Field(min_length=1)]
    repeatability: Spreads = Field(default_factory=dict)
    reproducibility: Spreads = Field(default_factory=dict)
    constants: dict[SafeName, StandConstant] = Field(default_factory=dict)
    """What was measured of the stand itself, by name."""
    watch: WatchKeys | None = None
    may_decide: tuple[Line, ...] = ()
    """Names of those who may release a lens that is in review."""
    shop: ShopNote | None = None
    ledger_key: Annotated[str, AfterValidator(_check_key)] | None = None
    """Public Ed25519 key for the signature of the ledger's head; without it nothing is signed."""
