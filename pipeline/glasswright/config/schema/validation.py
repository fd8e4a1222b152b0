"""Validation of configuration files, as the rest of the engine uses it."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from glasswright.config.schema.reading import check
from glasswright.config.yaml.reading import scan_yaml
from glasswright.errors import ConfigError
from glasswright.plugin.settings import ConfigModel

if TYPE_CHECKING:
    from pathlib import Path

    from glasswright.config.yaml.document import Document

__all__ = ["ConfigModel", "read_config", "validate"]

T = TypeVar("T")


def validate(document: Document, kind: type[T], *place: str | int) -> T:
    """Read a document, or the part of it at a place, as a type.

    Raises
    ------
    ConfigError
        With every problem of the document and of the files it names.
    """
    value, problems = check(document, kind, *place)
    if problems or value is None:
        raise ConfigError(problems)
    return value


def read_config(path: Path, kind: type[T]) -> T:
    """Read a YAML file as a type.

    Raises
    ------
    ConfigError
        With every problem of the file and of the files it names.
    """
    return validate(scan_yaml(path), kind)
