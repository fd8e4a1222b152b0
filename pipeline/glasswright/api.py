"""Glasswright from Python: measure a frame or a ticket's folder, read a ledger as tables, draw a result.

`import glasswright` has all of it: `glasswright.measure(...)`, `glasswright.open_ledger(...)`.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import yaml

from glasswright.config import find_shipped, load_plan, load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.config.ticket.file import TICKET_FILE
from glasswright.errors import GlasswrightError
from glasswright.judging.cards import load_cards
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger import Ledger
from glasswright.plugin.outcome import Status
from glasswright.reports.tables.arrow import Table
from glasswright.reports.tables.tables import (
    MEASUREMENT_COLUMNS,
    VERDICT_COLUMNS,
    list_measurements,
    list_verdicts,
)
from glasswright.run.session import Session, hold_session
from glasswright.run.workers.runners import SerialRunner

if TYPE_CHECKING:
    from glasswright.config.schema.plugins import Plugins
    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.drawing import Picture

ALONE = "SINGLE"
"""Ticket number under which a single frame is measured."""


class MeasureError(GlasswrightError):
    """The file or folder cannot be measured."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The results of measuring a frame or a ticket."""

    results: tuple[tuple[str, Artefact], ...]
    """(step, result), in the order of the plan; one for each shot or setting of a step."""
    refusals: tuple[tuple[str, str], ...]
    """(step, reason) of each measurement that failed."""
    table: Table
    """One number a row; supports the Arrow PyCapsule interface."""
    verdict: str
    """Verdict by the card; empty if no cards were given."""

    def get(self, step: str) -> tuple[Artefact, ...]:
        """Return the results of one step, such as `measure_mtf50`: frozen dataclasses."""
        return tuple(artefact for name, artefact in self.results if name == step)

    def draw(self, step: str) -> tuple[Picture, ...]:
        """Draw the results of one step: SVG with title and description; `save_picture` writes one to a file."""
        drawings, found = load_plugins().drawings, self.get(step)
        pictures: list[Picture] = []
        for kind in {type(each) for each in found}:
            of_kind = tuple(each for each in found if type(each) is kind)
            if kind in drawings.series:
                pictures += drawings.series[kind](of_kind)
            if kind in drawings.one:
                pictures += [picture for each in of_kind for picture in drawings.one[kind](each)]
        return tuple(pictures)


class OpenLedger:
    """A ledger opened for reading; use it in a `with` statement, or close it."""

    def __init__(self, path: Path) -> None:
        """Open a ledger for reading."""
        self._ledger = Ledger.open_for_reading(path)

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close the ledger."""
        self.close()

    def close(self) -> None:
        """Close the ledger."""
        self._ledger.__exit__(None, None, None)

    def measurements(self, *tickets: str) -> Table:
        """Return the current measurements of tickets (all if none is named), one value a row."""
        judged = Gatekeeper(self._ledger).gate_all(tickets or None, measures=None)
        return Table(MEASUREMENT_COLUMNS, [row for each in judged for row in list_measurements(each)])

    def verdicts(self, *tickets: str) -> Table:
        """Return the gate's decisions and all verdicts of tickets (all if none is named), one a row."""
        judged = Gatekeeper(self._ledger).gate_all(tickets or None)
        return Table(VERDICT_COLUMNS, [row for each in judged for row in list_verdicts(each)])


def open_ledger(path: str | os.PathLike[str]) -> OpenLedger:
    """Open a ledger for reading.

    Parameters
    ----------
    path
        The ledger's file.

    Raises
    ------
    LedgerDamagedError
        If it is missing, newer than this program or damaged.
    """
    return OpenLedger(Path(path))


def measure(
    path: str | os.PathLike[str],
    *,
    stand: str | os.PathLike[str],
    plan: str | os.PathLike[str] | None = None,
    cards: str | os.PathLike[str] | None = None,
    role: str = "chart",
) -> Measured:
    """Measure one frame or one ticket's folder in this process; nothing is kept on disk.

    Parameters
    ----------
    path
        A raw file, or a folder with `ticket.yaml` and a folder of raw files for each role.
    stand
        The stand file.
    plan
        The plan; the shipped one for fixed focal lengths if not given.
    cards
        Folder of cards; if given, the results are also judged.
    role
        Role of a single frame.

    Raises
    ------
    GlasswrightError
        If a file has mistakes, or there is nothing to measure.
    """
    source = Path(path)
    plugins = load_plugins()
    plan_file = Path(plan) if plan is not None else find_shipped("glasswright_camera", "plans", "fixed_focal.yaml")
    with tempfile.TemporaryDirectory(prefix="glasswright-") as made:
        folder = source if source.is_dir() else _make_ticket(Path(made), source, role, Path(stand), plugins)
        with Ledger.open_for_writing(Path(made) / "one.ledger") as ledger:
            session = Session(
                plan=load_plan(plan_file, plugins),
                stand=load_stand(Path(stand), plugins),
                cards=load_cards(Path(cards), plugins) if cards is not None else None,
                packages=plugins.packages,
                ledger=ledger,
                roles=plugins.roles,
            )
            held = hold_session(session, folder, SerialRunner(), quiet=True)
            if held.refused:
                raise MeasureError(f"{held.refused[0].folder}: {held.refused[0].reason}")
            ledger.end_run(held.run, {}, backup=False)
            (report,) = held.night.tickets
            order = {step.name: number for number, step in enumerate(session.plan.steps)}
            (judged,) = Gatekeeper(ledger).gate_all([report.number], measures=None)
            outcomes = sorted(judged.state.outcomes, key=lambda each: (order.get(each.step, 0), each.shot))
            return Measured(
                results=tuple(
                    (each.step, ledger.load_artefact(each.address)) for each in outcomes if each.has_artefact
                ),
                refusals=tuple((each.step, each.reason) for each in outcomes if each.status is not Status.DONE),
                table=Table(MEASUREMENT_COLUMNS, list(list_measurements(judged))),
                verdict=report.verdict,
            )


def _make_ticket(into: Path, frame: Path, role: str, stand: Path, plugins: Plugins) -> Path:
    """Make a ticket's folder for a single frame."""
    if not frame.is_file():
        raise MeasureError(f"{frame}: there is no such file or folder")
    folder = into / ALONE
    (folder / role).mkdir(parents=True)
    try:
        os.link(frame, folder / role / frame.name)
    except OSError:
        shutil.copyfile(frame, folder / role / frame.name)
    body = load_stand(stand, plugins).bodies[0]
    data: dict[str, Any] = {
        "ticket": ALONE,
        "lens": {"model": "a lens", "serial": "0"},
        "phase": "study",
        "body": {"model": body},
    }
    (folder / TICKET_FILE).write_text(yaml.safe_dump(data), encoding="utf-8")
    return folder


def save_picture(picture: Picture, path: str | os.PathLike[str]) -> Path:
    """Write a drawing as a self-contained SVG file, with the colours of the pages."""
    from importlib import resources

    css = resources.files("glasswright.reports.pages").joinpath("assets/pages.css").read_text(encoding="utf-8")
    head, mark, rest = picture.svg.partition(">")
    if 'xmlns="' not in head:
        head = head.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
    target = Path(path)
    target.write_text(f"{head}{mark}<style>{css}</style>{rest}", encoding="utf-8")
    return target
