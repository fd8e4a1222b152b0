"""Fields of a configuration file that name another file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import TYPE_CHECKING, Annotated, TypeVar

from pydantic_core import PydanticCustomError, core_schema

from glasswright.config.schema.reading import Reading

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pydantic import GetCoreSchemaHandler
    from pydantic_core.core_schema import ValidationInfo

T = TypeVar("T")

ELSEWHERE = "reported_elsewhere"
"""Error type of a field whose named file has problems; they are listed under that file."""


@dataclass(frozen=True, slots=True)
class NamesConfigFile:
    """Marks a field that names a YAML file, relative to its own file; the value is the content of the named file."""

    def __get_pydantic_core_schema__(
        self, source: type[object], handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Read the named file as the annotated type."""
        del handler

        def read(value: object, info: ValidationInfo) -> object:
            reading = _reading_of(info)
            result = reading.read_named(_path_of(value, reading), source, str(value))
            if result is None:
                raise PydanticCustomError(ELSEWHERE, "the file it names has problems")
            return result

        return core_schema.with_info_plain_validator_function(read)


ConfigFile = Annotated[T, NamesConfigFile()]
"""`ConfigFile[T]`: a `T` in a separate YAML file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DataFile:
    """A data file that a configuration file names by a path relative to itself."""

    path: str = field(metadata={"address": False})
    """Where the file is now; not part of an address."""
    sha256: str

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Find the named file and hash it."""
        del source, handler

        def read(value: object, info: ValidationInfo) -> DataFile:
            reading = _reading_of(info)
            path = _path_of(value, reading)
            found = cls(path=str(path.resolve()), sha256=_hash(path))
            reading.files[str(value)] = found.sha256
            return found

        return core_schema.with_info_plain_validator_function(read)


def find_data_files(value: object) -> Iterator[DataFile]:
    """Yield the data files in a configuration value: a dataclass, or a sequence or mapping of them."""
    if isinstance(value, DataFile):
        yield value
    elif is_dataclass(value) and not isinstance(value, type):
        for each in fields(value):
            yield from find_data_files(getattr(value, each.name))
    elif isinstance(value, Mapping):
        yield from find_data_files(tuple(value.values()))
    elif isinstance(value, tuple | list):
        for member in value:
            yield from find_data_files(member)


def _reading_of(info: ValidationInfo) -> Reading:
    if not isinstance(info.context, Reading):
        raise TypeError("a field that names a file is validated with glasswright.config.validate")
    return info.context


def _path_of(value: object, reading: Reading) -> Path:
    if not isinstance(value, str) or not value:
        raise PydanticCustomError("file_name", "must be the name of a file")
    path = reading.document.path.parent / value
    try:
        found = path.is_file()
    except OSError as error:
        raise PydanticCustomError("file_unreadable", "cannot be read: {why}", {"why": str(error)}) from error
    if not found:
        raise PydanticCustomError("file_missing", "there is no file {path}", {"path": str(path)})
    return path


def _hash(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise PydanticCustomError("file_unreadable", "cannot be read: {why}", {"why": str(error)}) from error
