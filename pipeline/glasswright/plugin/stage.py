"""The stage mark, and the description of a stage from its signature."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, is_dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, Final, TypeVar, get_args

from glasswright.errors import PluginError
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.measurements import FieldDescription, describe_fields
from glasswright.plugin.signature import is_optional, is_tuple, strip_annotated, strip_optional, type_hints_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pydantic import BaseModel

    from glasswright.plugin.settings import SettingDescription

__all__ = [
    "MARK",
    "FieldDescription",
    "InputDescription",
    "Scope",
    "StageDescription",
    "describe",
    "is_stage",
    "stage",
]

MARK: Final = "__glasswright_stage__"
MOST_SETTINGS: Final = 6

F = TypeVar("F", bound=Callable[..., Any])


def stage(function: F) -> F:
    """Mark a function as a stage: set one attribute and return the same function."""
    setattr(function, MARK, True)
    return function


class Scope(IntEnum):
    """What a stage runs for. A value of a wider scope is passed to every narrower one."""

    SHOT = 0
    SETTING = 1
    TICKET = 2
    NIGHT = 3

    def __str__(self) -> str:
        """Return the name used in plans."""
        return self.name.lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class InputDescription:
    """One parameter before the `*`: `T`, `T | None`, `tuple[T, ...]` or `tuple[T, ...] | None`."""

    name: str
    artefact: type[Artefact]
    gathers: bool
    optional: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StageDescription:
    """The description of a stage for plans, cards and readers."""

    id: str
    """`plugin.function`."""
    function: Callable[..., Artefact]
    inputs: tuple[InputDescription, ...]
    settings: type[BaseModel]
    """A strict pydantic model made from the parameters after the `*`."""
    returns: type[Artefact]
    fields: tuple[FieldDescription, ...]
    summary: str
    """First line of the docstring."""
    setting_descriptions: tuple[SettingDescription, ...] = ()


def is_stage(thing: object) -> bool:
    """Return whether an object is a marked function."""
    return inspect.isfunction(thing) and getattr(thing, MARK, False) is True


def describe(function: Callable[..., Artefact], plugin: str) -> StageDescription:
    """Return the description of a stage from its signature.

    Parameters
    ----------
    function
        The marked function: data before the `*`, settings after it, one frozen dataclass returned.
    plugin
        Name of the plugin, the first part of the stage's id.

    Raises
    ------
    PluginError
        If it breaks a rule; the message names the stage, the rule and the remedy.
    """
    # pydantic is loaded only where stages are described, not wherever the mark is used
    from glasswright.plugin.settings import describe_settings, make_settings_model

    name = f"{plugin}.{function.__name__}"
    hints = type_hints_of(function, name)
    parameters = inspect.signature(function).parameters.values()
    _check_parameters(name, parameters, hints)
    returns = _describe_returned(name, hints.get("return"))
    settings = [parameter for parameter in parameters if parameter.kind is parameter.KEYWORD_ONLY]
    if len(settings) == len(parameters):
        raise PluginError(f"{name}: takes no input, which would define what it runs for: add one before the `*`")
    if len(settings) > MOST_SETTINGS:
        raise PluginError(f"{name}: has {len(settings)} settings, more than {MOST_SETTINGS}: make it two stages")
    model = make_settings_model(name, settings, hints)
    return StageDescription(
        id=name,
        function=function,
        inputs=tuple(
            _describe_input(name, parameter, hints[parameter.name])
            for parameter in parameters
            if parameter.kind is not parameter.KEYWORD_ONLY
        ),
        settings=model,
        returns=returns,
        # bulk is never kept, so no number can be read from it
        fields=() if returns.bulk else describe_fields(returns, name),
        summary=_summary(name, function),
        setting_descriptions=describe_settings(function, model),
    )


def _check_parameters(name: str, parameters: Iterable[inspect.Parameter], hints: Mapping[str, object]) -> None:
    for parameter in parameters:
        if parameter.kind in (parameter.VAR_POSITIONAL, parameter.VAR_KEYWORD):
            raise PluginError(
                f"{name}: `{parameter}`: name every input and setting; a stage takes no variable arguments"
            )
        if parameter.name not in hints:
            raise PluginError(f"{name}: parameter `{parameter.name}` has no annotation: add its type")


def _name(kind: object) -> str:
    """Return the name of a type as written in source."""
    if kind in (None, type(None)):
        return "nothing"
    return kind.__name__ if isinstance(kind, type) and not get_args(kind) else str(kind)


def _summary(name: str, function: Callable[..., Artefact]) -> str:
    text = inspect.getdoc(function) or ""
    if not text.strip():
        raise PluginError(f"{name}: has no docstring: say in its first line what it returns")
    return text.strip().splitlines()[0]


def _describe_returned(name: str, kind: object) -> type[Artefact]:
    wanted = "return one frozen dataclass that derives from Artefact"
    if not (isinstance(kind, type) and issubclass(kind, Artefact)):
        raise PluginError(f"{name}: returns {_name(kind)}: {wanted}")
    if "__dataclass_params__" not in vars(kind) or not kind.__dataclass_params__.frozen:  # type: ignore[attr-defined]
        raise PluginError(
            f"{name}: {kind.__name__} is not a frozen dataclass: decorate it with @dataclass(frozen=True)"
        )
    return kind


def _describe_input(name: str, parameter: inspect.Parameter, hint: object) -> InputDescription:
    kind = strip_annotated(hint)
    inner = strip_optional(kind)
    gathers = is_tuple(inner)
    if gathers:
        members = get_args(inner)
        inner = members[0] if len(members) == 2 and members[1] is Ellipsis else None
    if not (isinstance(inner, type) and issubclass(inner, Artefact) and is_dataclass(inner)):
        raise PluginError(
            f"{name}: input `{parameter.name}` is {_name(hint)}: before the `*` come artefacts, as `T`, `T | None`, "
            f"`tuple[T, ...]` or `tuple[T, ...] | None`; put a setting after the `*`"
        )
    if parameter.default is not parameter.empty and parameter.default is not None:
        raise PluginError(f"{name}: input `{parameter.name}` has a default: inputs come from the plan; remove it")
    return InputDescription(name=parameter.name, artefact=inner, gathers=gathers, optional=is_optional(kind))
