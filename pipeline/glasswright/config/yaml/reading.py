"""Plain-data YAML: one document, text keys, no tags or anchors, and only unambiguous scalars of YAML 1.2."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import yaml

from glasswright.config.yaml.document import Document
from glasswright.config.yaml.tree import TreeBuilder
from glasswright.errors import WHOLE_FILE, ConfigError, Problem

if TYPE_CHECKING:
    from pathlib import Path

MOST_BYTES = 1 << 20
NO_FILE = "there is no such file: correct the path"


def read_yaml(path: Path) -> Document:
    """Read a YAML file.

    Parameters
    ----------
    path
        The file; messages name it as given.

    Raises
    ------
    ConfigError
        With every fault and its line: the file is missing, too large, not UTF-8, not YAML or nested too deeply, or it
        has duplicate keys, anchors, aliases, merge keys, tags, non-text keys, `.nan`, `.inf` or numbers with leading
        zeros.
    """
    document = scan_yaml(path)
    if document.problems:
        raise ConfigError(document.problems)
    return document


def scan_yaml(path: Path) -> Document:
    """Read a YAML file as far as possible; its faults are kept in `Document.problems`.

    Raises
    ------
    ConfigError
        If the file cannot be read, or is not YAML.
    """
    return scan_bytes(path, _read_bytes(path))


def scan_bytes(path: Path, content: bytes) -> Document:
    """Read the content of a YAML file as `scan_yaml` does; `path` is only used in messages."""
    builder = TreeBuilder(str(path))
    text = _decode(path, content)
    try:
        for event in yaml.parse(text, Loader=yaml.CSafeLoader):
            builder.take(event)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        message = " ".join(part for part in (error.context, error.problem) if part)
        lines = text.splitlines()[line - 1 : line]
        if lines and "\t" in lines[0][: len(lines[0]) - len(lines[0].lstrip())]:
            message = "the line is indented with a tab: use blanks"
        raise ConfigError([*builder.problems, Problem(str(path), line, f"not valid YAML: {message}")]) from error
    except yaml.YAMLError as error:
        message = " ".join(str(error).split())
        raise ConfigError([Problem(str(path), 1, f"not valid YAML: {message}")]) from error
    return Document(
        path=path,
        text=text,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        data=builder.data,
        lines=builder.lines,
        written=builder.written,
        problems=tuple(builder.problems),
    )


def _read_bytes(path: Path) -> bytes:
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise ConfigError([Problem(str(path), WHOLE_FILE, "is not a plain file")])  # opening a pipe would block
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise ConfigError([Problem(str(path), WHOLE_FILE, _why_unreadable(error))]) from error
    if len(content) > MOST_BYTES:
        message = f"larger than {MOST_BYTES} bytes, the most that a configuration file may have: correct the path"
        raise ConfigError([Problem(str(path), WHOLE_FILE, message)])
    return content


def _why_unreadable(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return NO_FILE
    if isinstance(error, IsADirectoryError):
        return "is a folder, not a file: correct the path"
    return f"cannot be read: {error.strerror or error}"


def _decode(path: Path, content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        message = f"not UTF-8 text (byte 0x{content[error.start]:02x}); save the file as UTF-8"
        raise ConfigError([Problem(str(path), line, message)]) from error
