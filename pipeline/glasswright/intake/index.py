"""The index of a ticket's folder: its shots, their settings, and findings about them."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final

from glasswright.config.ticket.file import TICKET_FILE
from glasswright.intake.checksums import FILE_NAME, hash_file, read_checksums, stamp_of
from glasswright.intake.exif import read_facts
from glasswright.intake.folder import PREVIEWS, SIDECARS, list_shots
from glasswright.intake.identity import find_contradictions
from glasswright.intake.shot_setting import Nominal, ShotRule, ShotSetting, describe_missing, settle
from glasswright.ledger.records import ShotRemarks
from glasswright.plain_text import escape, escape_name, fold_name, is_plain
from glasswright.plugin.artefact import CaptureFacts, Shot, Ticket
from glasswright.remote import RemotePath, open_locally

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from glasswright.intake.checksums import Checksums
    from glasswright.ledger.records import SetAside
    from glasswright.plugin.roles import Role
    from glasswright.remote import AnyPath

IDENTITY_CONTRADICTION: Final = "identity_contradiction"
UNVERIFIED_COPY: Final = "unverified_copy"
LARGEST_SHOT_BYTES: Final = 4 * 2**30
"""Largest file that is read: 400 megapixels with three 16 bit channels are 2.4 GB, and a sparse file could take
hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketRequest:
    """Input for indexing a ticket: plain data, so that any process can do it."""

    folder: AnyPath
    ticket: Ticket
    body_serial: str | None
    rules: tuple[ShotRule, ...]
    nominal: Nominal
    roles: Mapping[str, Role]
    """Roles that plugins declare."""
    by_setting: frozenset[str]
    """Roles whose shots must have a setting."""
    remarks: ShotRemarks = field(default_factory=ShotRemarks)
    findings: tuple[str, ...] = ()
    """Findings about the ticket's file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexedShot:
    """A shot, and the reason if it cannot be used."""

    shot: Shot
    refusal: str = ""
    stamp: tuple[int, int] | None = None
    """Size in bytes and modification time in nanoseconds, before the file was read; None for a URL."""
    absent: bool = False
    """Listed among the checksums, but its file is missing."""
    rejected: bool = False
    """Its file differs from the listed checksum."""
    unsettled: bool = False
    """Its role has a setting, of which a part is unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexedTicket:
    """One ticket with all its shots, sorted by name."""

    ticket: Ticket
    folder: str
    shots: tuple[IndexedShot, ...]
    findings: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    """Files and folders that may contain shots and were not used."""
    remarks: ShotRemarks = field(default_factory=ShotRemarks)
    lens_serials: tuple[int, int] = (0, 0)
    """As in `TicketRecord.lens_serials`."""
    body_serials: tuple[str, ...] = ()
    """As in `TicketRecord.body_serials`."""


def index_ticket(request: TicketRequest) -> IndexedTicket:
    """Read every shot of a ticket once: its digest, its EXIF, its setting.

    Contradictions between EXIF and the ticket or between SHA256SUMS and the files, and unused files in the folder,
    become findings, and caveats of the shots.
    """
    listing = list_shots(request.folder, request.roles)
    checksums = read_checksums(request.folder)
    there = {f"{role}/{escape_name(path.name)}": path for role, path in listing.files}
    aside = {each.file: each for each in request.remarks.set_aside}
    names = {name: path for name, path in there.items() if name not in aside}
    absent = [name for name in find_absent(checksums, names, request.roles) if name not in aside]
    drafts = [_draft(request, name, path, checksums) for name, path in names.items()]
    drafts += [_draft_absent(request, name, checksums) for name in absent]
    drafts = _refuse_copies(_refuse_alike(sorted(drafts, key=lambda draft: draft.shot.name)))
    identity = find_contradictions(request.ticket, request.body_serial, [draft.shot for draft in drafts])
    settled, setting_findings = _settle_all(drafts, request)
    shots = _number(_add_caveat(settled, IDENTITY_CONTRADICTION) if identity else settled)
    findings = (
        *request.findings,
        *(_describe_set_aside(each, name in there) for name, each in sorted(aside.items())),
        *identity,
        *setting_findings,
        *_unmatched(request.rules, [*names, *absent, *aside]),
        *listing.findings,
        *checksums.findings,
        *_checksum_findings(request, checksums, names, [*absent, *aside]),
        *(f"{each.shot.name}: {each.refusal}" for each in shots if each.refusal),
        *(() if names or absent or aside else ("the ticket holds no shots",)),
    )
    return IndexedTicket(
        ticket=_finish_ticket(request.ticket, checksums, identity, drafts),
        folder=escape(str(request.folder)),
        shots=tuple(shots),
        findings=findings,
        unused=listing.unused,
        remarks=request.remarks,
        lens_serials=_count_serials(drafts, request.roles),
        body_serials=_list_bodies(drafts, request.body_serial),
    )


