"""A rehearsed history of the stand: a reference lens every night, and a repeatability and reproducibility study."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Setting, Ticket
from glasswright.ledger import Ledger, RunRecord, TicketRecord
from glasswright.ledger.documents import method_document, plan_documents
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope
from glasswright_rehearsal.history.sensor import simulate_sensor
from glasswright_rehearsal.history.simulation import simulate_results
from glasswright_rehearsal.history.truth import describe_facts
from glasswright_rehearsal.history.visits import LAST_NIGHT
from glasswright_rehearsal.night.night import list_settings
from glasswright_rehearsal.scene.models import MODELS, draw_copy, set_lens

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright import Artefact
    from glasswright_rehearsal.history.truth import Facts
    from glasswright_rehearsal.history.write import PastStand
    from glasswright_rehearsal.night.night import Night
    from glasswright_rehearsal.scene.models import Copy

REFERENCE_NIGHTS: Final = 40
BASELINE_NIGHTS: Final = 25
KNOCKED_NIGHTS: Final = (33, 34)
"""From 0: the chart was knocked, and adjusted again two nights later."""
STUDY: Final = (5, 3, 2)
"""Numbers of lenses, fittings, repeats."""
STUDY_NIGHTS_AGO: Final = 12

WATCH: Final = """
# The stand is monitored by a reference lens, shot every night.
watch:
  baseline: {{from: {first}, to: {last}}}
  missing_after_nights: 3
  fields:
    measure_mtf50.green.centre.mean_cy_per_px: {{at: {{f_number: {f_number:g}}}}}   # sharpness
    locate_chart.rotation_deg: {{at: {{f_number: {f_number:g}}}}}   # pointing
    reduce_flat.median_light_frac: {{at: {{f_number: {f_number:g}}}}}   # illumination
    combine_darks.black_error_dn: {{}}   # the sensor's dark level
    measure_gain.white_count: {{at: {{f_number: {f_number:g}}}}}   # and its gain
  restarts: [{{on: {restart}, why: "the chart was adjusted"}}]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastTicket:
    """One ticket of the stand's history."""

    number: str
    phase: str
    copy: Copy
    night: date
    fitting: str = ""
    mount_seed: int = 0
    """Equal for all tickets of one fitting, which share the mounting's effects."""


def first_night() -> date:
    """Return the first night with a reference shot."""
    return LAST_NIGHT.date() - timedelta(days=REFERENCE_NIGHTS - 1)


def describe_watch(night: Night) -> str:
    """Return the section `watch` of the stand file, for the f-number of `find_watched`."""
    first = first_night()
    return WATCH.format(
        first=first,
        last=first + timedelta(days=BASELINE_NIGHTS - 1),
        restart=first + timedelta(days=KNOCKED_NIGHTS[-1] + 1),
        f_number=find_watched(night).f_number or 0.0,
    )


def find_watched(night: Night) -> Setting:
    """Return the setting at which the reference lens is shot: the middle of the night's settings."""
    settings = list_settings(night)
    focal_length_mm, f_number = settings[len(settings) // 2]
    return Setting(focal_length_mm=focal_length_mm, f_number=f_number)


def draw_stand_tickets(night: Night) -> tuple[PastTicket, ...]:
    """Return the reference and study tickets, in order of time."""
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, 40_016]))
    model = MODELS[night.model]
    reference = draw_copy(model, 9_000, generator)
    lenses, fittings, repeats = STUDY
    copies = [draw_copy(model, 9_100 + lens, generator) for lens in range(lenses)]
    tickets = [
        PastTicket(number=f"R-{place + 1:03d}", phase="reference", copy=reference, mount_seed=place,
                   night=first_night() + timedelta(days=place))
        for place in range(REFERENCE_NIGHTS)
    ]  # fmt: skip
    for lens, fitting, repeat in np.ndindex(lenses, fittings, repeats):
        tickets.append(
            PastTicket(
                number=f"S-{lens + 1}{fitting + 1}{repeat + 1}",
                phase="study",
                copy=copies[lens],
                night=LAST_NIGHT.date() - timedelta(days=STUDY_NIGHTS_AGO - fitting),
                fitting=str(fitting + 1),
                mount_seed=1_000 + lens * fittings + fitting,
            )
        )
    return tuple(sorted(tickets, key=lambda ticket: (ticket.night, ticket.number)))


