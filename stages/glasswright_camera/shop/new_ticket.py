"""A new ticket's folder: shots by role, ticket.yaml and SHA256SUMS."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

from glasswright.preparing import PreparationError, hash_file

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright_camera.shop.looking import RawFile

Place = Callable[[Path, Path], object]
"""Copies or moves a file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketHead:
    """Head of a ticket: lens, body, phase."""

    number: str
    model: str
    serial: str
    phase: str
    body: str
    body_serial: str | None = None
    focal_length_mm: float | None = None
    """Of all shots, if EXIF lacks it."""
    f_number: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewTicket:
    """A ticket to be written."""

    head: TicketHead
    files: tuple[RawFile, ...]
    folder: Path


def next_number(tickets: Path) -> str:
    """Return the next free number: one more than the highest that ends in digits, `T-0001` for the first."""
    names = [path.name for path in tickets.iterdir()] if tickets.is_dir() else []
    numbered = [match for name in names if (match := re.fullmatch(r"(.*?)(\d+)", name))]
    if not numbered:
        return "T-0001"
    last = max(numbered, key=lambda match: int(match[2]))
    return f"{last[1]}{int(last[2]) + 1:0{len(last[2])}d}"


def write_ticket(new: NewTicket, place: Place) -> Iterator[Path]:
    """Write the ticket; yield each file's path when it is written.

    Each file is hashed before and after it is copied or moved.

    Raises
    ------
    PreparationError
        If the ticket exists already, two files would get one name, or a copy differs.
    """
    targets = {each.path: new.folder / each.role / each.path.name for each in new.files}
    twice = [path for path in targets.values() if list(targets.values()).count(path) > 1]
    if twice:
        raise PreparationError(f"two files would become {twice[0]}: rename one")
    try:
        new.folder.mkdir(parents=True)
    except FileExistsError:
        raise PreparationError(f"{new.folder} exists already: give another --number") from None
    except OSError as error:
        raise PreparationError(f"{new.folder}: cannot be made ({error.strerror})") from error
    sums = []
    for source, target in targets.items():
        target.parent.mkdir(exist_ok=True)
        before = hash_file(source)
        place(source, target)
        if hash_file(target) != before:
            raise PreparationError(f"{target}: differs from {source}: the disk or card is failing; copy it again")
        sums.append(f"{before}  {target.relative_to(new.folder).as_posix()}\n")
        yield target
    (new.folder / "SHA256SUMS").write_text("".join(sorted(sums, key=lambda line: line[66:])), encoding="utf-8")
    yield new.folder / "SHA256SUMS"
    text = yaml.safe_dump(describe_ticket(new), sort_keys=False, allow_unicode=True)
    (new.folder / "ticket.yaml").write_text(text, encoding="utf-8")
    yield new.folder / "ticket.yaml"


def describe_ticket(new: NewTicket) -> dict[str, Any]:
    """Return the content of `ticket.yaml`."""
    head = new.head
    body = {"model": head.body} | ({"serial": head.body_serial} if head.body_serial else {})
    data: dict[str, Any] = {
        "ticket": head.number,
        "lens": {"model": head.model, "serial": head.serial},
        "phase": head.phase,
        "body": body,
        "notes": "",
    }
    if any(each.facts.rehearsed for each in new.files):  # rendered frames must not release a lens
        data["rehearsed"] = True
    rules = [rule for each in new.files if each.role != "dark" and (rule := _rule_of(each, head))]
    return data | ({"shots": rules} if rules else {})


def _rule_of(file: RawFile, head: TicketHead) -> dict[str, Any]:
    """Return the ticket's entry for a shot whose setting EXIF lacks; empty if it has all."""
    focal, f_number = file.place
    values = {"focal_length_mm": head.focal_length_mm} if focal is None else {}
    values |= {"f_number": head.f_number} if f_number is None else {}
    return {"files": f"{file.role}/{file.path.name}", **values} if values else {}
