"""Roles of a folder's raw files, proposed from their pixels, names and EXIF."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from glasswright import CaptureFacts, Shot, Unmeasurable
from glasswright.preparing import read_facts
from glasswright_camera import ROLES
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.raw.damage import take_census
from glasswright_camera.raw.stage import measure_brightest, read_mosaic
from glasswright_camera.roles.recognise import LOOKS, NOT_DARK, recognise

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from glasswright_camera.mosaic import Mosaic
    from glasswright_camera.stand import Stand

LEFT_OUT: Final = frozenset({".xmp", ".txt", ".yaml", ".db", ".ini", ".jpg", ".jpeg", ".md", ".pdf"})
"""Endings of other files beside raw files."""
FITTING: Final = {
    "dark": ("dark",),
    "even": ("flat", "panel"),
    "patch": ("black_spot",),
    "chart": ("chart", "focus_series", "shake_off", "shake_on"),
    "ramp": ("ramp", "ramp_locked"),
}
"""Content of a frame -> the roles it can have, the most common first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RawFile:
    """One raw file with its proposed role."""

    path: Path
    facts: CaptureFacts
    role: str
    """Empty if the file fits no role."""
    why: str
    size_px: tuple[int, int] | None = None
    """Width and height."""

    @property
    def place(self) -> tuple[float | None, float | None]:
        """Focal length in mm and f-number from EXIF."""
        return self.facts.focal_length_mm, self.facts.f_number


def list_raws(folder: Path) -> list[Path]:
    """Return the files of a folder and its subfolders that may be raw files."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and not path.is_symlink()]
    return [
        path
        for path in files
        if path.suffix.lower() not in LEFT_OUT
        and path.name != "SHA256SUMS"
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    ]


def look_at_files(paths: Sequence[Path], stand: Stand) -> Iterator[RawFile]:
    """Yield a proposal for each raw file, in their order; a file that cannot be read has no role but a reason."""
    for path in paths:
        yield look_at_file(path, stand)


def look_at_file(path: Path, stand: Stand) -> RawFile:
    """Return the proposal for one raw file."""
    facts = CaptureFacts()
    try:
        facts = read_facts(path)
        shot = Shot(ticket="", role="chart", name=path.name, path=str(path), sha256="", sequence=0, facts=facts)
        mosaic, _, _ = read_mosaic(shot, stand.sensor)
        looks, why = describe_frame(mosaic, stand)
    except (OSError, Unmeasurable) as error:
        return RawFile(path=path, facts=facts, role="", why=str(error))
    height, width = mosaic.values.shape[1:]
    fitting = FITTING.get(looks, ())
    named = [role for role in find_named_roles(path) if role in fitting]
    if named:
        why += f", and its name says {named[0]}"
    role = named[0] if named else fitting[0] if fitting else ""
    return RawFile(path=path, facts=facts, role=role, why=why, size_px=(width, height))


def describe_frame(mosaic: Mosaic, stand: Stand) -> tuple[str, str]:
    """Return the content of a frame, a key of `FITTING` or empty, and a description."""
    census = take_census(mosaic.values, period=mosaic.pattern.shape[2], white_dn=mosaic.white_dn)
    if measure_brightest(census, mosaic) < NOT_DARK:
        return "dark", "no light"
    kind = recognise(mosaic).kind
    if kind in ("even", "patch"):
        return kind, LOOKS[kind]
    try:
        fit = locate_chart(mosaic, stand)
    except Unmeasurable as reason:
        found = reason
    else:
        return "chart", f"chart `{fit.chart}`, {len(fit.node)} discs"
    if stand.ramps:
        try:
            locate_ramp(mosaic, stand)
        except Unmeasurable:
            pass
        else:
            return "ramp", "the inclined board"
    return "", f"{LOOKS[kind]}, not a chart of the stand: {found}"


def find_named_roles(path: Path) -> list[str]:
    """Return the roles named in a file's folder or name, such as `flat_0001.dng` or `panel/0001.dng`."""
    texts = (path.parent.name.lower(), path.stem.lower())
    longest = sorted(ROLES, key=len, reverse=True)
    return [role for text in texts for role in longest if role in text.replace("-", "_").replace(" ", "_")]


def settle_even_fields(files: Sequence[RawFile], even: str) -> list[RawFile]:
    """Return the proposals with the role `even` for even fields whose names contain no role.

    Parameters
    ----------
    even
        `flat` or `panel`.
    """
    return [
        replace(each, role=even) if each.role in ("flat", "panel") and not find_named_roles(each.path) else each
        for each in files
    ]


def find_unsure(files: Sequence[RawFile]) -> list[str]:
    """Return notes on proposals that a person should check."""
    even = [each for each in files if each.role == "flat" and not find_named_roles(each.path)]
    notes = []
    if even and not any(each.role == "panel" for each in files):
        notes.append(
            f"{len(even)} even fields are assumed to be shots of the diffuse source (flat); if they are of a blank "
            "panel in the chart's place, give --even panel"
        )
    counts = Counter(each.place for each in files if each.role == "chart" and not find_named_roles(each.path))
    many = [place for place, count in counts.items() if count >= 5]
    if many:
        notes.append(
            "five or more chart shots at one setting: if the focus was stepped between them, put them into a folder "
            "`focus_series` first"
        )
    return notes


def group_by_role(files: Sequence[RawFile]) -> dict[str, list[RawFile]]:
    """Return the proposals by role, in the order of `ROLES`; those without come last, under the empty name."""
    groups: defaultdict[str, list[RawFile]] = defaultdict(list)
    for each in files:
        groups[each.role].append(each)
    return {role: groups[role] for role in (*ROLES, "") if role in groups}
