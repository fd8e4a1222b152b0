"""The measured fields of a stage's result: their description (name, unit, kind) and their values."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Annotated, get_args, get_origin

from glasswright.errors import PluginError
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.signature import (
    attribute_docstrings,
    is_array,
    is_tuple,
    scalar_kind,
    strip_optional,
    type_hints_of,
)
from glasswright.plugin.units import ANY_NUMBER, UNCERTAINTY_SUFFIX, UNITS, Range, scale_of, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

ENGINE_FIELDS = frozenset(field.name for field in fields(Artefact))
"""Fields of every artefact that the engine fills; they are not measured."""

NOT_APPLICABLE = "not applicable: "
"""Begins what stands in the place of a number that the stand cannot give; the reason follows."""

Kind = type[float] | type[int] | type[bool] | type[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldDescription:
    """One measured field of a stage's result."""

    path: str
    """Dotted for nested results: `green.centre.sagittal_cy_per_px`."""
    unit: str
    """Printed unit; empty for a text field."""
    kind: Kind
    has_uncertainty: bool
    summary: str = ""
    range: Range = ANY_NUMBER
    """Its possible values, by unit and annotation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One measured value of a result: either a number or a text."""

    path: str
    value: float | None
    """None for a text, or if the stage returned None."""
    text: str | None
    u: float | None
    """Standard uncertainty in the value's unit; None if the stage gave none."""
    unit: str


def read_measurements(artefact: Artefact) -> tuple[Measured, ...]:
    """Return every measured value of a result, with dotted names for nested results.

    Numbers, booleans (as 0 or 1) and texts are measured values; arrays, tuples and the fields that the engine fills are
    not. NaN and infinity are kept: NaN means that a requested value could not be measured. A field that is not
    applicable on the stand is a text with the reason.
    """
    return tuple(_explain(each, artefact.not_applicable) for each in _read(artefact, ""))


def _explain(measured: Measured, not_applicable: tuple[tuple[str, str], ...]) -> Measured:
    """Put the reason in the place of a NaN that is one because the stand cannot give the number."""
    if measured.value is None or not math.isnan(measured.value):
        return measured
    for field, reason in not_applicable:
        if measured.path == field or measured.path.startswith(f"{field}."):
            return replace(measured, value=None, u=None, text=NOT_APPLICABLE + reason)
    return measured


def _read(value: object, prefix: str) -> Iterator[Measured]:
    hints = type_hints_of(type(value))
    for name in measured_names(type(value)):
        inner, kind = getattr(value, name), scalar_kind(strip_optional(hints[name]))
        if is_dataclass(inner) and not isinstance(inner, type):
            yield from _read(inner, f"{prefix}{name}.")
        elif kind is not None:
            yield Measured(
                path=prefix + name,
                value=None if inner is None or kind is str else float(inner),
                text=str(inner) if kind is str and inner is not None else None,
                u=None if (u := getattr(value, name + UNCERTAINTY_SUFFIX, None)) is None else float(u),
                unit="" if kind in (str, bool) else unit_of(name) or "",
            )


def measured_names(kind: type) -> tuple[str, ...]:
    """Return the field names of a dataclass, without uncertainties and the fields that the engine fills."""
    names = [field.name for field in fields(kind)]
    closed = ENGINE_FIELDS if issubclass(kind, Artefact) else frozenset()
    return tuple(
        name
        for name in names
        if name not in closed
        and not (name.endswith(UNCERTAINTY_SUFFIX) and name.removesuffix(UNCERTAINTY_SUFFIX) in names)
    )


def describe_fields(kind: type, where: str) -> tuple[FieldDescription, ...]:
    """Describe the measured fields of a result's dataclass.

    Parameters
    ----------
    kind
        The dataclass.
    where
        Name of the stage, for messages.

    Raises
    ------
    PluginError
        For a number without a unit, an uncertainty without its field, a dataclass within itself, or a type that is not
        a number, text, array, tuple or dataclass. The message names stage, field and remedy.
    """
    return tuple(_describe(kind, where, "", (kind,)))


def _describe(kind: type, where: str, prefix: str, within: tuple[type, ...]) -> Iterator[FieldDescription]:
    hints = type_hints_of(kind, where)
    meanings = attribute_docstrings(kind)
    for name in measured_names(kind):
        inner = strip_optional(hints[name])
        place = f"{where}: field `{prefix}{name}` of {within[0].__name__}"
        if isinstance(inner, type) and is_dataclass(inner):
            if inner in within:
                raise PluginError(f"{place} contains {inner.__name__} within itself: a result must have a fixed shape")
            yield from _describe(inner, where, f"{prefix}{name}.", (*within, inner))
            continue
        scalar = scalar_kind(inner)
        _refuse_lone_uncertainty(name, place)
        if scalar is None:
            _refuse_shapeless(inner, place)
            continue
        yield FieldDescription(
            path=prefix + name,
            unit=_unit(name, scalar, place),
            kind=scalar,
            has_uncertainty=_has_uncertainty(name, hints, scalar, place),
            summary=meanings.get(name, ""),
            range=_range(name, hints[name], scalar),
        )


def _range(name: str, hint: object, kind: Kind) -> Range:
    """Return the range of a field from its unit and from a `Range` in its annotation."""
    if kind is bool:
        return Range(0, 1)
    declared = [each for each in get_args(hint) if isinstance(each, Range)] if get_origin(hint) is Annotated else []
    return (declared[0] if declared else ANY_NUMBER) & scale_of(name)


def _unit(name: str, kind: Kind, place: str) -> str:
    if kind in (str, bool):
        return ""
    unit = unit_of(name)
    if unit is None:
        known = ", ".join(f"_{suffix}" for suffix in UNITS)
        raise PluginError(f"{place} is a number without a unit: end its name in one of {known}")
    return unit


def _refuse_lone_uncertainty(name: str, place: str) -> None:
    if name.endswith(UNCERTAINTY_SUFFIX):
        base = name.removesuffix(UNCERTAINTY_SUFFIX)
        raise PluginError(f"{place} is an uncertainty without its value: add a field `{base}` or rename it")


def _has_uncertainty(name: str, hints: Mapping[str, object], kind: Kind, place: str) -> bool:
    companion = name + UNCERTAINTY_SUFFIX
    if companion not in hints:
        return False
    if kind in (str, bool) or scalar_kind(strip_optional(hints[companion])) is not float:
        raise PluginError(f"{place} and its uncertainty `{companion}` must be numbers: annotate `{companion}` as float")
    return True


def _refuse_shapeless(kind: object, place: str) -> None:
    if not (is_array(kind) or is_tuple(kind)):
        raise PluginError(
            f"{place} is of type {getattr(kind, '__name__', kind)}: use float, int, bool, str, a text Literal, an "
            "array, a tuple or a dataclass"
        )
