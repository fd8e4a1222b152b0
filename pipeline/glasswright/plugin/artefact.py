"""Artefacts: the frozen dataclasses that stages hand to one another, each with the setting it came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema


TICKET_CAVEAT: Final = "ticket_"
"""Prefix of a caveat that counts against every number of its ticket."""

LONGEST_FRACTION_S: Final = 0.28
"""Exposure times below this are written as a fraction of a second; dials of bodies show 1/4 s, then 0.3 s."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Setting:
    """The settings of the lens; None where one does not apply or is unknown."""

    focal_length_mm: float | None = None
    f_number: float | None = None
    focus_distance_m: float | None = None
    exposure_time_s: float | None = None
    """Only for roles where the exposure time is part of the setting."""

    def __str__(self) -> str:
        """Return the setting as text: `50 mm f/2.8`; a short exposure time as on a body's dial: `1/60 s`."""
        parts = [
            f"{self.focal_length_mm:g} mm" if self.focal_length_mm is not None else "",
            f"f/{self.f_number:g}" if self.f_number is not None else "",
            f"at {self.focus_distance_m:g} m" if self.focus_distance_m is not None else "",
            _format_exposure(self.exposure_time_s) if self.exposure_time_s is not None else "",
        ]
        return " ".join(part for part in parts if part) or "any setting"

    @property
    def sort_key(self) -> tuple[float, ...]:
        """Sort key: focal length, f-number, focus distance, exposure time; unknown ones first."""
        parts = (self.focal_length_mm, self.f_number, self.focus_distance_m, self.exposure_time_s)
        return tuple(-1.0 if part is None else part for part in parts)


def _format_exposure(time_s: float) -> str:
    return f"1/{1 / time_s:.4g} s" if 0 < time_s < LONGEST_FRACTION_S else f"{time_s:.4g} s"


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """Base class of everything a stage takes or returns.

    The engine fills `setting` from the item a stage ran for, and adds the caveats of all inputs to `caveats`. A stage
    that finds a reason for care adds a caveat (`single_focus`) and a sentence for people to `notes`. A caveat that
    begins with `ticket_` counts against every number of the ticket, not only those derived from this artefact.
    """

    bulk: ClassVar[bool] = False
    needs_exposure_time: ClassVar[bool] = False
    """Whether a result of this class is of no use for a shot whose exposure time is unknown."""
    left_out_caveat: ClassVar[str] = ""
    """Caveat of a gathered result when some members of this class could not be used and the plan's `at_least` is still
    met; empty where missing members do not matter, as with repeats."""

    setting: Setting | None = None
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    not_applicable: tuple[tuple[str, str], ...] = ()
    """Of what this stand cannot give, by its file: the field, or the beginning of several (`red`), and the reason.
    Those fields are NaN. See `NotApplicable` for a whole result."""

    @classmethod
    def find_outliers(cls, members: Sequence[Self]) -> Mapping[int, str]:
        """Return the outliers among repeats: index -> reason.

        The engine calls this with three or more members before it hands them to a gathering stage; an outlier counts as
        not DONE.
        """
        del members
        return {}

    def name_content(self) -> str | None:
        """Return a digest of a shot's content, by which a copy of the shot is recognised in any ticket.

        The engine calls this for artefacts made from one shot and keeps the digest: a shot counts once, in one ticket.
        The digest must not depend on metadata or on the stand's settings.

        Returns
        -------
        None if this kind of artefact has no digest (the default). An empty text if the content cannot
        identify the shot: two dark frames of zeros are not copies of one another.
        """
        return None

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Exclude the fields that the engine fills from what YAML may set: there they are unknown keys."""
        schema = handler(source)
        described: Any = handler.resolve_ref_schema(schema)
        for entry in described["schema"]["fields"]:
            if entry["name"] in Artefact.__dataclass_fields__:
                entry["init"] = False
        return schema


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulk(Artefact):
    """An artefact too big to keep or to send to another process; it exists only inside one shot's task."""

    bulk: ClassVar[bool] = True


REHEARSED: Final = "Glasswright rehearsal"
"""EXIF tag `Software` of a rendered frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """A file's EXIF data; None where a tag is missing (0 and 0/0 count as missing).

    The exposure time is that of `ticket.yaml` if it gives one.
    """

    body_model: str | None = None
    body_serial: str | None = None
    lens_model: str | None = None
    lens_serial: str | None = None
    focal_length_mm: float | None = None
    f_number: float | None = None
    exposure_time_s: float | None = None
    iso: float | None = None
    captured_at: str | None = None
    rehearsed: bool = False
    """Whether the file says that it was rendered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot(Artefact):
    """One raw file as the shot index found it."""

    ticket: str
    role: str
    name: str
    """`role/file name`, below the ticket's folder; unique in a ticket."""
    path: str
    """Where the file is now; not part of an address."""
    sha256: str
    sequence: int
    """Place among the ticket's shots of this role, by file name, from 0 (a focus series is stepped in this order)."""
    facts: CaptureFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class HandAnswer:
    """A person's answer to one hand check, from `ticket.yaml`."""

    check: str
    """Name of the hand check."""
    answer: str
    """`pass`, `fail` or `not_applicable`."""
    who: str = ""
    """Who signed it; empty if nobody did."""
    when: str = ""
    """ISO 8601 date or time."""
    note: str = ""
    earlier: tuple[HandAnswer, ...] = field(default=(), metadata={"address": False})
    """Earlier answers in `ticket.yaml`, oldest first; they do not affect measurements."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket(Artefact):
    """One visit of one lens to the stand, from `ticket.yaml`."""

    number: str
    model: str
    serial: str
    phase: str
    """`intake`, `release`, `reference` or `study`."""
    body: str
    rehearsed: bool = False
    remarks: str = ""
    operator: str = field(default="", metadata={"address": False})
    """Who fitted the lens, in a study; does not affect measurements."""
    fitting: str = field(default="", metadata={"address": False})
    """The fitting of the study that the ticket belongs to."""
    hand_checks: tuple[HandAnswer, ...] = ()
    """Sorted by name. Only a stage that takes the ticket alone reads them, so a new answer re-measures no shot."""
