"""The configuration files inside an installed plugin."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Final

from glasswright.errors import GlasswrightError

FOLDER: Final = "configs"
"""The folder within a plugin's package."""


def find_shipped(package: str, *parts: str) -> Path:
    """Return the path of a configuration file or folder in a package, without importing it.

    Parameters
    ----------
    package
        Top-level package.
    parts
        Folders and file below its `configs`.

    Raises
    ------
    GlasswrightError
        If the package is not installed or does not contain it.
    """
    spec = find_spec(package)
    folders = (spec.submodule_search_locations if spec is not None else None) or ()
    for folder in folders:
        path = Path(folder, FOLDER, *parts)
        if path.exists():
            return path
    name = "/".join((FOLDER, *parts))
    msg = f"the package {package} contains no {name}: install glasswright again, or name your own file"
    raise GlasswrightError(msg)
