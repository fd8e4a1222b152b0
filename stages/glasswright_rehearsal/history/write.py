"""Write a ledger with a rehearsed history of one lens model, to try functions that need a history."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Setting, Ticket
from glasswright.config import find_shipped, load_plan, load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.ledger import Document, Ledger, RunRecord, TicketRecord
from glasswright.ledger.documents import method_document, plan_documents
from glasswright.ledger.returned import mark_returned
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope
from glasswright.waiting import watch_progress
from glasswright_rehearsal.faults.hand import is_zoom
from glasswright_rehearsal.faults.kinds import apply_lens_fault
from glasswright_rehearsal.history.hand import simulate_hand_checks
from glasswright_rehearsal.history.simulation import (
    simulate_aperture,
    simulate_aperture_scatter,
    simulate_breathing,
    simulate_contrast,
    simulate_focus,
    simulate_locked_change,
    simulate_results,
    simulate_spots,
    simulate_stabiliser,
    simulate_transmission,
)
from glasswright_rehearsal.history.stand import describe_watch, write_stand_tickets
from glasswright_rehearsal.history.truth import describe_facts
from glasswright_rehearsal.history.visits import VISITS_A_NIGHT, draw_history
from glasswright_rehearsal.night.night import FILL_FRAC, find_frame, list_settings
from glasswright_rehearsal.night.stand_files import fit_layout, read_stand
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.layout import fill_magnification
from glasswright_rehearsal.scene.models import MODELS, set_lens

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from glasswright import Artefact
    from glasswright.config import Plan
    from glasswright_rehearsal.frames.truth import ZoneLimits
    from glasswright_rehearsal.history.visits import PastVisit
    from glasswright_rehearsal.night.night import Night
    from glasswright_rehearsal.scene.geometry import Frame
    from glasswright_rehearsal.scene.layout import Layout


REHEARSAL: Final = "the rehearsal"


@dataclass(frozen=True, slots=True, kw_only=True)
class PastStand:
    """The stand of the rehearsed history."""

    name: str
    body: str
    document: Document
    plan: Plan
    """Plan whose steps are simulated."""
    layout: Layout
    frame: Frame
    zones: ZoneLimits
    pose: Pose


def write_history(night: Night, count: int, stand_file: Path, *, with_stand: bool = False) -> Path:
    """Write `history.ledger` with `count` past tickets of the night's model, and return its path.

    Parameters
    ----------
    night
        Its model, seed, megapixels and f-numbers are used.
    count
        Number of tickets.
    stand_file
        Stand file of the history.
    with_stand
        Whether the stand's history is written too, and the section `watch` into its file.
    """
    if with_stand:
        stand_file.write_text(stand_file.read_text(encoding="utf-8") + describe_watch(night), encoding="utf-8")
    stand = _set_up_stand(night, stand_file)
    visits = draw_history(night.model, count, night.seed)
    path = night.out / "history.ledger"
    with Ledger.open_for_writing(path) as ledger:
        if with_stand:
            write_stand_tickets(ledger, night, stand)
        nights = range(0, len(visits), VISITS_A_NIGHT)
        for start in watch_progress(nights, len(nights), "writing nights"):
            _write_night(ledger, night, stand, visits[start : start + VISITS_A_NIGHT])
    return path


def _set_up_stand(night: Night, stand_file: Path) -> PastStand:
    read = load_stand(stand_file, load_plugins())
    facts = read_stand(stand_file)
    frame = find_frame(night.megapixels, facts.pitch_um)
    layout = fit_layout(read_stand(night.stand).layout, frame)
    scale = fill_magnification(layout, frame.width_px, frame.height_px, frame.pitch_um, FILL_FRAC)
    return PastStand(
        name=read.name,
        body=read.bodies[0],
        document=Document(kind="stand", name=read.name, text=read.text, sha256=read.sha256),
        plan=load_plan(find_plan(night), load_plugins()),
        layout=layout,
        frame=frame,
        zones=facts.zones,
        pose=Pose(magnification_frac=scale),
    )


def find_plan(night: Night) -> Path:
    """Return the path of the shipped plan for the night's kind of lens."""
    name = "zoom" if is_zoom(MODELS[night.model]) else "fixed_focal"
    return find_shipped("glasswright_camera", "plans", f"{name}.yaml")


