"""The tickets of a night, and those refused before a shot was opened."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.config import load_ticket
from glasswright.config.ticket.file import TICKET_FILE
from glasswright.errors import ConfigError, GlasswrightError
from glasswright.intake.folder import list_tickets
from glasswright.intake.index import TicketRequest
from glasswright.intake.shot_setting import Nominal, ShotRule
from glasswright.ledger.records import Replaces, SetAside, ShotRemarks
from glasswright.plain_text import escape, is_plain
from glasswright.plugin.artefact import HandAnswer, Ticket
from glasswright.plugin.roles import find_unshareable
from glasswright.remote import RemotePath

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.config import EarlierNote, TicketFile
    from glasswright.plugin.roles import Role
    from glasswright.remote import AnyPath


class NoTicketsError(GlasswrightError):
    """The tickets' folder is missing or contains no ticket."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedTicket:
    """A folder that is not a valid ticket, and the reason."""

    folder: str
    reason: str
    number: str = ""
    """Ticket number, if known."""


def find_tickets(
    folder: AnyPath,
    nominal: Nominal,
    roles: Mapping[str, Role],
    by_setting: frozenset[str],
) -> tuple[tuple[TicketRequest, ...], tuple[RefusedTicket, ...]]:
    """Read the ticket files in a folder; a mistake in one refuses only that ticket.

    Raises
    ------
    NoTicketsError
        If there is no ticket folder.
    """
    folders = find_folders(folder)
    requests: list[TicketRequest] = []
    refused: list[RefusedTicket] = []
    for each in folders:
        number = ""
        try:
            request = request_ticket(each, load_ticket(each, roles), nominal, roles, by_setting)
            if is_plain(each.name):
                requests.append(request)
                continue
            number = request.ticket.number
            reason = "the folder's name is not UTF-8 text that can be printed: rename it"
        except ConfigError as error:
            reason = str(error)
        except OSError as error:
            reason = escape(f"{error.filename}: {error.strerror}")
        refused.append(RefusedTicket(folder=escape(str(each)), reason=reason, number=number))
    return _refuse_twins(requests, refused)


def find_folders(folder: AnyPath) -> tuple[AnyPath, ...]:
    """Return the ticket folders in a folder, or itself if it is one.

    Raises
    ------
    NoTicketsError
        If no folder has a ticket file: then the path is probably wrong. If some have one, the others are reported as
        refused tickets.
    """
    try:
        if not folder.is_dir():
            raise NoTicketsError(f"{folder}: there is no such folder: correct --tickets")
        folders = list_tickets(folder)
    except OSError as error:
        raise NoTicketsError(f"{folder}: cannot be read ({error.strerror}): correct its permissions") from error
    if isinstance(folder, Path) and any("\udc80" <= each <= "\udcff" for each in str(folder.absolute().parent)):
        raise NoTicketsError(f"{escape(str(folder))}: the path is not UTF-8: rename the folders, or correct --tickets")
    if not any(_may_be_ticket(each) for each in folders):
        raise NoTicketsError(f"{folder}: contains no ticket folders (each with a {TICKET_FILE}): correct --tickets")
    return folders


def _may_be_ticket(folder: AnyPath) -> bool:
    """Return whether a folder has a ticket file, or cannot be entered."""
    if isinstance(folder, RemotePath):
        return (folder / TICKET_FILE).exists()
    return os.path.lexists(folder / TICKET_FILE) or not os.access(folder, os.X_OK)


def _refuse_twins(
    requests: Sequence[TicketRequest], refused: list[RefusedTicket]
) -> tuple[tuple[TicketRequest, ...], tuple[RefusedTicket, ...]]:
    """Refuse all folders that have the same ticket number: the gate's decision could concern any of them."""
    by_number: dict[str, list[TicketRequest]] = {}
    for request in requests:
        by_number.setdefault(request.ticket.number, []).append(request)
    for number, same in by_number.items():
        if len(same) > 1:
            names = ", ".join(request.folder.name for request in same)
            reason = f"ticket number {number} is in several folders ({names}): correct all but one"
            refused += [RefusedTicket(folder=escape(str(each.folder)), reason=reason, number=number) for each in same]
    kept = tuple(same[0] for same in by_number.values() if len(same) == 1)
    return kept, tuple(sorted(refused, key=lambda each: each.folder))


def request_ticket(
    folder: AnyPath,
    written: TicketFile,
    nominal: Nominal,
    roles: Mapping[str, Role],
    by_setting: frozenset[str],
) -> TicketRequest:
    """Return the input for indexing a ticket."""
    ticket = Ticket(
        number=written.ticket,
        model=written.lens.model,
        serial=written.lens.serial,
        phase=written.phase,
        body=written.body.model,
        rehearsed=written.rehearsed,
        remarks=written.notes,
        operator=(written.study.operator or "") if written.study else "",
        fitting=(written.study.fitting or "") if written.study else "",
        hand_checks=_hand_answers(written),
    )
    unshareable = find_unshareable(written.shared, roles)
    rules = tuple(ShotRule(**note.model_dump()) for note in written.shots)
    return TicketRequest(
        folder=folder,
        ticket=ticket,
        body_serial=written.body.serial,
        rules=rules,
        nominal=nominal,
        roles=roles,
        by_setting=by_setting,
        remarks=ShotRemarks(
            set_aside=tuple(SetAside(**note.model_dump()) for note in written.set_aside),
            replaces=Replaces(**written.replaces.model_dump()) if written.replaces is not None else None,
            shared_roles=tuple(sorted(set(written.shared) - set(unshareable))),
        ),
        findings=tuple(
            f"ticket.yaml: `shared` lists {role}, and {role} shots cannot be shared: remove it" for role in unshareable
        ),
    )


def _hand_answers(written: TicketFile) -> tuple[HandAnswer, ...]:
    """Return the answers sorted by name: their order in the file has no meaning."""
    return tuple(
        replace(_hand_answer(check, note), earlier=tuple(_hand_answer(check, each) for each in note.earlier))
        for check, note in sorted(written.hand_checks.items())
    )


def _hand_answer(check: str, note: EarlierNote) -> HandAnswer:
    return HandAnswer(check=check, answer=note.answer, who=note.who or "", when=note.when or "", note=note.note or "")
