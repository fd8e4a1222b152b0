"""Names of measures and caveats from the installed plugins, for pages and records."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from glasswright.config.schema.plugins import load_plugins

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.field_names import FieldNames


@lru_cache(maxsize=1)
def installed_plugins() -> Plugins:
    """Return the installed plugins, loaded once per process."""
    return load_plugins()


def field_names() -> FieldNames:
    """Return the readable names of measures and caveats."""
    return installed_plugins().field_names
