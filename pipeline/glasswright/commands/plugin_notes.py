"""Loads the plugins for a command, and says on stderr which could not be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from glasswright.plugins import load_plugins

if TYPE_CHECKING:
    from glasswright.plugins import Plugins


def load_plugins_aloud() -> Plugins:
    """Load every plugin; each that fails is named on stderr with its reason and does not stop the others."""
    plugins = load_plugins()
    for failure in plugins.failures:
        click.echo(str(failure), err=True)
    return plugins
