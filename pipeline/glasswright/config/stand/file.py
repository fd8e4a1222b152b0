"""The stand file: the bench's name, bodies, scatter, and one section for each plugin that wants one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import AfterValidator, Field, create_model, model_validator

from glasswright.config.schema.names import Line, SafeName, Sentence
from glasswright.config.schema.reading import check
from glasswright.config.stand.watch_keys import WatchKeys
from glasswright.config.yaml.reading import scan_yaml
from glasswright.errors import ConfigError
from glasswright.plugin.settings import ConfigModel
from glasswright.signing import is_public_key

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.config.schema.plugins import Plugins
    from glasswright.config.yaml.document import Document
    from glasswright.plugin.artefact import Artefact


class Spread(ConfigModel):
    """A standard uncertainty of the stand for one measured field, and where it is from."""

    u: Annotated[float, Field(gt=0)] | None = None
    """In the field's unit."""
    relative_u: Annotated[float, Field(gt=0, lt=1)] | None = None
    """Of the value."""
    freedom: Annotated[float, Field(ge=1)] | None = None
    """Degrees of freedom behind it, from a study; a number declared without counts as right to a quarter."""
    with_repeats: bool = False
    """Of a reproducibility: the repeatability is in it, as from a study without repeats."""
    origin: Sentence
    """The study it was found in, or who declared it and when."""

    @model_validator(mode="after")
    def _refuse_both(self) -> Self:
        if (self.u is None) == (self.relative_u is None):
            raise ValueError("give either `u` (in the field's unit) or `relative_u` (of the value)")
        return self

    def of(self, value: float) -> float:
        """Give the standard uncertainty of a value."""
        return self.u if self.u is not None else abs(value) * (self.relative_u or 0.0)


def _check_measure(measure: str) -> str:
    step, dot, field = measure.partition(".")
    if not (step and dot and field):
        raise ValueError("names no field: write `step.field`; `*` stands for any letters")
    return measure


def _check_key(key: str) -> str:
    if not is_public_key(key):
        raise ValueError("is no Ed25519 public key: write the line that `openssl pkey -pubout` prints in the middle")
    return key


Spreads = dict[Annotated[str, AfterValidator(_check_measure)], Spread]


class ShopNote(ConfigModel):
    """The shop, for the head of its records."""

    name: Line
    address: tuple[Line, ...] = ()
    """Line by line."""


class StandKeys(ConfigModel):
    """The keys of a stand file that the engine reads."""

    stand: SafeName
    bodies: Annotated[tuple[Line, ...], Field(min_length=1)]
    repeatability: Spreads = Field(default_factory=dict)
    reproducibility: Spreads = Field(default_factory=dict)
    watch: WatchKeys | None = None
    may_decide: tuple[Line, ...] = ()
    """Names of those who may release a lens that is in review."""
    shop: ShopNote | None = None
    ledger_key: Annotated[str, AfterValidator(_check_key)] | None = None
    """Public key (Ed25519) that signs the ledger's head; nothing is signed where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandFile:
    """A stand file that has been checked wholly."""

    name: str
    bodies: tuple[str, ...]
    repeatability: Mapping[str, Spread]
    """Pooled scatter of a repeat, by `step.field` (wildcards allowed), for gathers of under five shots."""
    reproducibility: Mapping[str, Spread]
    """What setting a lens up again adds, by `step.field` (wildcards allowed)."""
    watch: WatchKeys | None
    """How the reference lens is watched; None where it is not."""
    may_decide: tuple[str, ...]
    """Names of those who may release a lens that is in review; nobody may where there are none."""
    shop: ShopNote | None
    """Stands at the head of records."""
    ledger_key: str | None
    """Public key that signs the ledger's head; None where nothing is signed."""
    sections: Mapping[str, Artefact]
    """By plugin; only those that the file has."""
    document: Document

    @property
    def text(self) -> str:
        """The file as it is written."""
        return self.document.text

    @property
    def sha256(self) -> str:
        """Of the file."""
        return self.document.sha256


def load_stand(path: Path, plugins: Plugins) -> StandFile:
    """Read and check a stand file and the files it names.

    Raises
    ------
    ConfigError
        With every mistake in any of them.
    """
    document = scan_yaml(path)
    value, problems = check(document, model_for(plugins))
    if value is None:
        raise ConfigError(problems)
    sections = {name: getattr(value, name) for name in plugins.sections}
    return StandFile(
        name=value.stand,
        bodies=value.bodies,
        repeatability=value.repeatability,
        reproducibility=value.reproducibility,
        watch=value.watch,
        may_decide=value.may_decide,
        shop=value.shop,
        ledger_key=value.ledger_key,
        sections={name: section for name, section in sections.items() if section is not None},
        document=document,
    )


def model_for(plugins: Plugins) -> type[StandKeys]:
    """Give the type that a stand file is read as, with the sections of all plugins."""
    sections: dict[str, Any] = {name: (section | None, None) for name, section in plugins.sections.items()}
    return create_model("StandWithSections", __base__=StandKeys, **sections)
