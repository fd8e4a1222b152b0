"""Thumbnails of a ticket's raw files with outlines of what was measured, in separate files."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.errors import LedgerDamagedError, Unmeasurable
from glasswright.plugin.artefact import CaptureFacts, Shot
from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright.reports.pages.places import FRAMES
from glasswright.reports.pages.writing import write_page

if TYPE_CHECKING:
    from pathlib import Path

    from glasswright.config.schema.plugins import Plugins
    from glasswright.ledger import Ledger, ShotRecord, TicketState
    from glasswright.ledger.records import KeptOutcome
    from glasswright.plugin.artefact import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A shot's thumbnail, or the reason why there is none."""

    shot: str
    role: str
    setting: str
    file: str
    """Relative to the folder of pages; empty if there is none."""
    described: str


def draw_frames(
    ledger: Ledger, state: TicketState, plugins: Plugins, folder: Path | None, out: Path
) -> tuple[Frame, ...]:
    """Draw every shot of a ticket whose raw file exists and is unchanged.

    Parameters
    ----------
    folder
        Folder of the ticket's raw files; None if unknown.
    out
        The folder of pages. Existing thumbnails are reused: their names are hashes of all inputs.
    """
    if folder is None or not plugins.drawings.frames:
        return ()
    return tuple(_draw_shot(ledger, state, plugins, folder, out, shot) for shot in state.record.shots)


def _draw_shot(
    ledger: Ledger, state: TicketState, plugins: Plugins, folder: Path, out: Path, shot: ShotRecord
) -> Frame:
    outcomes = [each for each in state.outcomes if each.shot == shot.name]
    setting = next((str(each.setting) for each in outcomes if each.setting), "")
    frame = {"shot": shot.name, "role": shot.role, "setting": setting}
    kind, outcome = _choose(ledger, plugins, outcomes)
    draw = plugins.drawings.frames.get(kind)
    if draw is None:
        return Frame(**frame, file="", described="no plugin can draw this shot")
    file = folder / shot.name
    try:
        raw = b"" if file.exists() and not file.is_file() else file.read_bytes()
    except OSError as error:
        return Frame(**frame, file="", described=f"the raw file can no longer be read: {error.strerror}")
    if hashlib.sha256(raw).hexdigest() != shot.sha256:
        return Frame(**frame, file="", described="the raw file is no longer the one that was measured")
    address = outcome.address if outcome else shot.sha256
    sources = hash_sources(find_imported_sources([draw.__module__], plugins.packages))
    name = hashlib.sha256(f"{shot.sha256} {address} {sources}".encode()).hexdigest()[:24]
    picture, caption = out / FRAMES / f"{name}.svg", out / FRAMES / f"{name}.txt"
    if not (picture.is_file() and caption.is_file()):
        artefact = _make_shot(state, shot, file) if outcome is None else ledger.load_artefact(outcome.address)
        try:
            drawn = draw(artefact, file)[0]
        except Unmeasurable as refusal:
            return Frame(**frame, file="", described=f"the raw file cannot be shown: {refusal}")
        except Exception as error:  # a drawing that fails must not prevent the page
            return Frame(**frame, file="", described=f"drawing it failed: {type(error).__name__}: {error}")
        write_page(picture, drawn.svg.encode())
        write_page(caption, drawn.description.encode())
    return Frame(**frame, file=f"{FRAMES}/{name}.svg", described=caption.read_text(encoding="utf-8"))


def _choose(ledger: Ledger, plugins: Plugins, outcomes: list[KeptOutcome]) -> tuple[type[Artefact], KeptOutcome | None]:
    """Return the result to draw for a shot: the first type in `frames` that it has, else the shot itself."""
    made: dict[type[Any], KeptOutcome] = {}
    for each in outcomes:
        if each.has_artefact:
            with suppress(LedgerDamagedError):  # unreadable results are reported among the figures
                made.setdefault(type(ledger.load_artefact(each.address)), each)
    for kind in plugins.drawings.frames:
        if kind in made:
            return kind, made[kind]
    return Shot, None


def _make_shot(state: TicketState, shot: ShotRecord, file: Path) -> Shot:
    return Shot(
        ticket=state.record.ticket.number,
        role=shot.role,
        name=shot.name,
        path=str(file),
        sha256=shot.sha256,
        sequence=0,
        facts=CaptureFacts(),
    )
