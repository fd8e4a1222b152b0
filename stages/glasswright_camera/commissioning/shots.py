"""Read the shots of a step from its folder."""

from __future__ import annotations

import hashlib
from datetime import date
from typing import TYPE_CHECKING

from glasswright import Setting, Shot, Unmeasurable
from glasswright.intake.exif import read_facts
from glasswright_camera.commissioning.step_result import ShotBody

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

ENDINGS = frozenset({".yaml", ".yml", ".md", ".txt", ".json", ".xmp"})
"""Suffixes of files beside the shots that are not shots."""


def list_shots(folder: Path, role: str) -> tuple[Shot, ...]:
    """Return the shots of a folder in order of their names, with their EXIF data.

    Parameters
    ----------
    folder
        Contains only shots of one role, and notes.
    role
        Role of the shots.

    Raises
    ------
    Unmeasurable
        If there is no such folder, or no shot in it.
    """
    if not folder.is_dir():
        raise Unmeasurable(f"there is no folder {folder}: make it, and put the {role} shots into it")
    paths = [
        path
        for path in sorted(folder.iterdir())
        if path.is_file() and not path.name.startswith(".") and path.suffix.lower() not in ENDINGS
    ]
    if not paths:
        raise Unmeasurable(f"there are no shots in {folder}: put the {role} shots into it")
    return tuple(make_shot(path, role, place) for place, path in enumerate(paths))


def make_shot(path: Path, role: str, sequence: int) -> Shot:
    """Return one file as a shot."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    facts = read_facts(path)
    return Shot(
        ticket="",
        role=role,
        name=f"{role}/{path.name}",
        path=str(path),
        sha256=digest,
        sequence=sequence,
        facts=facts,
        setting=Setting(focal_length_mm=facts.focal_length_mm, f_number=facts.f_number),
    )


def refuse_copies(shots: Sequence[Shot]) -> None:
    """Refuse copies of a shot: their noise is not independent.

    Raises
    ------
    Unmeasurable
        If two files are equal; names both.
    """
    first: dict[str, Shot] = {}
    for shot in shots:
        other = first.setdefault(shot.sha256, shot)
        if other is not shot:
            raise Unmeasurable(f"{shot.path} is a copy of {other.path}: take one of them away, and shoot again")


def find_body(shots: Sequence[Shot]) -> ShotBody | None:
    """Return the body of all shots; None if no file names it.

    Raises
    ------
    Unmeasurable
        If the shots are from several bodies.
    """
    bodies = {(shot.facts.body_model, shot.facts.body_serial) for shot in shots}
    if len(bodies) > 1:
        names = ", ".join(sorted(f"{model} {serial or ''}".strip() for model, serial in bodies))
        raise Unmeasurable(f"the shots are from several bodies ({names}): shoot all of a step with one")
    ((model, serial),) = bodies
    return None if model is None else ShotBody(model=model, serial=serial)


def is_rehearsed(shots: Iterable[Shot]) -> bool:
    """Return whether any shot was rendered, not taken."""
    return any(shot.facts.rehearsed for shot in shots)


def find_day(shots: Iterable[Shot], today: date) -> date:
    """Return the last day on which shots were taken; today if no file has a date."""
    days = [day for shot in shots if (day := _read_day(shot.facts.captured_at or "")) is not None]
    return max(days, default=today)


def _read_day(captured_at: str) -> date | None:
    """Return the day of an EXIF date such as `2026:03:02 21:00:00`; None if it is not one."""
    try:
        return date.fromisoformat(captured_at[:10].replace(":", "-"))
    except ValueError:
        return None
