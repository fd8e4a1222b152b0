"""SHA-256 of files, and the list of checksums in a ticket's folder."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final

from glasswright.plain_text import escape, escape_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.remote import AnyPath

FILE_NAME: Final = "SHA256SUMS"
LINE: Final = re.compile(r"^\\?(?P<sha>[0-9a-fA-F]{64}) [ *](?P<name>.+)$")
"""A line in coreutils' format: digest, a blank, a blank or `*` (binary), the name."""
LARGEST_BYTES: Final = 16 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Checksums:
    """A ticket's checksums: path below the ticket's folder -> SHA-256 in lower-case hexadecimal."""

    present: bool = False
    by_name: Mapping[str, str]
    findings: tuple[str, ...] = ()


def hash_file(path: AnyPath) -> str:
    """Return a file's SHA-256 in lower-case hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type] # both kinds have readinto


def stamp_of(path: Path) -> tuple[int, int]:
    """Return a file's size in bytes and modification time in nanoseconds; a rewritten file differs in at least one."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def read_checksums(folder: AnyPath) -> Checksums:
    """Return the content of the ticket's SHA256SUMS; an unusable line is a finding with line number and reason."""
    path = folder / FILE_NAME
    if path.is_symlink() or not path.is_file():
        what = "a symbolic link" if path.is_symlink() else "not a plain file"
        why = (f"{FILE_NAME} is {what}: not read. Copy the list itself",) if path.is_symlink() or path.exists() else ()
        return Checksums(by_name={}, findings=why)
    with path.open("rb") as file:
        content = file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        return Checksums(present=True, by_name={}, findings=(f"{FILE_NAME} is over 16 MiB: not read",))
    by_name: dict[str, str] = {}
    findings: list[str] = []
    # a name may contain any byte except a line end; bytes that are not UTF-8 are escaped as in the folder's listing
    for number, line in enumerate(re.split("\r\n|\r|\n", content.decode("utf-8", "surrogateescape")), start=1):
        if line.strip():
            _take_line(line, f"{FILE_NAME}:{number}", by_name, findings)
    return Checksums(present=True, by_name=by_name, findings=tuple(findings))


def _take_line(line: str, place: str, by_name: dict[str, str], findings: list[str]) -> None:
    match = LINE.match(line)
    if match is None:
        findings.append(
            f"{place}: not in sha256sum's format (64 hexadecimal digits, two blanks, a name): {line[:80]!r}"
        )
        return
    # in a line that starts with a backslash, line breaks and backslashes are already escaped
    spell = escape if line.startswith("\\") else escape_name
    name = spell(match["name"].removesuffix("\r")).removeprefix("./")
    sha = match["sha"].lower()
    parts = PurePosixPath(name).parts
    if PurePosixPath(name).is_absolute() or ".." in parts:
        findings.append(f"{place}: {name!r} points outside the ticket's folder: ignored")
    elif by_name.setdefault(name, sha) != sha:
        findings.append(f"{place}: {name!r} is listed twice with different digests: the first is used")
