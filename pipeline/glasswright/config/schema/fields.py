"""The keys that a file may have at a place, from the type by which it is validated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel

from glasswright.plugin.artefact import Artefact

if TYPE_CHECKING:
    from glasswright.config.yaml.document import Place


def keys_at(kind: object, place: Place) -> frozenset[str]:
    """Return the keys that a type has at a place; none if that is not a mapping with named keys."""
    kinds = _alternatives(kind)
    for part in place:
        # pydantic inserts names of its own between the keys: skip them
        kinds = [inner for each in kinds for inner in _step(each, part)] or kinds
    return frozenset(key for each in kinds for key in _named(each))


def _named(kind: object) -> dict[str, Any]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {field.alias or name: field.annotation for name, field in kind.model_fields.items()}
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind, include_extras=True)
        closed = {field.name for field in fields(Artefact)} if issubclass(kind, Artefact) else set()
        return {field.name: hints[field.name] for field in fields(kind) if field.name not in closed}
    return {}


def _step(kind: object, part: str | int) -> list[Any]:
    origin = get_origin(kind)
    if isinstance(part, str):
        named = _named(kind)
        if part in named:
            return _alternatives(named[part])
        if isinstance(origin, type) and issubclass(origin, Mapping):
            return _alternatives(get_args(kind)[1])
        return []
    if origin in (tuple, list):
        return [inner for argument in get_args(kind) if argument is not Ellipsis for inner in _alternatives(argument)]
    return []


def _alternatives(kind: object) -> list[Any]:
    """Return the members of a union, with `Annotated` unwrapped."""
    if get_origin(kind) is Annotated:
        return _alternatives(get_args(kind)[0])
    if get_origin(kind) in (Union, UnionType):
        return [inner for argument in get_args(kind) for inner in _alternatives(argument)]
    return [kind]