def write_stand_tickets(ledger: Ledger, night: Night, stand: PastStand) -> None:
    """Write the stand's history into a ledger, one run per night."""
    tickets = draw_stand_tickets(night)
    known: dict[str, dict[Setting, Facts]] = {}
    for when in sorted({ticket.night for ticket in tickets}):
        started_at = datetime.combine(when, LAST_NIGHT.timetz()).isoformat()
        record = RunRecord(
            command="glasswright rehearse --history --stand-history",
            machine="rehearsal",
            started_at=started_at,
            versions={},
            documents=(stand.document, *plan_documents(stand.plan)),
        )
        run = ledger.begin_run(record)
        tonight = [ticket for ticket in tickets if ticket.night == when]
        for ticket in tonight:
            if ticket.copy.serial not in known:
                known[ticket.copy.serial] = _describe_copy(night, stand, ticket.copy)
            outcomes = tuple(_measure(night, stand, ticket, known[ticket.copy.serial]))
            ledger.commit_ticket(run, _record(stand, ticket, outcomes), outcomes)
        ledger.end_run(run, {"rehearsed": len(tonight)}, backup=False, at=started_at)


def _describe_copy(night: Night, stand: PastStand, copy: Copy) -> dict[Setting, Facts]:
    return {
        Setting(focal_length_mm=focal_length_mm, f_number=f_number): describe_facts(
            set_lens(copy, focal_length_mm, f_number), stand.pose, stand.layout, stand.frame, stand.zones
        )
        for focal_length_mm, f_number in list_settings(night)
    }


def _measure(night: Night, stand: PastStand, ticket: PastTicket, facts: dict[Setting, Facts]) -> Iterator[Outcome]:
    """Yield simulated outcomes: true values, plus effects of the fitting and measurement noise."""
    own = int(hashlib.sha256(ticket.number.encode()).hexdigest()[:8], 16)
    draw, mount = (
        np.random.default_rng(np.random.SeedSequence([night.seed, stream, seed])).standard_normal
        for stream, seed in ((40_017, own), (40_018, ticket.mount_seed))
    )
    is_reference = ticket.phase == "reference"
    for setting in [find_watched(night)] if is_reference else list(facts):
        simulated = simulate_results(
            facts[setting],
            setting,
            stand.layout.name,
            stand.pose.magnification_frac,
            stand.frame.height_px,
            draw,
            mount,
        )
        for step, artefact in simulated.items():
            yield _outcome(night, ticket, step, artefact, Scope.SETTING)
        if is_reference:
            knocked = (ticket.night - first_night()).days in KNOCKED_NIGHTS
            for step, artefact in simulate_sensor(setting, draw, knocked=knocked).items():
                scope = Scope.SHOT if step in ("locate_chart", "reduce_flat") else Scope.SETTING
                yield _outcome(night, ticket, step, artefact, scope)
    if is_reference:
        for step, artefact in simulate_sensor(None, draw, knocked=False).items():
            yield _outcome(night, ticket, step, artefact, Scope.TICKET)


def _outcome(night: Night, ticket: PastTicket, step: str, artefact: Artefact, scope: Scope) -> Outcome:
    setting = artefact.setting
    where = "" if setting is None else f"{setting.focal_length_mm} {setting.f_number}"
    identity = f"rehearsed stand {night.seed} {night.model} {ticket.number} {step} {where}"
    role = {"locate_chart": "chart", "reduce_flat": "flat"}.get(step, "")
    return Outcome(
        step=step,
        stage=f"rehearsal.{step}",
        item=Item(scope=scope, ticket=ticket.number, setting=setting, shot=f"{role}/0001.dng" if role else ""),
        address=hashlib.sha256(identity.encode()).hexdigest(),
        status=Status.DONE,
        artefact=artefact,
        caveats=artefact.caveats,
    )


def _record(stand: PastStand, ticket: PastTicket, outcomes: tuple[Outcome, ...]) -> TicketRecord:
    settings = {each.item.setting: None for each in outcomes if each.item.setting is not None}
    return TicketRecord(
        ticket=Ticket(
            number=ticket.number,
            model=ticket.copy.model.name,
            serial=ticket.copy.serial,
            phase=ticket.phase,
            body=stand.body,
            rehearsed=True,
            fitting=ticket.fitting,
        ),
        folder="",
        plan_sha256=stand.plan.sha256,
        method_sha256=method_document(stand.plan).sha256,
        stand=stand.name,
        stand_sha256=stand.document.sha256,
        settings=tuple(settings),
        manifest=tuple(each.address for each in outcomes),
        nights=(ticket.night.isoformat(),),
    )
