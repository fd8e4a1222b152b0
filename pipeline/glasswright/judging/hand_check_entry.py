"""Writes answers to hand checks into `ticket.yaml`, leaving everything else unchanged."""

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
    """The answer could not be written; the ticket is unchanged."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class HandCheckEntry:
    """A ticket's file as it was read."""

    path: Path
    ticket: TicketFile
    content: bytes

    @property
    def answers(self) -> Mapping[str, HandNote]:
        """The answers so far."""
        return self.ticket.hand_checks


def open_entry(folder: Path) -> HandCheckEntry:
    """Read the ticket file in a folder.

    Raises
    ------
    ConfigError
        With every mistake in it.
    """
    # resolve a link, so that its target is replaced and not the link
    path = (folder / TICKET_FILE).resolve()
    try:
        content = path.read_bytes()
    except OSError as error:
        raise HandCheckError(
            f"{folder / TICKET_FILE}: cannot be read: {error.strerror}: give a ticket's folder"
        ) from error
    return HandCheckEntry(path=path, ticket=validate(scan_bytes(path, content), TicketFile), content=content)


def find_hand_checks(cards: Path, model: str) -> tuple[str, ...]:
    """Return the hand checks that a model's card lists.

    Raises
    ------
    ConfigError
        If a card has mistakes.
    HandCheckError
        If no card is for the model.
    """
    found = load_cards(cards)
    if model not in found:
        known = ", ".join(f"`{name}`" for name in found) or "none"
        raise HandCheckError(
            f"{cards}: there is no card for `{model}` (there are cards for {known}): add one, or correct the ticket"
        )
    return found[model].card.hand_checks


def make_note(answer: str, who: str, when: str, note: str) -> HandNote:
    """Return a signed answer; an empty note counts as none.

    Raises
    ------
    ValueError
        If it is invalid; the message is meant for the user.
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
    """Write one answer into the ticket's file; return the new entry.

    An earlier answer is kept under `earlier`, with its name and date. The file is replaced atomically, and only if it
    has not changed since it was read and the new text reads back as the same ticket with this answer and every comment.

    Raises
    ------
    HandCheckError
        If not; the file is then unchanged.
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
        why = f"the comment `{min(lost)}` would be lost" if lost else "the ticket would not read back as intended"
        raise HandCheckError(_format_by_hand(entry, check, note, why))
    _replace(entry, content)
    return replace(entry, ticket=expected, content=content)


def _format_by_hand(entry: HandCheckEntry, check: str, note: HandNote, why: str) -> str:
    values = ", ".join(f'{name}: "{value}"' for name, value in note if value and name != "earlier")
    return f"{entry.path}: not written ({why}): write under `{KEY}` by hand: {check}: {{{values}}}"


def _edit(entry: HandCheckEntry, check: str, note: HandNote) -> bytes:
    """Return the file's content with one answer added or replaced."""
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
        # update in place, to keep layout and comments
        for name in [name for name in answers[check] if name not in written]:
            del answers[check][name]
        answers[check].update(written)
    else:
        answers[check] = written


def _quote(note: EarlierNote) -> dict[str, Any]:
    """Return an answer for YAML, quoted so that no reader converts it to a date or number."""
    return {
        name: value if name == "answer" else DoubleQuotedScalarString(value)
        for name, value in note
        if name != "earlier" and value is not None
    }


def _comments(content: bytes) -> set[str]:
    """Return every comment: the text after a `#` outside keys and values."""
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
            raise HandCheckError(
                f"{path}: was changed by someone else in the meantime; nothing was written: start again"
            )

    try:
        with _locked(path.parent), whole_file(path, durable=True, before=refuse_another_hand) as part:
            part.write_bytes(content)
            part.chmod(path.stat().st_mode & 0o7777)
    except OSError as error:
        raise HandCheckError(
            f"{path}: cannot be written: {error.strerror or error}: correct the folder's permissions"
        ) from error


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Lock a folder, so that of two concurrent entries into one ticket the second sees the first."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with suppress(OSError):  # some network file systems cannot lock a folder
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
