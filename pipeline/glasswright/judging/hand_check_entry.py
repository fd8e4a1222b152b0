"""Writes answers to hand checks into `ticket.yaml` and keeps everything else in it."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import yaml
from pydantic import ValidationError
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.error import YAMLError
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from glasswright.config import EarlierNote, HandNote, TicketFile, scan_bytes, validate
from glasswright.config.schema.names import problem_of_person
from glasswright.config.ticket.file import TICKET_FILE
from glasswright.config.yaml.round_trip import as_flow, edit_yaml
from glasswright.errors import ConfigError, GlasswrightError
from glasswright.judging.cards import load_cards
from glasswright.whole_files import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path


__all__ = [
    "HandCheckEntry",
    "HandCheckError",
    "HandNote",
    "find_hand_checks",
    "make_note",
    "open_entry",
    "write_answer",
]

KEY: Final = "hand_checks"
BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"


class HandCheckError(GlasswrightError):
    """The answer could not be written; the ticket is as it was."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCheckEntry:
    """A ticket's file as it was read."""

    path: Path
    ticket: TicketFile
    content: bytes

    @property
    def answers(self) -> Mapping[str, HandNote]:
        """What has been answered."""
        return self.ticket.hand_checks


def open_entry(folder: Path) -> HandCheckEntry:
    """Read the ticket of a folder.

    Raises
    ------
    ConfigError
        With every mistake in it.
    """
    # a link is followed once, so that the file itself is replaced and not the link
    path = (folder / TICKET_FILE).resolve()
    try:
        content = path.read_bytes()
    except OSError as error:
        raise HandCheckError(
            f"{folder / TICKET_FILE}: cannot be read: {error.strerror}: give a ticket's folder"
        ) from error
    return HandCheckEntry(path=path, ticket=validate(scan_bytes(path, content), TicketFile), content=content)


def find_hand_checks(cards: Path, model: str) -> tuple[str, ...]:
    """Name the hand checks that a model's card lists.

    Raises
    ------
    ConfigError
        If a card is wrong.
    HandCheckError
        If no card is for the model.
    """
    found = load_cards(cards)
    if model not in found:
        known = ", ".join(f"`{name}`" for name in found) or "none"
        raise HandCheckError(f"{cards}: no card is for `{model}` (there are {known}): add one, or correct the ticket")
    return found[model].card.hand_checks


def make_note(answer: str, who: str, when: str, note: str) -> HandNote:
    """Make a signed answer; an empty note is none.

    Raises
    ------
    ValueError
        With what is wrong, for a person to read.
    """
    problem = problem_of_person(who) if who.strip() else ""
    if problem:
        raise ValueError(problem)
    try:
        return HandNote(answer=answer, who=who, when=when, note=note or None)  # type: ignore[arg-type] # checked here
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise ValueError(f"`{first['loc'][0]}` {first['msg'].removeprefix('Value error, ')}") from error


def write_answer(entry: HandCheckEntry, check: str, note: HandNote) -> HandCheckEntry:
    """Write one answer into the ticket's file; return the entry as it now is.

    An answer that stood there before is kept under `earlier`, with who gave it and when.
    The file is replaced whole or not at all, and only if it is still what was read and if what is written reads back
    as the same ticket with this answer and keeps every comment.

    Raises
    ------
    HandCheckError
        Otherwise; the file is then as it was.
    """
    if check in entry.answers:
        replaced = entry.answers[check]
        before = EarlierNote(**replaced.model_dump(exclude={"earlier"}))
        note = note.model_copy(update={"earlier": (*replaced.earlier, before)})
    content = _edit(entry, check, note)
    try:
        document = scan_bytes(entry.path, content)
        read: TicketFile | None = validate(document, TicketFile)
    except ConfigError as error:
        raise HandCheckError(_format_by_hand(entry, check, note, str(error.problems[0]))) from error
    expected = entry.ticket.model_copy(update={KEY: {**entry.answers, check: note}})
    lost = _comments(entry.content) - _comments(content)
    if read != expected or lost:
        why = f"the comment `{min(lost)}` would be lost" if lost else "the ticket would read back otherwise"
        raise HandCheckError(_format_by_hand(entry, check, note, why))
    _replace(entry, content)
    return replace(entry, ticket=expected, content=content)


def _format_by_hand(entry: HandCheckEntry, check: str, note: HandNote, why: str) -> str:
    words = ", ".join(f'{name}: "{value}"' for name, value in note if value and name != "earlier")
    return f"{entry.path}: not written ({why}): write under `{KEY}` by hand: {check}: {{{words}}}"


def _edit(entry: HandCheckEntry, check: str, note: HandNote) -> bytes:
    """Return the file's content with one answer more, or another."""
    text = entry.content.removeprefix(BYTE_ORDER_MARK).decode("utf-8")
    ending = "\r\n" if "\r\n" in text else "\n"
    text = text.replace("\r\n", "\n")
    try:
        written = edit_yaml(text, lambda data: _put(data, check, note))
    except YAMLError as error:
        why = " ".join(str(error).split())
        raise HandCheckError(_format_by_hand(entry, check, note, why)) from error
    mark = BYTE_ORDER_MARK if entry.content.startswith(BYTE_ORDER_MARK) else b""
    return mark + written.replace("\n", ending).encode("utf-8")


def _put(data: Any, check: str, note: HandNote) -> None:  # noqa: ANN401 - the library's types say no more
    answers = data.setdefault(KEY, CommentedMap())
    values = _quote(note)
    if note.earlier:
        values["earlier"] = [_quote(each) for each in note.earlier]
    written = as_flow(values)
    if check in answers:
        # what stood there keeps its layout and comments
        for name in [name for name in answers[check] if name not in written]:
            del answers[check][name]
        answers[check].update(written)
    else:
        answers[check] = written


def _quote(note: EarlierNote) -> dict[str, Any]:
    """Return an answer as it is written: quoted, so that no reader takes a day for a date or a note for a number."""
    return {
        name: value if name == "answer" else DoubleQuotedScalarString(value)
        for name, value in note
        if name != "earlier" and value is not None
    }


def _comments(content: bytes) -> set[str]:
    """Return every comment: what follows a `#` that stands in no key, value or text."""
    text = content.removeprefix(BYTE_ORDER_MARK).decode("utf-8").replace("\r\n", "\n")
    bare = list(text)
    for token in yaml.scan(text, Loader=yaml.SafeLoader):
        if isinstance(token, yaml.ScalarToken):
            for index in range(token.start_mark.index, token.end_mark.index):
                bare[index] = bare[index] if bare[index] == "\n" else " "
    pairs = zip(text.splitlines(), "".join(bare).splitlines(), strict=True)
    return {line[mask.index("#") :].strip() for line, mask in pairs if "#" in mask}


def _replace(entry: HandCheckEntry, content: bytes) -> None:
    path = entry.path

    def refuse_another_hand() -> None:
        if path.read_bytes() != entry.content:
            raise HandCheckError(f"{path}: was changed by someone else meanwhile; nothing was written: start again")

    try:
        with _locked(path.parent), whole_file(path, durable=True, before=refuse_another_hand) as part:
            part.write_bytes(content)
            part.chmod(path.stat().st_mode & 0o7777)
    except OSError as error:
        raise HandCheckError(
            f"{path}: cannot be written: {error.strerror or error}: see to the folder's rights"
        ) from error


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold a folder, so that of two entries into one ticket the second sees what the first wrote."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with suppress(OSError):  # some network file systems lock no folder
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
