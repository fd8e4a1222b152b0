"""The reference of a configuration file's keys, generated from its type."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from glasswright.config.schema.files import DataFile, NamesConfigFile
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.signature import attribute_docstrings

if TYPE_CHECKING:
    from collections.abc import Iterator

BOUNDS: Final = (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below"))
PLAIN: Final = {float: "number", int: "whole number", str: "text", bool: "true or false", Any: "anything"}
NEEDED: Final = "needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of a file."""

    path: str
    """`camera.charts[].layout`: `[]` for the elements of a list, `<name>` for keys chosen by the user."""
    kind: str
    default: str
    meaning: str


def list_keys(kind: Any) -> Iterator[Key]:  # noqa: ANN401 - any type that a file is read as
    """Yield every key of a type, nested ones after the key that contains them."""
    yield from _list_named(kind, "", ())


def _list_named(kind: Any, before: str, above: tuple[Any, ...]) -> Iterator[Key]:  # noqa: ANN401
    if kind in above:
        return
    meanings = _docstrings(kind)
    for name, annotation, default in _entries(kind):
        path = f"{before}{name}"
        inside = list(_inner_of(annotation, path))
        meaning = meanings.get(name) or " ".join(_first_line(inner) for inner, _ in inside[:1])
        yield Key(path=path, kind=describe_kind(annotation), default=default, meaning=meaning)
        for inner, suffix in inside:
            yield from _list_named(inner, f"{suffix}.", (*above, kind))


def _first_line(kind: type) -> str:
    """Return the first line of a type's docstring; empty for the signature that dataclasses generate."""
    text = (kind.__doc__ or "").strip().partition("\n")[0]
    return "" if text.startswith(f"{kind.__name__}(") else text


def _docstrings(kind: Any) -> Mapping[str, str]:  # noqa: ANN401
    meanings = dict(attribute_docstrings(kind))
    for field_name, field in getattr(kind, "model_fields", {}).items():
        if field.alias:
            meanings[field.alias] = meanings.get(field_name, "")
    return {name: " ".join(text.split()) for name, text in meanings.items()}


def _entries(kind: Any) -> Iterator[tuple[str, Any, str]]:  # noqa: ANN401
    """Yield name, annotation and default of each key."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        hints = get_type_hints(kind, include_extras=True)
        for name, field in kind.model_fields.items():
            value = field.default if field.default_factory is None else field.get_default(call_default_factory=True)
            default = NEEDED if field.default is PydanticUndefined and field.default_factory is None else _show(value)
            yield field.alias or name, hints.get(name, field.annotation), default
    else:
        closed = {field.name for field in fields(Artefact)} if issubclass(kind, Artefact) else set()
        hints = get_type_hints(kind, include_extras=True)
        for each in fields(kind):
            if each.name not in closed:
                made = each.default_factory() if each.default_factory is not MISSING else each.default
                yield each.name, hints[each.name], NEEDED if made is MISSING else _show(made)


def _show(value: object) -> str:
    """Format a default as in a file; empty if it means that the key is left out."""
    if value is None or value in ((), {}, ""):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(_show(each) for each in value)}]"
    if isinstance(value, float):
        return f"{value:g}"
    return "" if isinstance(value, BaseModel) or is_dataclass(value) else str(value)


def describe_kind(annotation: Any) -> str:  # noqa: ANN401
    """Describe the type of a value in words."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        if any(isinstance(each, NamesConfigFile) for each in arguments[1:]):
            return "name of a YAML file, with the keys below"
        return " ".join(part for part in (describe_kind(arguments[0]), _bounds(arguments[1:])) if part)
    if origin in (Union, UnionType):
        return " or ".join(dict.fromkeys(describe_kind(each) for each in arguments if each is not type(None)))
    if origin is Literal:
        return ", ".join(f"`{each}`" for each in arguments)
    if origin in (tuple, list):
        if Ellipsis in arguments or origin is list:
            return f"list of {describe_kind(arguments[0])}"
        return f"[{', '.join(describe_kind(each) for each in arguments)}]"
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return f"keys of your own, each with {describe_kind(arguments[1])}"
    if annotation is DataFile:
        return "name of a file"
    if _is_named(annotation):
        return "the keys below"
    return PLAIN.get(annotation, getattr(annotation, "__name__", str(annotation)))


def _bounds(metadata: tuple[Any, ...]) -> str:
    described = []
    for each in metadata:
        parts = [each, *getattr(each, "metadata", ())]
        described += [
            f"{words} {value:g}"
            for part in parts
            for name, words in BOUNDS
            if isinstance(value := getattr(part, name, None), int | float)
        ]
    return ", ".join(dict.fromkeys(described))


def _is_named(kind: Any) -> bool:  # noqa: ANN401
    return isinstance(kind, type) and kind is not DataFile and (issubclass(kind, BaseModel) or is_dataclass(kind))


def _inner_of(annotation: Any, path: str) -> Iterator[tuple[Any, str]]:  # noqa: ANN401
    """Yield the types with named keys inside an annotation, and the prefix of their keys' paths."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        yield from _inner_of(arguments[0], path)
    elif origin in (Union, UnionType):
        for each in arguments:
            yield from _inner_of(each, path)
    elif origin in (tuple, list):
        for each in arguments:
            yield from _inner_of(each, f"{path}[]") if each is not Ellipsis else ()
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield from _inner_of(arguments[1], f"{path}.<name>")
    elif _is_named(annotation):
        yield annotation, path


def format_keys(kind: Any) -> str:  # noqa: ANN401
    """Return the reference of a type as a Markdown table."""
    lines = ["| key | what it is | if left out | meaning |", "|---|---|---|---|"]
    for key in list_keys(kind):
        cells = (f"`{key.path}`", key.kind, key.default or "-", key.meaning)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines)
