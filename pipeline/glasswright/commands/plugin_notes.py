"""Loading of plugins for a command, with a message on stderr for each that cannot be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from glasswright.config.schema.plugins import load_plugins
from glasswright.errors import GlasswrightError

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins


class NoStagesError(GlasswrightError):
    """No installed plugin has a stage."""

    exit_code = 2


def load_plugins_aloud() -> Plugins:
    """Return the installed plugins; each that fails is reported on stderr and does not stop the others.

    Raises
    ------
    NoStagesError
        If no plugin has a stage, so that nothing can be measured.
    """
    plugins = load_plugins()
    for failure in plugins.failures:
        click.echo(str(failure), err=True)
    if not plugins.stages:
        cause = "correct the errors above" if plugins.failures else "install one, or install glasswright again"
        raise NoStagesError(f"no plugin has a stage: {cause}")
    return plugins
