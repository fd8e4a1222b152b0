"""The settings of a stage: the parameters after the `*`, strictly validated and described for people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, create_model

from glasswright.errors import PluginError
from glasswright.plugin.signature import parameter_docstrings, scalar_kind, strip_optional
from glasswright.plugin.units import UNITS, unit_of

if TYPE_CHECKING:
    import inspect
    from collections.abc import Callable, Iterable, Mapping


class ConfigModel(BaseModel):
    """Base class of configuration models: frozen, no unknown keys, no type conversions."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=())


class StageSettings(ConfigModel):
    """Base class of every stage's settings: defaults are validated like a plan's values."""

    model_config = ConfigDict(validate_default=True)


LIMITS = (
    ("gt", ">"),
    ("ge", ">="),
    ("lt", "<"),
    ("le", "<="),
    ("multiple_of", "a multiple of"),
    ("min_length", "length >="),
    ("max_length", "length <="),
    ("pattern", "matching"),
)
KIND_NAMES = {float: "number", int: "whole number", bool: "true or false", str: "text"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingDescription:
    """One parameter after the `*`, described for people."""

    name: str
    unit: str
    """Printed unit; empty if it is not a number."""
    kind: str
    """`number`, `whole number`, `text`, `true or false`, the texts to choose from, or the annotation."""
    required: bool
    default: object
    """None if required."""
    limits: str
    """`> 0, < 1`; empty if any value is allowed."""
    summary: str


def make_settings_model(
    stage: str, parameters: Iterable[inspect.Parameter], hints: Mapping[str, Any]
) -> type[BaseModel]:
    """Return the strict model by which a plan's `settings` are validated.

    Raises
    ------
    PluginError
        For a number without a unit suffix, a default that its own annotation refuses, or an annotation that cannot be
        validated. The message names stage, setting and remedy.
    """
    definitions: dict[str, Any] = {}
    for parameter in parameters:
        _refuse_unitless(stage, parameter.name, hints[parameter.name])
        default = ... if parameter.default is parameter.empty else parameter.default
        definitions[parameter.name] = (hints[parameter.name], default)
    try:
        model = create_model(f"{stage} settings", __base__=StageSettings, **definitions)
        _refuse_bad_defaults(stage, model)
    except PluginError:
        raise
    except Exception as error:  # pydantic raises many types for a bad annotation
        raise PluginError(f"{stage}: its settings cannot be validated: {error}") from error
    return model


def _refuse_unitless(stage: str, name: str, hint: object) -> None:
    if scalar_kind(strip_optional(hint)) in (float, int) and unit_of(name) is None:
        known = ", ".join(f"_{suffix}" for suffix in UNITS)
        raise PluginError(f"{stage}: setting `{name}` is a number without a unit: end its name in one of {known}")


def _refuse_bad_defaults(stage: str, model: type[BaseModel]) -> None:
    for name, field in model.model_fields.items():
        if field.is_required():
            continue
        try:
            # only this field: the others may be required
            model.__pydantic_validator__.validate_assignment(model.model_construct(), name, field.default)
        except ValidationError as error:
            found = [detail for detail in error.errors() if detail["type"] != "frozen_instance"]
            if found:
                raise PluginError(
                    f"{stage}: the default {field.default!r} of setting `{name}` is refused by its own annotation: "
                    f"{found[0]['msg']}"
                ) from error


def describe_settings(function: Callable[..., Any], model: type[BaseModel]) -> tuple[SettingDescription, ...]:
    """Return the description of each setting: unit, kind, default, limits and docstring."""
    meanings = parameter_docstrings(function)
    return tuple(
        SettingDescription(
            name=name,
            unit=(unit_of(name) or "") if scalar_kind(strip_optional(field.annotation)) in (float, int) else "",
            kind=_name_kind(field.annotation),
            required=field.is_required(),
            default=None if field.is_required() else field.default,
            limits=_name_limits(field.metadata),
            summary=meanings.get(name, ""),
        )
        for name, field in model.model_fields.items()
    )


def _name_kind(annotation: object) -> str:
    kind = strip_optional(annotation)
    if get_origin(kind) is Literal:
        return " or ".join(str(value) for value in get_args(kind))
    scalar = scalar_kind(kind)
    return KIND_NAMES[scalar] if scalar else str(kind)


def _name_limits(metadata: Iterable[object]) -> str:
    parts = [
        f"{sign} {getattr(entry, attribute)}"
        for entry in metadata
        for attribute, sign in LIMITS
        if getattr(entry, attribute, None) is not None
    ]
    return ", ".join(parts)
