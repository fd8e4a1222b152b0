"""The fourth extension point of a plugin: the roles of its shots."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from glasswright.errors import PluginError

if TYPE_CHECKING:
    from types import ModuleType

ATTRIBUTE: Final = "ROLES"
ROLE_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What shots show. The role's name is the name of a folder in the ticket; plans take its shots as `role.NAME`."""

    shareable: bool = False
    """The shots do not depend on the lens on test, so several tickets of a night may share them."""
    through_lens: bool = True
    """The shot is taken through the lens, so EXIF can name it."""
    has_setting: bool = True
    """Focal length and f-number matter; not so for a frame without light."""
    has_distance: bool = field(default=False, compare=False)
    """The focus distance is part of the setting, if the plan lists focus distances. It is if any plugin says so."""
    is_timed: bool = False
    """The exposure time is part of the setting."""


def read_roles(module: ModuleType) -> Mapping[str, Role]:
    """Return the roles that a plugin's module declares; a plugin without `ROLES` declares none.

    Raises
    ------
    PluginError
        If `ROLES` is not a mapping from names to `Role`.
    """
    found = getattr(module, ATTRIBUTE, {})
    well_formed = isinstance(found, Mapping) and all(
        isinstance(name, str) and ROLE_NAME.fullmatch(name) and isinstance(role, Role) for name, role in found.items()
    )
    if not well_formed:
        raise PluginError(
            f"{ATTRIBUTE} is {found!r}: make it a mapping from names (lower-case letters, digits, `_`) to Role"
        )
    return found


def find_unshareable(names: Iterable[str], roles: Mapping[str, Role]) -> tuple[str, ...]:
    """Return those of the named roles whose shots tickets may not share."""
    return tuple(name for name in names if name not in roles or not roles[name].shareable)
