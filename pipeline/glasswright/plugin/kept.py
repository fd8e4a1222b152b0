"""Names and versions of the types that the ledger keeps, so that kept data can still be read when classes move.

A type is kept under the top-level package and its own name, without the module: `glasswright_camera.Trace/1`. A new
field needs a default. Any other change needs a new version and a function that upgrades older fields.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Iterator, Mapping
from enum import Enum
from typing import Any, Final, TypeVar

from glasswright.errors import GlasswrightError
from glasswright.plugin.artefact import Artefact

MARK: Final = "__glasswright_kept__"

T = TypeVar("T", bound=type)
Fields = dict[str, Any]
Upgrade = Callable[[Fields], Fields]


class KeptTypeError(GlasswrightError):
    """A kept name belongs to no installed type, or to several."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class KeptAs:
    """Name, version and upgrades of a kept type."""

    name: str
    """Within the top-level package."""
    version: int = 1
    upgrades: Mapping[int, Upgrade] = dataclasses.field(default_factory=dict)
    """Version -> function that converts its fields to the next version."""


def kept(*, name: str, version: int = 1, upgrades: Mapping[int, Upgrade] | None = None) -> Callable[[T], T]:
    """Mark a dataclass or enumeration that is kept under a name other than its own, or in a version later than 1.

    Parameters
    ----------
    name
        The name it was first kept under, within the top-level package; it stays when the class is renamed.
    version
        Raised by one with each change other than a new field with a default.
    upgrades
        For each earlier version, the function that converts its fields to the next.

    Raises
    ------
    ValueError
        If an earlier version has no upgrade.
    """
    steps = dict(upgrades or {})
    if set(steps) != set(range(1, version)):
        raise ValueError(f"{name}: versions 1 to {version - 1} need an upgrade each, found {sorted(steps)}")

    def mark(cls: T) -> T:
        setattr(cls, MARK, KeptAs(name=name, version=version, upgrades=steps))
        return cls

    return mark


def how_kept(cls: type) -> KeptAs:
    """Return how a type is kept: as marked, or else under its own name as version 1."""
    marked = vars(cls).get(MARK)
    return marked if isinstance(marked, KeptAs) else KeptAs(name=cls.__qualname__)


def base_name(cls: type) -> str:
    """Return the kept name of a type without its version: `package.Name`."""
    return f"{cls.__module__.partition('.')[0]}.{how_kept(cls).name}"


def kept_name(cls: type) -> str:
    """Return the kept name of a type with its version: `package.Name/version`."""
    return f"{base_name(cls)}/{how_kept(cls).version}"


def make_again(full_name: str, fields: Fields) -> object:
    """Return a dataclass from its kept fields, upgraded from an earlier version if needed.

    Raises
    ------
    KeptTypeError
        If there is no such type, or the version is newer than this program's.
    TypeError
        If the fields do not match the type.
    """
    name, version = _split(full_name)
    cls = find_kept(name)
    how = how_kept(cls)
    if version > how.version:
        raise KeptTypeError(f"{full_name} was kept by a newer program: use that one to read it")
    for step in range(version, how.version):
        fields = how.upgrades[step](fields)
    return cls(**fields)


def find_enumeration(full_name: str) -> Callable[[object], object]:
    """Return the enumeration that a kept member belongs to."""
    return find_kept(_split(full_name)[0])


def _split(full_name: str) -> tuple[str, int]:
    name, _, version = full_name.rpartition("/")
    if not (name and version.isdecimal()):
        raise KeptTypeError(f"`{full_name}` is not the name of a kept type")
    return name, int(version)


class NotInstalledError(KeptTypeError):
    """The package of a kept type is not loaded: the ledger was written with a plugin that is not installed here."""


_FOUND: dict[str, type] = {}


def find_kept(name: str) -> type:
    """Return the type that is kept as `package.Name`, from the loaded modules of its package.

    Raises
    ------
    KeptTypeError
        If there is none (`NotInstalledError`), or more than one.
    """
    known = _FOUND.get(name)
    # a reloaded module has a new class of the same name
    if known is not None and vars(sys.modules.get(known.__module__, object)).get(known.__name__) == known:
        return known
    package = name.partition(".")[0]
    found = [each for each in _list_types(package) if base_name(each) == name] if package in _open_packages() else []
    if not found:
        raise NotInstalledError(
            f"`{name}`: its package is not loaded or has no such type: install the plugin that it belongs to"
        )
    if len(found) > 1:
        modules = " and ".join(sorted(each.__module__ for each in found))
        raise KeptTypeError(f"`{name}` is the kept name of classes in {modules}: give one of them another kept name")
    _FOUND[name] = found[0]
    return found[0]


def _open_packages() -> frozenset[str]:
    """Return the loaded packages that define artefacts: kept types are looked up only in these."""

    def below(cls: type[Artefact]) -> Iterator[type[Artefact]]:
        yield cls
        for subclass in cls.__subclasses__():
            yield from below(subclass)

    return frozenset(cls.__module__.partition(".")[0] for cls in below(Artefact))


def _list_types(package: str) -> list[type]:
    """Return the dataclasses and enumerations that a package's loaded modules define."""
    modules = [module for name, module in list(sys.modules.items()) if name.partition(".")[0] == package]
    waiting: list[type] = [
        thing
        for module in modules
        for thing in list(vars(module).values())
        if isinstance(thing, type) and thing.__module__ == module.__name__
    ]
    found: dict[type, None] = {}
    while waiting:
        cls = waiting.pop()
        if dataclasses.is_dataclass(cls) or issubclass(cls, Enum):
            found[cls] = None
        waiting += [
            inner
            for inner in vars(cls).values()
            if isinstance(inner, type) and inner.__qualname__ == f"{cls.__qualname__}.{inner.__name__}"
        ]
    return list(found)