def index_shots(request: TicketRequest, names: Collection[str]) -> IndexedTicket:
    """Read some of a ticket's shots, as `index_ticket` reads all; what other files say of them is left out.

    Parameters
    ----------
    names
        Of the shots, `role/file`; one that is not there is passed over.
    """
    checksums = read_checksums(request.folder)
    there = {f"{role}/{escape_name(path.name)}": path for role, path in list_shots(request.folder, request.roles).files}
    drafts = [_draft(request, name, path, checksums) for name, path in sorted(there.items()) if name in names]
    identity = find_contradictions(request.ticket, request.body_serial, [draft.shot for draft in drafts])
    settled, _ = _settle_all(drafts, request)
    return IndexedTicket(
        ticket=_finish_ticket(request.ticket, checksums, identity, drafts),
        folder=escape(str(request.folder)),
        shots=tuple(_number(settled)),
        findings=tuple(identity),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """Facts about a ticket's shots from EXIF alone."""

    unsettled: tuple[str, ...]
    """Shots that will not be used because their setting is unknown."""
    contradictions: tuple[str, ...]
    """Contradictions between EXIF and the ticket."""
    shots: tuple[Shot, ...] = ()
    """Usable shots, with their settings."""
    unused: tuple[str, ...] = ()
    """Files and folders that may contain shots and are not used."""
    is_other_lens: bool = False
    """Whether EXIF names another lens or body than the ticket."""
    has_checksums: bool = False
    unlisted: int = 0
    """Shots that SHA256SUMS does not list."""
    lens_serials: tuple[int, int] = (0, 0)
    """As in `TicketRecord.lens_serials`."""


def survey_ticket(request: TicketRequest) -> Survey:
    """Read only the EXIF of a ticket's shots."""
    listing, checksums = list_shots(request.folder, request.roles), read_checksums(request.folder)
    shots = []
    for role, path in listing.files:
        with open_locally(path) as local:
            shots.append(_shot(request, f"{role}/{escape_name(path.name)}", "", read_facts(local)))
    aside = {each.file for each in request.remarks.set_aside}
    shots = [shot for shot in shots if shot.name not in aside]
    missing: dict[tuple[str, ...], list[str]] = {}
    identity = find_contradictions(request.ticket, request.body_serial, shots)
    contradictions, usable = [*identity], []
    for shot in shots:
        found = settle(shot.name, request.roles[shot.role], shot.facts, request.rules, request.nominal)
        contradictions += found.findings
        if found.missing and shot.role in request.by_setting:
            missing.setdefault(found.missing, []).append(shot.name)
        else:
            usable.append(_settle_shot(shot, found))
    unsettled = [
        f"{names[0]}{f' and {len(names) - 1} more' if len(names) > 1 else ''}: {describe_missing(what)}"
        for what, names in missing.items()
    ]
    return Survey(
        unsettled=tuple(unsettled),
        contradictions=tuple(contradictions),
        shots=tuple(usable),
        unused=listing.unused,
        is_other_lens=bool(identity),
        has_checksums=checksums.present,
        unlisted=sum(shot.name not in checksums.by_name for shot in shots),
        lens_serials=_count_serials([IndexedShot(shot=shot) for shot in shots], request.roles),
    )


def _describe_set_aside(each: SetAside, is_there: bool) -> str:
    what = "not measured" if is_there else "its file is not there"
    return f"{each.file} is set aside by {each.by} ({each.why}): {what}"


def _count_serials(drafts: Sequence[IndexedShot], roles: Mapping[str, Role]) -> tuple[int, int]:
    """Return the number of files with the lens's serial number, and of those that could have it: taken through the
    lens."""
    through = [each.shot for each in drafts if not each.absent and roles[each.shot.role].through_lens]
    return sum(shot.facts.lens_serial is not None for shot in through), len(through)


def _list_bodies(drafts: Sequence[IndexedShot], declared: str | None) -> tuple[str, ...]:
    """Return the body's serial numbers in EXIF, and the declared one unless EXIF has it in another spelling."""
    found = {serial for each in drafts if (serial := each.shot.facts.body_serial)}
    if declared and fold_name(declared) not in map(fold_name, found):
        found.add(declared)
    return tuple(sorted(found))


def _draft(request: TicketRequest, name: str, path: AnyPath, checksums: Checksums) -> IndexedShot:
    """Read one file; its setting and sequence number are filled in later."""
    listed = checksums.by_name.get(name)
    if not is_plain(path.name):
        refusal = "its name is not UTF-8 text that can be printed and written to a list: rename it"
        return IndexedShot(shot=_shot(request, name, "", CaptureFacts()), refusal=refusal)
    try:
        stamp = None if isinstance(path, RemotePath) else stamp_of(path)
        size = path.size or 0 if isinstance(path, RemotePath) else path.stat().st_size
        if size > LARGEST_SHOT_BYTES:
            refusal = f"has {size} bytes, more than any raw file: copy it again"
            return IndexedShot(shot=_shot(request, name, "", CaptureFacts()), refusal=refusal)
        with open_locally(path) as local:
            sha256, facts = hash_file(local), read_facts(local)
    except OSError as error:
        refusal = f"cannot be read ({error.strerror or error}): copy it again"
        return IndexedShot(shot=_shot(request, name, "", CaptureFacts()), refusal=refusal)
    shot = _shot(request, name, sha256, facts)
    if listed is None:
        return IndexedShot(shot=replace(shot, caveats=(UNVERIFIED_COPY,)), stamp=stamp)
    if listed != sha256:
        refusal = f"{FILE_NAME} says {listed[:12]}..., the file has {sha256[:12]}...: copy it again"
        return IndexedShot(shot=shot, refusal=refusal, rejected=True)
    return IndexedShot(shot=shot, stamp=stamp)


def _draft_absent(request: TicketRequest, name: str, checksums: Checksums) -> IndexedShot:
    refusal = f"listed in {FILE_NAME}, but the file is not there: copy it again"
    return IndexedShot(shot=_shot(request, name, checksums.by_name[name], CaptureFacts()), refusal=refusal, absent=True)


def _shot(request: TicketRequest, name: str, sha256: str, facts: CaptureFacts) -> Shot:
    return Shot(
        ticket=request.ticket.number,
        role=name.partition("/")[0],
        name=name,
        path=str(request.folder / name),
        sha256=sha256,
        sequence=0,
        facts=facts,
    )


def find_absent(checksums: Checksums, names: Iterable[str], roles: Collection[str]) -> list[str]:
    """Return the shots that are listed in the checksums and missing from the folder."""
    present = set(names)
    stems = {name.rpartition(".")[0] for name in present}
    absent = []
    for name in checksums.by_name:
        role, _, file = name.partition("/")
        suffix = "." + file.rpartition(".")[2].lower()
        preview = suffix in PREVIEWS and name.rpartition(".")[0] in stems
        if role in roles and file and "/" not in file and suffix not in SIDECARS and not preview:
            absent += [] if name in present or file.startswith(".") else [name]
    return absent


def _refuse_alike(drafts: Sequence[IndexedShot]) -> list[IndexedShot]:
    """Refuse shots whose names look the same: a list or a person could mean either."""
    alike: defaultdict[str, list[str]] = defaultdict(list)
    for draft in drafts:
        alike[unicodedata.normalize("NFC", draft.shot.name)].append(draft.shot.name)
    kept = []
    for draft in drafts:
        same = alike[unicodedata.normalize("NFC", draft.shot.name)]
        if len(same) > 1 and not draft.refusal:
            spelt = " and ".join(ascii(name) for name in same)
            reason = f"the names {spelt} differ only in how their letters are composed: rename all but one"
            kept.append(replace(draft, refusal=reason))
        else:
            kept.append(draft)
    return kept


def _refuse_copies(drafts: Sequence[IndexedShot]) -> list[IndexedShot]:
    """Refuse a shot that is a copy of another of its role: it would count as a repeat without scatter."""
    first: dict[tuple[str, str], str] = {}
    kept = []
    for draft in drafts:
        shot = draft.shot
        original = first.setdefault((shot.role, shot.sha256), shot.name) if shot.sha256 else shot.name
        if original != shot.name and not draft.refusal:
            reason = f"is a copy of {original} (same SHA-256), and a copy is not a repeat: remove it or shoot again"
            kept.append(replace(draft, refusal=reason))
        else:
            kept.append(draft)
    return kept


def _settle_all(drafts: Sequence[IndexedShot], request: TicketRequest) -> tuple[list[IndexedShot], list[str]]:
    settled: list[IndexedShot] = []
    findings: list[str] = []
    unconfirmed: list[str] = []
    for draft in drafts:
        found = settle(
            draft.shot.name, request.roles[draft.shot.role], draft.shot.facts, request.rules, request.nominal
        )
        findings += [] if draft.refusal and not draft.shot.facts.f_number else found.findings
        unconfirmed += [draft.shot.name] if found.unconfirmed and not draft.refusal else []
        refusal = draft.refusal
        if found.missing and not refusal:
            missing = describe_missing(found.missing)
            if draft.shot.role in request.by_setting:
                refusal = missing
            elif request.nominal != Nominal():
                findings.append(f"{draft.shot.name}: {missing}")
        caveats = tuple(sorted({*draft.shot.caveats, *found.caveats}))
        shot = replace(_settle_shot(draft.shot, found), caveats=caveats)
        settled.append(replace(draft, shot=shot, refusal=refusal, unsettled=bool(found.missing)))
    if unconfirmed:
        whose = f"{unconfirmed[0]} and {len(unconfirmed) - 1} more" if len(unconfirmed) > 1 else unconfirmed[0]
        findings.append(f"f-number from ticket.yaml alone, EXIF has none: {whose}")
    return settled, findings


def _settle_shot(shot: Shot, found: ShotSetting) -> Shot:
    """Return a shot with its setting and exposure time."""
    return replace(shot, setting=found.setting, facts=replace(shot.facts, exposure_time_s=found.exposure_time_s))


def _add_caveat(drafts: Iterable[IndexedShot], caveat: str) -> list[IndexedShot]:
    return [
        replace(draft, shot=replace(draft.shot, caveats=tuple(sorted({*draft.shot.caveats, caveat}))))
        for draft in drafts
    ]


def _number(drafts: Iterable[IndexedShot]) -> list[IndexedShot]:
    """Number the shots of each role from 0, by file name."""
    counts: defaultdict[str, int] = defaultdict(int)
    numbered = []
    for draft in drafts:
        numbered.append(replace(draft, shot=replace(draft.shot, sequence=counts[draft.shot.role])))
        counts[draft.shot.role] += 1
    return numbered


def _unmatched(rules: Sequence[ShotRule], names: Sequence[str]) -> list[str]:
    return [
        f"ticket.yaml: no shot matches {rule.files!r} under `shots`"
        for rule in rules
        if not any(fnmatchcase(name, rule.files) for name in names)
    ]


def _checksum_findings(
    request: TicketRequest, checksums: Checksums, names: Iterable[str], absent: Sequence[str]
) -> list[str]:
    """Return findings: files missing from SHA256SUMS, and listed files other than shots that are missing or differ."""
    if not checksums.present:
        return []
    findings = [f"{name} is not in {FILE_NAME}" for name in names if name not in checksums.by_name]
    known = {*names, *absent}
    for name, listed in checksums.by_name.items():
        path = request.folder / name
        if name in known:
            continue
        if not path.is_file():
            findings.append(f"{name} is listed in {FILE_NAME}, but is missing")
        elif name == TICKET_FILE and hash_file(path) != listed:
            findings.append(f"{TICKET_FILE} has changed since {FILE_NAME} was written")
    return findings


def _finish_ticket(
    ticket: Ticket, checksums: Checksums, identity: Sequence[str], drafts: Iterable[IndexedShot]
) -> Ticket:
    rehearsed = ticket.rehearsed or any(draft.shot.facts.rehearsed for draft in drafts)
    notes = () if checksums.present else (f"no {FILE_NAME}: the copies cannot be verified",)
    caveats = (IDENTITY_CONTRADICTION,) if identity else ()
    return replace(ticket, rehearsed=rehearsed, caveats=caveats, notes=notes)
