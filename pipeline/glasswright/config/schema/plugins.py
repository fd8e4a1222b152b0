"""Loads plugins by their entry points; one that fails is reported and does not stop the others."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Final

from glasswright.config.schema.reading import find_why_unreadable
from glasswright.config.stand.keys import StandKeys
from glasswright.errors import PluginError
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.field_names import FieldNames, read_field_names
from glasswright.plugin.plugin_drawings import Drawings, read_drawings
from glasswright.plugin.roles import Role, read_roles
from glasswright.plugin.setup_check import read_setup_check
from glasswright.plugin.stage import StageDescription, describe, is_stage

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from types import ModuleType

    from glasswright.plugin.setup_check import SetupCheck

STAGE_GROUP: Final = "glasswright.stages"
SECTION_ATTRIBUTE: Final = "STAND_SECTION"
MORE_SECTIONS_ATTRIBUTE: Final = "STAND_SECTIONS"
PLUGIN_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")
OWN_CAVEATS: Final = {
    "unverified_copy": "the files came without a list of checksums, so damage in copying would not be noticed",
    "identity_contradiction": "the files name another lens or body than the ticket",
    "setting_contradiction": "the files and the ticket name different settings",
    "made_without": "a number was calculated without some of the shots, because they could not be used",
}
"""Meanings of the engine's own caveats."""


@dataclass(frozen=True, slots=True, order=True)
class PluginFailure:
    """A plugin that cannot be used, and the reason."""

    plugin: str
    reason: str

    def __str__(self) -> str:
        """Return the failure on one line."""
        return f"plugin `{self.plugin}` cannot be used: {self.reason}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plugins:
    """Everything that the installed plugins offer."""

    stages: Mapping[str, StageDescription] = field(default_factory=dict)
    """By id."""
    sections: Mapping[str, type[Artefact]] = field(default_factory=dict)
    """The dataclass of each plugin section of the stand file, by its key."""
    drawings: Drawings = field(default_factory=Drawings)
    """Drawing functions of all plugins."""
    roles: Mapping[str, Role] = field(default_factory=dict)
    """Roles of all plugins, by name."""
    setup_checks: Mapping[str, SetupCheck] = field(default_factory=dict)
    """Each plugin's check of the stand file against the cards, by its section of the stand file."""
    field_names: FieldNames = field(default_factory=lambda: FieldNames(by_caveat=OWN_CAVEATS))
    """Readable names of measures and caveats."""
    failures: tuple[PluginFailure, ...] = ()
    packages: frozenset[str] = frozenset()
    """The top-level package of each plugin."""


def load_plugins() -> Plugins:
    """Load every installed plugin."""
    return collect_plugins(entry_points(group=STAGE_GROUP))


def collect_plugins(points: Iterable[EntryPoint]) -> Plugins:
    """Load the plugins of the entry points, sorted by name."""
    stages: dict[str, StageDescription] = {}
    sections: dict[str, type[Artefact]] = {}
    names: set[str] = set()
    packages: set[str] = set()
    drawings = Drawings()
    roles: dict[str, Role] = {}
    setup_checks: dict[str, SetupCheck] = {}
    field_names = FieldNames(by_caveat=OWN_CAVEATS)
    failures: list[PluginFailure] = []
    for point in sorted(points, key=lambda point: (point.name, point.value)):
        try:
            _check_name(point.name, names)
            module = _load(point)
            found = describe_stages(module, point.name)
            own_sections, drawn = _sections_of(module, point.name, sections), read_drawings(module)
            own_roles = read_roles(module)
            _check_roles(own_roles, roles)
            setup_check = read_setup_check(module)
            own_names = read_field_names(module)
            names.add(point.name)
            packages.add(module.__name__.partition(".")[0])
        except PluginError as error:
            failures.append(PluginFailure(point.name, str(error)))
            continue
        stages.update(found)
        drawings = drawings.joined(drawn)
        roles.update({name: _join_role(role, roles.get(name)) for name, role in own_roles.items()})
        field_names = field_names.joined(own_names)
        if setup_check is not None:
            setup_checks[point.name] = setup_check
        sections.update(own_sections)
    return Plugins(
        stages=stages,
        sections=sections,
        drawings=drawings,
        roles=roles,
        setup_checks=setup_checks,
        field_names=field_names,
        failures=tuple(failures),
        packages=frozenset(packages),
    )


def _check_name(name: str, taken: Collection[str]) -> None:
    if not PLUGIN_NAME.fullmatch(name):
        raise PluginError("its name must be lower-case letters, digits and `_`, a letter first")
    if name in taken:
        raise PluginError("another plugin has this name; uninstall one of them")


def _check_roles(own: Mapping[str, Role], known: Mapping[str, Role]) -> None:
    """Refuse a role that an earlier plugin declares differently: which one applied would depend on chance."""
    differing = [name for name, role in own.items() if known.get(name, role) != role]
    if differing:
        name = differing[0]
        raise PluginError(
            f"declares role `{name}` as {own[name]}, and another plugin as {known[name]}: declare it alike"
        )


def _join_role(role: Role, known: Role | None) -> Role:
    """Return a role that has a focus distance if any of the plugins says so."""
    return role if known is None else replace(role, has_distance=role.has_distance or known.has_distance)


def describe_stages(module: ModuleType, plugin: str) -> dict[str, StageDescription]:
    """Return the descriptions of a module's stages, by id, in alphabetical order.

    Raises
    ------
    PluginError
        With every stage that breaks the rules.
    """
    described: dict[str, StageDescription] = {}
    faults: list[str] = []
    for _, function in sorted(vars(module).items()):
        if not is_stage(function):
            continue
        try:
            stage = describe(function, plugin)
        except PluginError as error:
            faults.append(str(error))
        else:
            described[stage.id] = stage
    if faults:
        raise PluginError("; ".join(faults))
    return described


def _load(point: EntryPoint) -> ModuleType:
    from types import ModuleType

    try:
        module = point.load()
    except (Exception, SystemExit) as error:  # a plugin's module may fail in any way
        raise PluginError(f"loading {point.value} failed: {type(error).__name__}: {error}") from error
    if not isinstance(module, ModuleType):
        raise PluginError(f"its entry point {point.value} is not a module: name the package itself")
    return module


def _sections_of(module: ModuleType, plugin: str, taken: Collection[str]) -> dict[str, type[Artefact]]:
    """Return a plugin's sections of the stand file: `plugin`, and `plugin_suffix` for parts with addresses of their
    own.

    A section may not have the key of the engine or of another plugin.
    """
    found: dict[str, type[Artefact]] = {}
    main = getattr(module, SECTION_ATTRIBUTE, None)
    more = getattr(module, MORE_SECTIONS_ATTRIBUTE, {})
    named = {} if main is None else {plugin: (SECTION_ATTRIBUTE, main)}
    named |= {f"{plugin}_{suffix}": (f'{MORE_SECTIONS_ATTRIBUTE}["{suffix}"]', each) for suffix, each in more.items()}
    for name, (attribute, section) in named.items():
        if not (isinstance(section, type) and issubclass(section, Artefact)):
            raise PluginError(f"{attribute} is {section!r}: make it a dataclass that derives from Artefact")
        why = find_why_unreadable(section)
        if why:
            raise PluginError(f"{attribute} {section.__name__} cannot be read from a file: {why}")
        if name in StandKeys.model_fields or name in taken:
            whose = "the engine's own" if name in StandKeys.model_fields else "another plugin's"
            raise PluginError(f"{attribute} would be `{name}` in the stand file, which is {whose} key: rename it")
        found[name] = section
    return found
