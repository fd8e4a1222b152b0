"""What stages hand to one another: small frozen dataclasses that know the setting they came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema


TICKET_CAVEAT: Final = "ticket_"
"""With this begins the name of a caveat that counts against every number of its ticket."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Setting:
    """What the lens was set to; None where it does not apply or nobody said."""

    focal_length_mm: float | None = None
    f_number: float | None = None
    focus_distance_m: float | None = None
    exposure_time_s: float | None = None
    """Part of the setting for timed roles alone."""

    def __str__(self) -> str:
        """Return the setting as it is said at the bench: `50 mm f/2.8`."""
        parts = [
            f"{self.focal_length_mm:g} mm" if self.focal_length_mm is not None else "",
            f"f/{self.f_number:g}" if self.f_number is not None else "",
            f"at {self.focus_distance_m:g} m" if self.focus_distance_m is not None else "",
            f"{self.exposure_time_s:g} s" if self.exposure_time_s is not None else "",
        ]
        return " ".join(part for part in parts if part) or "any setting"

    @property
    def sort_key(self) -> tuple[float, ...]:
        """Sorts settings by focal length, f-number, focus distance, exposure time; what is not known comes first."""
        parts = (self.focal_length_mm, self.f_number, self.focus_distance_m, self.exposure_time_s)
        return tuple(-1.0 if part is None else part for part in parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Artefact:
    """The base of everything a stage takes or gives.

    The engine fills `setting` from the item a stage ran for, and adds to `caveats` those of every input; a stage
    that finds a reason for care adds a name of its own (`single_focus`) and, for people, a sentence to `notes`. A name
    that begins with `ticket_` counts against every number of the ticket, not only against what is made from this.
    """

    bulk: ClassVar[bool] = False
    left_out_caveat: ClassVar[str] = ""
    """Caveat of what is gathered from members of this class where some could not be used and the plan's `at_least` is
    still met; empty where the others say as much without them, as repeats do."""

    setting: Setting | None = None
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    not_applicable: tuple[tuple[str, str], ...] = ()
    """Of what this stand cannot give, by its file: the field, or the beginning of several (`red`), and the reason.
    Those fields are NaN. See `NotApplicable` for a whole result."""

    @classmethod
    def find_odd(cls, members: Sequence[Self]) -> Mapping[int, str]:
        """Name the members of a repeat that do not belong with the others: index -> reason.

        The engine asks this of three or more members before it hands them to a gathering stage; an odd one counts
        as not DONE.
        """
        del members
        return {}

    def name_content(self) -> str | None:
        """Name what a shot holds by a digest of it, so that the same content is known again wherever it turns up.

        The engine asks this of what a stage makes of one shot, and keeps the answer: a shot counts once, in one
        ticket. The digest must not change with what surrounds the content, such as metadata or the stand's settings.

        Returns
        -------
        None where this kind of artefact does not say (the default); an empty text where the shot holds nothing to know
        it by, such as a dark frame of zeros: two of those are no copies of one another.
        """
        return None

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Keep a file from giving what the engine fills: where an artefact is read from YAML those are unknown keys."""
        schema = handler(source)
        described: Any = handler.resolve_ref_schema(schema)
        for entry in described["schema"]["fields"]:
            if entry["name"] in Artefact.__dataclass_fields__:
                entry["init"] = False
        return schema


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulk(Artefact):
    """An artefact too big to keep or to hand to another process; it lives only inside one shot's task."""

    bulk: ClassVar[bool] = True


REHEARSED: Final = "Glasswright rehearsal"
"""EXIF's `Software` in a frame that was rendered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What a file's EXIF says of how it was shot; None where it says nothing (0 and 0/0 count as nothing)."""

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
    """Whether the frame was rendered, by its own word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot(Artefact):
    """One raw file, as the shot index found it."""

    ticket: str
    role: str
    name: str
    """`role/file name`, below the ticket's folder; unique in a ticket."""
    path: str
    """Where the file lies now; no part of an address."""
    sha256: str
    sequence: int
    """Place among the ticket's shots of this role, by file name, from 0 (a focus series is stepped in this order)."""
    facts: CaptureFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class HandAnswer:
    """What a person found when checking one thing by hand, as `ticket.yaml` tells it."""

    check: str
    """Name of the hand check."""
    answer: str
    """`pass`, `fail` or `not_applicable`."""
    who: str = ""
    """Who signed for it; empty for nobody."""
    when: str = ""
    """ISO 8601, a day or a time."""
    note: str = ""
    earlier: tuple[HandAnswer, ...] = field(default=(), metadata={"address": False})
    """What was answered before, the first first, as far as `ticket.yaml` tells; changes nothing that is measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket(Artefact):
    """One visit of one lens to the stand, as `ticket.yaml` tells it."""

    number: str
    model: str
    serial: str
    phase: str
    """`intake`, `release`, `reference` or `study`."""
    body: str
    rehearsed: bool = False
    remarks: str = ""
    operator: str = field(default="", metadata={"address": False})
    """Who fitted the lens, where a study tells it; changes nothing that is measured."""
    fitting: str = field(default="", metadata={"address": False})
    """The fitting of a study that the ticket belongs to."""
    hand_checks: tuple[HandAnswer, ...] = ()
    """By name. They are read by the stage that takes the ticket alone, so an answer measures no shot again."""
