"""Lists the shots and other files in a ticket's folder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

from glasswright.config.ticket.file import TICKET_FILE
from glasswright.formatting import format_count
from glasswright.intake.checksums import FILE_NAME
from glasswright.plain_text import escape_name

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from glasswright.remote import AnyPath

SIDECARS: Final = frozenset({".xmp", ".txt~", ".db", ".ini"})
"""Suffixes of files that raw converters and file managers leave beside a raw file."""
PREVIEWS: Final = frozenset({".jpg", ".jpeg"})
"""Suffixes of previews, which a body writes beside each raw file under the same name."""
MOST_NAMED: Final = 5
SomePath = TypeVar("SomePath", bound="AnyPath")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The files of a ticket's folder by role, sorted by name, and findings about the rest."""

    files: tuple[tuple[str, AnyPath], ...]
    """(role, path); a file's name may be unprintable."""
    findings: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    """Files or folders that may contain shots and are not measured."""


def list_tickets(folder: SomePath) -> tuple[SomePath, ...]:
    """Return the ticket folders in a folder, sorted by name, or the folder itself if it is one; hidden ones are
    ignored.

    A symbolic link counts as its target. A broken link counts too: its ticket was requested and must be reported.
    """
    if (folder / TICKET_FILE).is_file():
        return (folder,)
    entries: list[Any] = sorted(folder.iterdir())  # of the folder's own type
    return tuple(path for path in entries if (path.is_dir() or path.is_symlink()) and not _is_hidden(path))


def count_shots(folder: AnyPath, roles: Collection[str]) -> int:
    """Count the files that look like shots, for the progress display; no file is opened.

    Returns 0 for an unreadable folder, which indexing the ticket reports.
    """
    try:
        return len(list_shots(folder, roles).files)
    except OSError:
        return 0


def list_shots(folder: AnyPath, roles: Collection[str]) -> Listing:
    """List a ticket's shots: plain files directly in a role's folder; links are not followed.

    Parameters
    ----------
    folder
        The ticket's folder.
    roles
        Folder names that are roles.
    """
    files: list[tuple[str, AnyPath]] = []
    findings: list[str] = []
    unused: list[str] = []
    entries: list[AnyPath] = sorted(folder.iterdir())
    findings += _name_passed("hidden, so not used", "", filter(_is_hidden, entries))
    for path in entries:
        name = escape_name(path.name)
        if path.name in {TICKET_FILE, FILE_NAME} or _is_hidden(path):
            continue
        if path.is_symlink():
            unused.append(f"{name} is a symbolic link, which is not followed: copy the files themselves")
        elif not path.is_dir():
            findings.append(f"{name} is beside the role folders: not used. Put shots into a role's folder")
        elif path.name not in roles:
            near = next((role for role in roles if role == path.name.lower().strip().replace("-", "_")), "")
            known = f"rename it to `{near}`" if near else f"roles are {', '.join(sorted(roles))}"
            unused.append(f"{name}/ is not a role: its {_count(path)} are not used; {known}")
        else:
            _list_role(path, files, findings, unused)
    return Listing(files=tuple(files), findings=tuple(findings), unused=tuple(unused))


def _list_role(folder: AnyPath, files: list[tuple[str, AnyPath]], findings: list[str], unused: list[str]) -> None:
    inside: list[AnyPath] = sorted(folder.iterdir())
    entries = [path for path in inside if not _is_hidden(path)]
    findings += _name_passed("hidden, so not used", f"{folder.name}/", filter(_is_hidden, inside))
    sidecars = [
        path for path in entries if path.suffix.lower() in SIDECARS and path.is_file() and not path.is_symlink()
    ]
    findings += _name_passed("not raw files by their names, so not used", f"{folder.name}/", sidecars)
    raw_stems = {path.stem for path in entries if path.suffix.lower() not in PREVIEWS | SIDECARS}
    before = len(files)
    for path in entries:
        name = f"{folder.name}/{escape_name(path.name)}"
        if path.is_symlink():
            unused.append(f"{name} is a symbolic link, which is not followed: copy the file itself")
        elif path.is_dir():
            unused.append(f"{name}/ is a folder inside a role's folder: its {_count(path)} are not used")
        elif not path.is_file():
            findings.append(f"{name} is not a plain file: not used")
        elif path.suffix.lower() in SIDECARS:
            continue
        elif path.suffix.lower() in PREVIEWS and path.stem in raw_stems:
            findings.append(f"{name} has the name of a raw file beside it: taken for its preview, not used")
        else:
            files.append((folder.name, path))
    if len(files) == before:
        findings.append(f"{folder.name}/ contains no shots")


def _is_hidden(path: AnyPath) -> bool:
    return path.name.startswith(".")


def _name_passed(what: str, place: str, paths: Iterable[AnyPath]) -> list[str]:
    """Return one line that names the ignored files: a shot may be among them."""
    names = [
        f"{place}{escape_name(path.name)}" + (f"/ ({_count(path)})" if path.is_dir() and not path.is_symlink() else "")
        for path in paths
    ]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return [f"{what}: {', '.join(names[:MOST_NAMED])}{more}"] if names else []


def _count(folder: AnyPath) -> str:
    number = sum(1 for path in folder.iterdir() if path.is_file())
    return format_count(number, "file")
