"""The fourth door of a plugin: what is special about the roles of its shots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright.errors import PluginError

if TYPE_CHECKING:
    from types import ModuleType

ATTRIBUTE: Final = "ROLE_TRAITS"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleTraits:
    """What the engine must know of a role to tell whose a shot is; a role that no plugin speaks of has the defaults."""

    shareable: bool = False
    """Whether the shots say nothing of the lens on test, so that several tickets of a night may have the same ones."""
    through_lens: bool = True
    """Whether the body can know which lens it is shot through."""


def read_role_traits(module: ModuleType) -> Mapping[str, RoleTraits]:
    """Read what a plugin's module says of roles; nothing if it does not.

    Raises
    ------
    PluginError
        Where that is no mapping from names to traits.
    """
    found = getattr(module, ATTRIBUTE, {})
    well_formed = isinstance(found, Mapping) and all(
        isinstance(role, str) and isinstance(traits, RoleTraits) for role, traits in found.items()
    )
    if not well_formed:
        raise PluginError(f"{ATTRIBUTE} is {found!r}: make it a mapping from names of roles to RoleTraits")
    return found


def find_unshareable(roles: Iterable[str], traits: Mapping[str, RoleTraits]) -> tuple[str, ...]:
    """Give the roles whose shots no plugin lets several tickets have."""
    return tuple(role for role in roles if not traits.get(role, RoleTraits()).shareable)
