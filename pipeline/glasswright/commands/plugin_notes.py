"""Loads the plugins for a command, and says on stderr which could not be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from glasswright.config.schema.plugins import load_plugins
from glasswright.errors import GlasswrightError

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins


class NoStagesError(GlasswrightError):
    """No plugin that is installed offers a stage."""

    exit_code = 2


def load_plugins_aloud() -> Plugins:
    """Load every plugin; each that fails is named on stderr with its reason and does not stop the others.

    Raises
    ------
    NoStagesError
        If none offers a stage: nothing can be measured, and whoever asked must not take silence for success.
    """
    plugins = load_plugins()
    for failure in plugins.failures:
        click.echo(str(failure), err=True)
    if not plugins.stages:
        cause = "mend what is named above" if plugins.failures else "install one, or install glasswright again"
        raise NoStagesError(f"no plugin offers a stage: {cause}")
    return plugins
