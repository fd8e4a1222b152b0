"""`ticket.yaml`: the lens on the stand, the phase of the visit, and what EXIF does not contain."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from glasswright.config.schema.names import Line, PersonName, Prose, SafeName, Sentence
from glasswright.config.schema.reading import check
from glasswright.config.schema.suggestions import did_you_mean
from glasswright.config.ticket.hand_notes import CheckName, HandNote
from glasswright.config.yaml.reading import NO_FILE, scan_yaml
from glasswright.errors import WHOLE_FILE, ConfigError, Problem
from glasswright.plugin.settings import ConfigModel
from glasswright.remote import open_locally

if TYPE_CHECKING:
    from collections.abc import Collection

    from glasswright.config.yaml.document import Place
    from glasswright.remote import AnyPath

TICKET_FILE = "ticket.yaml"

Positive = Annotated[float, Field(gt=0)]


def _check_pattern(pattern: str) -> str:
    parts = PurePosixPath(pattern).parts
    if pattern.startswith("/") or ".." in parts or "\\" in pattern:
        raise ValueError("must be a path below the ticket's folder, with `/` between parts and without `..`")
    if len(parts) != 2:
        raise ValueError("must be `role/pattern`, such as `chart/*.dng`")
    return pattern


class LensNote(ConfigModel):
    """The lens, from the ticket."""

    model: Line
    serial: Line


class BodyNote(ConfigModel):
    """The reference body, from the ticket."""

    model: Line
    serial: Line | None = None


class StudyNote(ConfigModel):
    """The fitting of the lens in a ticket of phase `study`; tickets of one lens and fitting are repeats."""

    operator: Line | None = None
    """Who fitted the lens."""
    fitting: Line | None = None
    """Name of the fitting, the same for all lenses of the study, such as `1` or `monday`; between two fittings the lens
    is taken off the stand."""

    @model_validator(mode="after")
    def _refuse_empty(self) -> Self:
        if self.operator is None and self.fitting is None:
            raise ValueError("is empty: give `fitting`, `operator` or both, or remove it")
        return self


class ShotNote(ConfigModel):
    """Settings of some of the ticket's files; they supplement or override EXIF."""

    files: Annotated[str, AfterValidator(_check_pattern)]
    """A glob pattern relative to the ticket's folder."""
    focal_length_mm: Positive | None = None
    f_number: Positive | None = None
    focus_distance_m: Positive | None = None
    exposure_time_s: Positive | None = None

    @model_validator(mode="after")
    def _refuse_empty(self) -> Self:
        if not self.model_fields_set - {"files"}:
            known = ", ".join(f"`{name}`" for name in type(self).model_fields if name != "files")
            raise ValueError(f"gives no setting for its files: give one of {known}, or remove it")
        return self


def _check_file(name: str) -> str:
    parts = PurePosixPath(name).parts
    if len(parts) != 2 or ".." in parts or name.startswith("/") or "\\" in name:
        raise ValueError("must be the name of one shot below the ticket's folder, such as `chart/0003.dng`")
    return name


class SetAsideNote(ConfigModel):
    """A shot that is not to be measured, or that was measured and is now missing, signed by a person."""

    file: Annotated[str, AfterValidator(_check_file)]
    by: PersonName
    why: Sentence


class ReplacesNote(ConfigModel):
    """The ticket that had these shots under a wrong number and must not be released."""

    ticket: SafeName
    by: PersonName
    why: Sentence


class TicketFile(ConfigModel):
    """One visit of one lens to the stand."""

    ticket: SafeName
    lens: LensNote
    phase: Literal["intake", "release", "reference", "study"]
    body: BodyNote
    rehearsed: bool = False
    notes: Prose = ""
    study: StudyNote | None = None
    shots: tuple[ShotNote, ...] = ()
    hand_checks: dict[CheckName, HandNote] = Field(default_factory=dict)
    set_aside: tuple[SetAsideNote, ...] = ()
    replaces: ReplacesNote | None = None
    shared: tuple[str, ...] = ()
    """Roles whose shots are shared with other tickets of the same night; plugins declare which roles can be shared."""

    @model_validator(mode="after")
    def _refuse_twice_set_aside(self) -> Self:
        files = [note.file for note in self.set_aside]
        twice = next((file for file in files if files.count(file) > 1), None)
        if twice:
            raise ValueError(f"`set_aside` names {twice} twice: remove one")
        if self.replaces is not None and self.replaces.ticket == self.ticket:
            raise ValueError("`replaces` names the ticket itself: give the wrong number that it had before")
        return self

    @model_validator(mode="after")
    def _refuse_idle_study(self) -> Self:
        if self.study is not None and self.phase != "study":
            raise ValueError(f"`study` is read in phase `study` only, and this is phase `{self.phase}`: correct one")
        return self


def load_ticket(folder: AnyPath, roles: Collection[str]) -> TicketFile:
    """Return the content of `ticket.yaml` in a ticket's folder.

    Parameters
    ----------
    folder
        The ticket's folder.
    roles
        Names of the roles that plugins declare; the file may name only these.

    Raises
    ------
    ConfigError
        With every mistake in the file.
    OSError
        If it is at a URL and cannot be read.
    """
    if isinstance(folder, Path):
        return _load(folder / TICKET_FILE, roles)
    remote = folder / TICKET_FILE
    try:
        with open_locally(remote) as path:
            return _load(path, roles)
    except FileNotFoundError:
        raise ConfigError([Problem(str(remote), WHOLE_FILE, NO_FILE)]) from None
    except ConfigError as error:
        raise ConfigError([replace(each, file=str(remote)) for each in error.problems]) from None


def _load(path: Path, roles: Collection[str]) -> TicketFile:
    document = scan_yaml(path)
    ticket, problems = check(document, TicketFile)
    if ticket is None:
        raise ConfigError(problems)
    named: list[tuple[Place, str]] = [
        *((("shots", n, "files"), note.files.partition("/")[0]) for n, note in enumerate(ticket.shots)),
        *((("shared", n), role) for n, role in enumerate(ticket.shared)),
    ]
    unknown = [(place, role) for place, role in named if role not in roles and not set(role) & set("*?[")]
    problems += tuple(
        document.problem(place, f"unknown role `{role}`; {did_you_mean(role, roles)}") for place, role in unknown
    )
    if problems:
        raise ConfigError(problems)
    return ticket
