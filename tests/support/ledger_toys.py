"""Small tickets, outcomes and cards for tests of the ledger and of judging."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from dataclasses import dataclass, field

import numpy as np

from glasswright import Artefact, Setting, Ticket
from glasswright.config import StandConstant, check, scan_yaml
from glasswright.config.plan.method import MeasuredMethod, method_text
from glasswright.judging.card import Card
from glasswright.judging.cards import CardFile
from glasswright.judging.judge import judge_ticket
from glasswright.ledger import Document, Ledger, RunRecord, ShotRecord, TicketRecord, TicketState
from glasswright.ledger.decisions import PersonsDecision, ReviewBasis
from glasswright.ledger.inspected import Finding, add_inspected
from glasswright.ledger.records import KeptOutcome
from glasswright.ledger.restored import accept_restored
from glasswright.ledger.returned import mark_returned
from glasswright.ledger.stand_adoptions import adopt_stand
from glasswright.plugin.measurements import Measured
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.stage import Scope

MODEL = "Corvane 50 mm f/2"
F2, F4, F8 = (Setting(focal_length_mm=50.0, f_number=number) for number in (2.0, 4.0, 8.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone(Artefact):
    sharp_cy_per_px: float
    sharp_cy_per_px_u: float | None = 0.006
    count: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness(Artefact):
    centre: Zone
    chart: str = "lattice_13x9"
    magnification_frac: float = 0.02
    curve: np.ndarray = field(default_factory=lambda: np.linspace(0, 1, 5))


@dataclass(frozen=True, slots=True, kw_only=True)
class Falloff(Artefact):
    corner_loss_ev: float
    corner_loss_ev_u: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class ToySpread:
    u: float | None = None
    relative_u: float | None = None
    freedom: float | None = math.inf
    with_repeats: bool = False


STAND_TEXT = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility: {"*.*": {u: 1.0e-9, freedom: 1000, with_repeats: true, origin: "a toy"}}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToyStand:
    name: str = "north-bench"
    bodies: tuple[str, ...] = ("Ostrel D7",)
    reproducibility: dict[str, ToySpread] = field(default_factory=lambda: {"*": ToySpread(u=1e-9)})
    repeatability: dict[str, ToySpread] = field(default_factory=lambda: {"*": ToySpread(u=1e-9)})
    constants: dict[str, StandConstant] = field(default_factory=dict)
    sha256: str = hashlib.sha256(STAND_TEXT.encode()).hexdigest()
    watch: None = None


STEPS = ("measure_mtf50", "measure_vignetting", "measure_distortion", "read_hand_checks", "shake", "summary", "other")
STAGES = {step: {"stage": f"toy.{step}", "inputs": {"shots": "role.chart"}, "settings": {}} for step in STEPS}
METHOD_TEXT = method_text(
    MeasuredMethod.model_validate_json(
        json.dumps({"plan": "plan", "stages": STAGES, "defaults": {step: [] for step in STEPS}})
    )
)
"""Method of all these outcomes."""
PLAN_SECTION = "plan:\n" + "".join(
    f"  {key}: {json.dumps(value)}\n"
    for key, value in {"name": "plan", "by": "K. Moreau", "at": "2026-03-01", "why": "first", "stages": STAGES}.items()
)
"""Method of a card that accepts them."""


def document(kind="plan", text="plan: fixed_focal\n"):
    return Document(kind=kind, name=kind, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


def run_record(command="glasswright run", started_at="2026-03-01T22:00:00+00:00"):
    return RunRecord(
        command=command,
        machine="bench-pc",
        started_at=started_at,
        versions={"numpy": "2.4"},
        documents=(document(), document("method", METHOD_TEXT), document("stand", STAND_TEXT)),
    )


def outcome(step="measure_mtf50", setting=F2, artefact=None, ticket="T-1", status=None, **others):
    status = status or (Status.SKIPPED if artefact is None else Status.DONE)
    reason = "" if status is Status.DONE else "lacks a chart shot"
    values = {
        "address": hashlib.sha256(repr((step, setting, ticket)).encode()).hexdigest(),
        "item": Item(scope=Scope.SETTING, ticket=ticket, setting=setting),
        "reason": reason,
        "seconds": 0.5,
        **others,
    }
    return Outcome(step=step, stage=f"toy.{step}", status=status, artefact=artefact, **values)


def sharpness(value, setting=F2, **others):
    return outcome("measure_mtf50", setting, Sharpness(setting=setting, centre=Zone(sharp_cy_per_px=value)), **others)


def falloff(value, setting=F2, **others):
    return outcome("measure_vignetting", setting, Falloff(setting=setting, corner_loss_ev=value), **others)


def ticket(number="T-1", **others):
    values = {"model": MODEL, "serial": "C50-1", "phase": "release", "body": "Ostrel D7", **others}
    return Ticket(number=number, **values)


def ticket_record(outcomes, number="T-1", folder="/night/T-1", settings=(F2, F4), **others):
    return TicketRecord(
        ticket=ticket(number, **others),
        folder=folder,
        plan_sha256=document().sha256,
        method_sha256=document("method", METHOD_TEXT).sha256,
        stand="north-bench",
        stand_sha256="stand",
        settings=settings,
        shots=(ShotRecord(name="chart/1.dng", role="chart", sha256="ab"),),
        manifest=tuple(each.address for each in outcomes),
    )


def good_outcomes(number="T-1"):
    return [
        sharpness(0.30, F2, ticket=number, content_digest=f"pixels of {number}"),
        sharpness(0.33, F4, ticket=number),
        falloff(1.8, F2, ticket=number),
        falloff(0.6, F4, ticket=number),
    ]


def write_night(path, numbers=("T-1",), make=good_outcomes, **others):
    """Write one run with these tickets."""
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        for number in numbers:
            outcomes = make(number)
            ledger.commit_ticket(run, ticket_record(outcomes, number, **others), outcomes)
        ledger.end_run(run, {"tickets": len(numbers)})


def write_events(ledger, run, number):
    """Write one row of each kind of event that may follow a measurement."""
    mark_returned(ledger, run, number, "K. Moreau", "loose mount")
    add_inspected(ledger, run, number, "ab", Finding.SOUND, "K. Moreau", "no fault seen")
    adopt_stand(ledger, run, document("stand", STAND_TEXT), "K. Moreau", "new source")
    ledger.refuse_tickets(run, [number], f"/night/{number}", "no YAML")
    basis = ReviewBasis(manifest="ab", judgement="cd", plan="ef", card="01", stand="23", reasons=("near",))
    ledger.add_decision(run, PersonsDecision(ticket=number, releases=True, person="K. Moreau", why="seen", basis=basis))


def write_every_table(path, folder):
    """Write a ledger of two judged tickets with two rows or more in every table."""
    write_night(path, numbers=("T-1", "T-2"))
    limits = [
        "{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}",
        "{measure: measure_vignetting.corner_loss_ev, max: 2.5}",
    ]
    with Ledger.open_for_writing(path) as ledger:
        card = card_file(folder, limits)
        judgements = [judge_ticket(state, card, ToyStand()) for state in ledger.latest_tickets()]
        kept_card = document("card", card.document.text)
        run = ledger.begin_run(dataclasses.replace(run_record("glasswright judge"), documents=(kept_card,)))
        ledger.add_judgements(run, judgements)
        for number in ("T-2", "T-9"):
            write_events(ledger, run, number)
        ledger.end_run(run, {}, backup=False)
    for finding in ("the last commits are missing", "the head is missing"):
        with Ledger.open_for_writing(path, check_head=False) as ledger:
            accept_restored(ledger, run_record("glasswright verify"), "K. Moreau", "the disk broke", finding)


def kept(step="measure_mtf50", setting=F2, status=Status.DONE, caveats=(), scope=Scope.SETTING, shot="", **measured):
    """A kept outcome; `measured` maps a field (dots as __) to a value or (value, u)."""
    values = {}
    for name, value in measured.items():
        number, u = value if isinstance(value, tuple) else (value, None)
        path = name.replace("__", ".")
        text = number if isinstance(number, str) else None
        values[path] = Measured(path=path, value=None if text else number, text=text, u=u, unit="cycles/pixel")
    reason = "" if status is Status.DONE else "the chart hangs upside down"
    return KeptOutcome(
        step=step,
        scope=scope,
        setting=setting,
        shot=shot,
        status=status,
        reason=reason,
        caveats=caveats,
        measured=values,
    )


def state(*outcomes, settings=(F2,), **others):
    record = ticket_record((), settings=settings, **others)
    return TicketState(
        record=record, content="manifest", measured_at="2026-03-01", outcomes=outcomes, method=METHOD_TEXT
    )


def shots_at(*times):
    """Shots taken at these times, by the body's clock."""
    return tuple(
        ShotRecord(name=f"chart/{number}.dng", role="chart", sha256=f"{number}", captured_at=time)
        for number, time in enumerate(times)
    )


CARD_HEAD = f'card: "{MODEL}"\nvalid_for: {{stand: north-bench, body: Ostrel D7}}\n'


def write_card(path, limits, head=CARD_HEAD, plan=PLAN_SECTION):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(head + "limits:\n" + "".join(f"  - {limit}\n" for limit in limits) + plan, encoding="utf-8")
    return path


def card_file(tmp_path, limits, head=CARD_HEAD, plan=PLAN_SECTION):
    document = scan_yaml(write_card(tmp_path / "card.yaml", limits, head, plan))
    card, problems = check(document, Card)
    assert not problems, problems
    return CardFile(card=card, document=document)


def judge(tmp_path, state, *limits, head=CARD_HEAD, stand=None):
    return judge_ticket(state, card_file(tmp_path, limits, head), stand or ToyStand())
