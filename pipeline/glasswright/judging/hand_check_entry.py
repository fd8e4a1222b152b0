"""A ticket's answers to hand checks, written into `ticket.yaml` without losing anything that stands there."""

from __future__ import annotations

import fcntl
import io
import os
import tempfile
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import yaml
from pydantic import ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import YAMLError
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from glasswright.config import EarlierNote, HandNote, TicketFile, scan_bytes, validate
from glasswright.config.schema.names import problem_of_person
from glasswright.config.ticket.file import TICKET_FILE
from glasswright.errors import ConfigError, GlasswrightError
from glasswright.judging.cards import load_cards

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


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
    """Give the file's content with one answer more, or another."""
    text = entry.content.removeprefix(BYTE_ORDER_MARK).decode("utf-8")
    ending = "\r\n" if "\r\n" in text else "\n"
    text = text.replace("\r\n", "\n")
    try:
        layout = _round_trip(text)
        data = layout.load(text)
        if KEY not in data:
            data[KEY] = CommentedMap()
        _put(data[KEY], check, note)
        written = _dump(layout, data)
    except YAMLError as error:
        why = " ".join(str(error).split())
        raise HandCheckError(_format_by_hand(entry, check, note, why)) from error
    mark = BYTE_ORDER_MARK if entry.content.startswith(BYTE_ORDER_MARK) else b""
    return mark + written.replace("\n", ending).encode("utf-8")


def _put(answers: Any, check: str, note: HandNote) -> None:  # noqa: ANN401 - the library's types say no more
    if check not in answers:
        answers[check] = _flow_map()
    entry = answers[check]
    values = _quote(note)
    if note.earlier:
        values["earlier"] = CommentedSeq([_flow_map(_quote(each)) for each in note.earlier])
        values["earlier"].fa.set_flow_style()
    for name in [name for name in entry if name not in values]:
        del entry[name]
    entry.update(values)


def _quote(note: EarlierNote) -> dict[str, Any]:
    """Give an answer as it is written: quoted, so that no reader takes a day for a date or a note for a number."""
    return {
        name: value if name == "answer" else DoubleQuotedScalarString(value)
        for name, value in note
        if name != "earlier" and value is not None
    }


def _flow_map(values: Mapping[str, Any] | None = None) -> Any:  # noqa: ANN401
    made = CommentedMap(values or {})
    made.fa.set_flow_style()
    return made


def _round_trip(text: str) -> Any:  # noqa: ANN401
    """Give a reader and writer that lays lists out as this text does: of its ways the one that changes fewest lines."""
    return min((_lay_out(2), _lay_out(0)), key=lambda each: _count_changed(text, _dump(each, each.load(text))))


def _lay_out(offset: int) -> Any:  # noqa: ANN401
    layout = YAML()
    layout.preserve_quotes = True
    layout.width = 1 << 16
    layout.allow_unicode = True
    layout.indent(mapping=2, sequence=offset + 2, offset=offset)
    return layout


def _dump(layout: Any, data: object) -> str:  # noqa: ANN401
    written = io.StringIO()
    layout.dump(data, written)
    return written.getvalue()


def _count_changed(text: str, again: str) -> int:
    kept = set(again.splitlines())
    return sum(1 for line in text.splitlines() if line not in kept)


def _comments(content: bytes) -> set[str]:
    """Give every comment: what follows a `#` that stands in no key, value or text."""
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
    try:
        with (
            _locked(path.parent) as folder,
            tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file,
        ):
            try:
                os.fchmod(file.fileno(), path.stat().st_mode & 0o7777)
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
                if path.read_bytes() != entry.content:
                    raise HandCheckError(
                        f"{path}: was changed by someone else meanwhile; nothing was written: start again"
                    )
                Path(file.name).replace(path)
                os.fsync(folder)
            except BaseException:
                with suppress(OSError):
                    Path(file.name).unlink(missing_ok=True)
                raise
    except OSError as error:
        raise HandCheckError(
            f"{path}: cannot be written: {error.strerror or error}: see to the folder's rights"
        ) from error


@contextmanager
def _locked(folder: Path) -> Iterator[int]:
    """Hold a folder, so that of two entries into one ticket the second sees what the first wrote."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with suppress(OSError):  # some network file systems lock no folder
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)
