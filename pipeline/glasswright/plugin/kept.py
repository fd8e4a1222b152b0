"""Names and versions of the types that the ledger keeps, so that what was kept outlives the code's rooms.

A type is kept under the outermost package and its own name, not its module: `glasswright_camera.Trace/1`. A class that
moves is found again. A field that is added needs a default. Any other change raises the version and says how older
fields become newer ones.
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
    """A name under which something was kept stands for no type here, or for two."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class KeptAs:
    """How a type is kept."""

    name: str
    """Within the outermost package."""
    version: int = 1
    upgrades: Mapping[int, Upgrade] = dataclasses.field(default_factory=dict)
    """Version -> the function that makes its fields those of the next version."""


def kept(*, name: str, version: int = 1, upgrades: Mapping[int, Upgrade] | None = None) -> Callable[[T], T]:
    """Mark a dataclass or enumeration that is kept under another name than its own, or in a later version than 1.

    Parameters
    ----------
    name
        The name it was first kept under, within the outermost package; it stays when the class is renamed.
    version
        Raised by one with each change that a default does not take up.
    upgrades
        For each earlier version the function from its fields to those of the next.

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
    """Return how a type is kept: as it is marked itself, or under its own name."""
    marked = vars(cls).get(MARK)
    return marked if isinstance(marked, KeptAs) else KeptAs(name=cls.__qualname__)


def base_name(cls: type) -> str:
    """Return the name of a type as `package.Name`."""
    return f"{cls.__module__.partition('.')[0]}.{how_kept(cls).name}"


def kept_name(cls: type) -> str:
    """Return the name and version that a type is kept under, as `package.Name/version`."""
    return f"{base_name(cls)}/{how_kept(cls).version}"


def make_again(full_name: str, fields: Fields) -> object:
    """Make a dataclass from what was kept, of this version or an earlier one.

    Raises
    ------
    KeptTypeError
        If there is no such type here, or the version is newer than this program.
    TypeError
        If the fields are not the type's.
    """
    name, version = _split(full_name)
    cls = find_kept(name)
    how = how_kept(cls)
    if version > how.version:
        raise KeptTypeError(f"{full_name} was kept by a newer program, which this one cannot read: use the newer one")
    for step in range(version, how.version):
        fields = how.upgrades[step](fields)
    return cls(**fields)


def find_enumeration(full_name: str) -> Callable[[object], object]:
    """Return the enumeration of a kept member."""
    return find_kept(_split(full_name)[0])


def _split(full_name: str) -> tuple[str, int]:
    name, _, version = full_name.rpartition("/")
    if not (name and version.isdecimal()):
        raise KeptTypeError(f"`{full_name}` is no name of a kept type")
    return name, int(version)


class NotInstalledError(KeptTypeError):
    """A kept type whose package is not loaded: whoever wrote the ledger had a plugin that is not here."""


_FOUND: dict[str, type] = {}


def find_kept(name: str) -> type:
    """Find the type that is kept as `package.Name` among the loaded modules of its package.

    Raises
    ------
    KeptTypeError
        If there is none (then a `NotInstalledError`), or more than one.
    """
    known = _FOUND.get(name)
    # a module that was loaded anew has another class of that name
    if known is not None and vars(sys.modules.get(known.__module__, object)).get(known.__name__) == known:
        return known
    package = name.partition(".")[0]
    found = [each for each in _list_types(package) if base_name(each) == name] if package in _open_packages() else []
    if not found:
        raise NotInstalledError(
            f"`{name}` is of a package that is not loaded here or has no such type: is its plugin installed?"
        )
    if len(found) > 1:
        modules = " and ".join(sorted(each.__module__ for each in found))
        raise KeptTypeError(f"`{name}` stands for classes in {modules}: mark one of them as kept under another name")
    _FOUND[name] = found[0]
    return found[0]


def _open_packages() -> frozenset[str]:
    """Name the loaded packages that define artefacts: only their dataclasses and enumerations are made again."""

    def below(cls: type[Artefact]) -> Iterator[type[Artefact]]:
        yield cls
        for subclass in cls.__subclasses__():
            yield from below(subclass)

    return frozenset(cls.__module__.partition(".")[0] for cls in below(Artefact))


def _list_types(package: str) -> list[type]:
    """List the dataclasses and enumerations that a package's loaded modules define."""
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