def _write_night(ledger: Ledger, night: Night, stand: PastStand, visits: tuple[PastVisit, ...]) -> None:
    run = ledger.begin_run(
        RunRecord(
            command="glasswright rehearse --history",
            machine="rehearsal",
            started_at=visits[0].measured_at,
            versions={},
            documents=(stand.document, *plan_documents(stand.plan)),
        )
    )
    for visit in visits:
        outcomes = tuple(_measure(night, stand, visit))
        ledger.commit_ticket(run, _record(night, stand, visit, outcomes), outcomes)
        if visit.came_back:
            mark_returned(ledger, run, visit.number, REHEARSAL, visit.came_back)
    ledger.end_run(run, {"rehearsed": len(visits)}, backup=False, at=visits[-1].measured_at)


def _record(night: Night, stand: PastStand, visit: PastVisit, outcomes: tuple[Outcome, ...]) -> TicketRecord:
    ticket = Ticket(
        number=visit.number,
        model=visit.copy.model.name,
        serial=visit.copy.serial,
        phase="release",
        body=stand.body,
        rehearsed=True,
    )
    settings = tuple(Setting(focal_length_mm=focal, f_number=f_number) for focal, f_number in list_settings(night))
    return TicketRecord(
        ticket=ticket,
        folder="",
        plan_sha256=stand.plan.sha256,
        method_sha256=method_document(stand.plan).sha256,
        stand=stand.name,
        stand_sha256=stand.document.sha256,
        settings=settings,
        manifest=tuple(each.address for each in outcomes),
    )


def _measure(night: Night, stand: PastStand, visit: PastVisit) -> Iterator[Outcome]:
    """Yield simulated outcomes of a visit: true values with measurement noise."""
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, 40_015, int(visit.number[2:])]))
    own = np.random.default_rng(np.random.SeedSequence([night.seed, 40_019, int(visit.number[2:])])).standard_normal
    for focal_length_mm, f_number in list_settings(night):
        lens = set_lens(visit.copy, focal_length_mm, f_number)
        if visit.fault is not None:
            lens = apply_lens_fault(lens, visit.fault, visit.copy.model.f_numbers[0] / f_number)
        facts = describe_facts(lens, stand.pose, stand.layout, stand.frame, stand.zones)
        setting = Setting(focal_length_mm=focal_length_mm, f_number=f_number)
        simulated = simulate_results(
            facts,
            setting,
            stand.layout.name,
            stand.pose.magnification_frac,
            stand.frame.height_px,
            generator.standard_normal,
        )
        for step, artefact in simulated.items():
            yield _outcome(night, visit, step, artefact)
        if f_number == min(n for focal, n in list_settings(night) if focal == focal_length_mm):
            yield _outcome(night, visit, "measure_focus_offset", simulate_focus(lens, setting, stand.frame, own))
            yield _outcome(night, visit, "measure_contrast", simulate_contrast(facts, setting, own))
            yield _outcome(night, visit, "measure_transmission", simulate_transmission(lens, setting, own))
        model = visit.copy.model
        if f_number in model.locked_f_numbers:
            changed = simulate_locked_change(visit.copy, lens, setting, stand.frame, own)
            yield _outcome(night, visit, "measure_locked_change", changed)
        if f_number in model.series_f_numbers:
            yield _outcome(night, visit, "measure_breathing", simulate_breathing(lens, setting, own))
        if f_number > model.f_numbers[0]:
            yield _outcome(night, visit, "measure_aperture_scatter", simulate_aperture_scatter(setting, own))
    if visit.copy.model.has_stabiliser:
        yield _outcome(night, visit, "measure_stabiliser", simulate_stabiliser(own))
    yield _outcome(night, visit, "find_spots", simulate_spots())
    yield _outcome(night, visit, "measure_aperture", simulate_aperture(own))
    yield _outcome(night, visit, "read_hand_checks", simulate_hand_checks(visit.copy.model))


def _outcome(night: Night, visit: PastVisit, step: str, artefact: Artefact) -> Outcome:
    setting = artefact.setting
    where = "" if setting is None else f"{setting.focal_length_mm} {setting.f_number}"
    identity = f"rehearsed {night.seed} {night.model} {visit.number} {step} {where}"
    return Outcome(
        step=step,
        stage=f"rehearsal.{step}",
        item=Item(scope=Scope.TICKET if setting is None else Scope.SETTING, ticket=visit.number, setting=setting),
        address=hashlib.sha256(identity.encode()).hexdigest(),
        status=Status.DONE,
        artefact=artefact,
        caveats=artefact.caveats,
    )
