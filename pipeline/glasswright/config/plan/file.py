"""The schema of a plan file."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from glasswright.config.schema.names import STEP_NAME, SafeName
from glasswright.plugin.settings import ConfigModel

Nominal = Annotated[float, Field(gt=0)]


def _refuse_repeats(values: tuple[float, ...]) -> tuple[float, ...]:
    twice = sorted({value for value in values if values.count(value) > 1})
    if twice:
        raise ValueError(f"{twice[0]:g} is listed twice")
    return values


def _check_step_name(name: str) -> str:
    if not STEP_NAME.fullmatch(name) or name == "ticket":
        raise ValueError(
            "cannot name a step: use lower-case letters, digits and `_`, a letter first; `ticket` is taken"
        )
    return name


StepName = Annotated[str, AfterValidator(_check_step_name)]


class NominalSettings(ConfigModel):
    """The nominal settings of lenses; a shot is assigned to the nearest."""

    focal_length_mm: Annotated[tuple[Nominal, ...], AfterValidator(_refuse_repeats)] = ()
    f_number: Annotated[tuple[Nominal, ...], AfterValidator(_refuse_repeats)] = ()
    focus_distance_m: Annotated[tuple[Nominal, ...], AfterValidator(_refuse_repeats)] = ()
    """For roles with a focus distance, which the ticket gives."""


class StageEntry(ConfigModel):
    """One step of a plan: five keys."""

    stage: str
    inputs: dict[str, str] = Field(default_factory=dict)
    settings: dict[str, Any] = Field(default_factory=dict)
    per: Literal["setting", "ticket", "night"] | None = None
    at_least: Annotated[int, Field(ge=0)] | None = None
    """Members that a gather needs; 0: any number, even none, and optional inputs may fail."""


class PlanFile(ConfigModel):
    """The whole file."""

    plan: SafeName
    settings: NominalSettings = NominalSettings()
    stages: Annotated[dict[StepName, StageEntry], Field(min_length=1)]
