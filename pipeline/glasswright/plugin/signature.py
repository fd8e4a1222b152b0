"""Reads the annotations and docstrings of stages and their dataclasses."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from glasswright.errors import PluginError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from glasswright.plugin.measurements import Kind


def type_hints_of(thing: Callable[..., Any] | type, where: str = "") -> Mapping[str, Any]:
    """Return the resolved annotations of a function or dataclass, including `Annotated` metadata.

    Array types are resolved even if a module imports them only for type checkers.

    Raises
    ------
    PluginError
        If an annotation names something that does not exist in its module at run time.
    """
    try:
        return _type_hints_of(thing)
    except NameError as error:
        raise PluginError(
            f"{where or thing.__qualname__}: an annotation of {thing.__qualname__} names `{error.name}`, which is not "
            f"imported at run time: import it outside `if TYPE_CHECKING`"
        ) from error
    except Exception as error:
        raise PluginError(
            f"{where or thing.__qualname__}: an annotation of {thing.__qualname__} cannot be read: {error}"
        ) from error


@lru_cache(maxsize=512)
def _type_hints_of(thing: Any) -> Mapping[str, Any]:  # noqa: ANN401 - a function or a class
    import numpy as np
    from numpy.typing import NDArray

    return get_type_hints(thing, localns={"np": np, "NDArray": NDArray}, include_extras=True)


def strip_annotated(kind: object) -> object:
    """Return the type that `Annotated` wraps."""
    return strip_annotated(get_args(kind)[0]) if get_origin(kind) is Annotated else kind


def is_optional(kind: object) -> bool:
    """Return whether a type is `T | None`."""
    return get_origin(kind) in (Union, UnionType) and NoneType in get_args(kind)


def strip_optional(kind: object) -> object:
    """Return the T of `T | None` and of `Annotated[T, ...]`; any other type unchanged."""
    kind = strip_annotated(kind)
    if is_optional(kind):
        rest = [part for part in get_args(kind) if part is not NoneType]
        return strip_annotated(rest[0]) if len(rest) == 1 else kind
    return kind


def scalar_kind(kind: object) -> Kind | None:
    """Return float, int, bool or str for a type of one number or text, else None."""
    if get_origin(kind) is Literal:
        kinds = {scalar_kind(type(value)) for value in get_args(kind)}
        return kinds.pop() if len(kinds) == 1 else None
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return str
    for scalar in (float, int, bool, str):
        if kind is scalar:
            return scalar
    return None


def is_array(kind: object) -> bool:
    """Return whether a type is a numpy array, named directly or by an alias of the `type` statement.

    `numpy.typing.NDArray` is such an alias from numpy 2.5 on Python 3.12 or newer.
    """
    import numpy as np

    origin = get_origin(kind) or kind
    target = getattr(origin, "__value__", origin)
    return (get_origin(target) or target) is np.ndarray


def is_tuple(kind: object) -> bool:
    """Return whether a type is a tuple."""
    return (get_origin(kind) or kind) is tuple


def attribute_docstrings(kind: type) -> Mapping[str, str]:
    """Return the docstring below each field of a dataclass and of its bases, on one line."""
    meanings: dict[str, str] = {}
    for each in reversed(kind.__mro__):
        meanings.update(_docstrings_of(each))
    return meanings


@lru_cache(maxsize=512)
def _docstrings_of(kind: type) -> Mapping[str, str]:
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(kind)))
    except (OSError, TypeError, SyntaxError):
        return {}  # no source file, no docstrings
    body = tree.body[0].body if tree.body and isinstance(tree.body[0], ast.ClassDef) else []
    meanings = {}
    for field, below in pairwise(body):
        if (
            isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
            and isinstance(below.value.value, str)
        ):
            meanings[field.target.id] = " ".join(below.value.value.split())
    return meanings


PARAMETER = re.compile(r"^(?P<names>\w+(?:, \w+)*)(?: *:.*)?$")


def parameter_docstrings(function: Callable[..., Any]) -> Mapping[str, str]:
    """Return the description of each parameter in the `Parameters` section of a numpydoc docstring."""
    lines = (inspect.getdoc(function) or "").splitlines()
    meanings: dict[str, list[str]] = {}
    current: tuple[str, ...] = ()
    inside = False
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if below and set(below) == {"-"} and not line.startswith(" "):
            inside, current = line.strip() in ("Parameters", "Other Parameters"), ()
        elif inside and line and not line.startswith(" ") and set(line) != {"-"}:
            named = PARAMETER.match(line)
            current = tuple(named["names"].split(", ")) if named else ()
            meanings.update({name: [] for name in current})
        elif inside:
            for name in current:
                meanings[name].append(line.strip())
    return {name: " ".join(" ".join(text).split()) for name, text in meanings.items()}
