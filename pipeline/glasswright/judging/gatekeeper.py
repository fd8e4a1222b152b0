"""The only way to a release decision: tickets of a ledger are judged anew from their measurements.

No stored verdict releases a lens. The ledger's latest judgement of a ticket only names the card and the stand file to
use; their kept texts, the measurements and the current control charts of the reference lens determine the decision.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from glasswright.config.stand.file import read_files
from glasswright.errors import ConfigError, LedgerDamagedError
from glasswright.judging.gate import Decision, ManualDecision, open_gate
from glasswright.judging.judge import JUDGE_VERSION, judge_ticket
from glasswright.judging.kept import KeptStand, read_kept_card, read_kept_stand
from glasswright.judging.lenience import note_lenience
from glasswright.judging.out_of_control import hold_passes
from glasswright.judging.stand_values import (
    find_other_constants,
    find_other_verdicts,
    find_sections,
    format_changes,
    read_may_decide,
)
from glasswright.ledger.documents import find_document
from glasswright.ledger.judgements import find_judging_run
from glasswright.ledger.restored import read_restored
from glasswright.ledger.stand_adoptions import read_stand_adoptions
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from glasswright.config.stand.file import StandFile
    from glasswright.judging.card import Card
    from glasswright.judging.cards import CardFile
    from glasswright.ledger import Document, Ledger, TicketState
    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.head import Head
    from glasswright.ledger.stand_adoptions import StandAdoption
    from glasswright.ledger.verdict import Judgement, LimitVerdict
    from glasswright.watch.watching import WatchReport

AT_ONCE: Final = 50
"""Number of tickets whose measurements are in memory at a time."""
SAME: Final = 1e-9
"""Relative difference up to which a number judged again is the same: libraries may differ in the last bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gated:
    """A ticket with its current judgement and the gate's decision."""

    state: TicketState
    judgement: Judgement | None
    """Made now from the measurements; None if there is no card and stand file to judge by."""
    decision: Decision
    head: Head
    """Head of the ledger when it was read."""
    card: Card | None = None
    out_of_control: tuple[str, ...] = ()
    """Why the stand counts as out of control on the ticket's nights."""
    names: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 -> name of plan, card and stand file, if kept."""
    may_decide: tuple[str, ...] = ()
    """Names of those who may release the lens in review, from the stand file."""
    shop: tuple[str, ...] = ()
    """Lines of the shop's name and address, from the stand file."""
    logo: str = ""
    """SHA-256 of the shop's logo; empty if it has none."""

    @property
    def verdicts(self) -> tuple[LimitVerdict, ...]:
        """One for each limit at each of its settings; none without a judgement."""
        return self.judgement.verdicts if self.judgement is not None else ()

    @property
    def whole_reasons(self) -> tuple[str, ...]:
        """Reasons that concern the whole ticket; empty if each limit has its own verdict."""
        if self.judgement is None:
            return (f"not judged in its present state: {'; '.join(self.decision.reasons)}",)
        return self.judgement.reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class StandFindings:
    """Differences between the stand file that a ticket is judged with and earlier ones of the stand."""

    reasons: tuple[str, ...] = ()
    """Differences from the stand file that was measured with, or from the adopted one."""
    notes: tuple[str, ...] = ()
    may_decide: tuple[str, ...] = ()
    """Names of those who may release a lens in review; only names that an adopted stand file also has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """The card, stand file and charts that a ticket is judged by."""

    card: CardFile | None
    """None if the model has no card."""
    stand: KeptStand | StandFile
    watched: WatchReport | None
    """The current control charts of the stand; None if it is not watched."""


class Gatekeeper:
    """Decides on tickets of one ledger; documents and control charts are read once and cached."""

    def __init__(self, ledger: Ledger, rules: int | None = None) -> None:
        """Use a ledger that is open for reading.

        Parameters
        ----------
        rules
            Version of the judging rules; None for this program's. A kept judgement by another version cannot be
            repeated and is used as kept; this is for verifying an old record and never releases a lens.
        """
        self._ledger = ledger
        self._rules = JUDGE_VERSION if rules is None else rules
        self._head = ledger.head()
        self._restored = tuple(map(str, read_restored(ledger)))
        self._cards: dict[str, CardFile | None] = {"": None}
        self._stands: dict[str, tuple[KeptStand, WatchReport | None]] = {}
        self._adoptions: dict[str, tuple[StandAdoption, ...]] = {}
        self._documents: dict[str, Document | None] = {}

    def gate(self, ticket: str, measures: Collection[str] | None = ()) -> Gated | None:
        """Decide on one ticket; None if the ledger does not have it."""
        return next(self.gate_all([ticket], measures), None)

    def gate_all(
        self, tickets: Collection[str] | None = None, measures: Collection[str] | None = ()
    ) -> Iterator[Gated]:
        """Decide on tickets (all if None), sorted by number.

        Parameters
        ----------
        measures
            `step.field` names of measurements to read in addition to those that the cards need; None for all.

        Raises
        ------
        LedgerDamagedError
            If the card or the stand file of a judgement is missing, or the judgement does not follow from the
            measurements.
        """
        numbers = self._ledger.ticket_numbers() if tickets is None else sorted(set(tickets))
        for start in range(0, len(numbers), AT_ONCE):
            some = numbers[start : start + AT_ONCE]
            kept = self._ledger.latest_judgements(some)
            bases = {ticket: self._read_basis(judgement) for ticket, judgement in kept.items()}
            asked = None if measures is None else {*measures, *_measures_of(bases.values())}
            decisions = self._ledger.latest_decisions(some)
            for state in self._ledger.latest_tickets(some, asked):
                number = state.record.ticket.number
                basis = bases.get(number, "the ticket has not been judged: run `glasswright judge`")
                if isinstance(basis, Basis):
                    _compare(self._ledger, state, kept[number], basis)
                yield self._decide(state, basis, kept.get(number), decisions.get(number))

    def gate_by(self, ticket: str, cards: Mapping[str, CardFile], stand: StandFile) -> Gated | None:
        """Decide on one ticket by cards and a stand file other than those of its latest judgement."""
        for state in self._ledger.latest_tickets([ticket]):
            watched = read_watch(self._ledger, stand.watch, stand.name) if stand.watch is not None else None
            basis = Basis(card=cards.get(state.record.ticket.model), stand=stand, watched=watched)
            gated = self._decide(state, basis, None, self._ledger.latest_decisions([ticket]).get(ticket))
            notes = _note_own_basis(self._ledger.latest_judgement(ticket), gated)
            return dataclasses.replace(
                gated, decision=dataclasses.replace(gated.decision, notes=(*notes, *gated.decision.notes))
            )
        return None

    def _decide(
        self, state: TicketState, basis: Basis | str, kept: Judgement | None, decision: PersonsDecision | None
    ) -> Gated:
        number = state.record.ticket.number
        if isinstance(basis, str):
            decided = open_gate(number, state, None, unjudged=basis)
            names = self._names(state, None)
            return Gated(state=state, judgement=None, decision=self._noted(decided), head=self._head, names=names)
        out_of_control = basis.watched.out_of_control_of_ticket(state) if basis.watched is not None else ()
        is_old = kept is not None and kept.judge_version == self._rules != JUDGE_VERSION
        judged = kept if kept is not None and is_old else judge_ticket(state, basis.card, basis.stand)
        judgement = hold_passes(judged, out_of_control)
        about_stand = self._compare_stands(state, basis, is_kept=kept is not None)
        stands = decision is not None and decision.releases
        person = ManualDecision(decision=decision, may_decide=about_stand.may_decide) if decision and stands else None
        decided = open_gate(number, state, judgement, out_of_control, person=person, about_stand=about_stand.reasons)
        lenience = note_lenience(basis.card.card, state) if basis.card is not None else ()
        decided = dataclasses.replace(decided, notes=(*decided.notes, *about_stand.notes, *lenience))
        return Gated(
            state=state,
            judgement=judgement,
            decision=self._noted(decided),
            head=self._head,
            card=basis.card.card if basis.card is not None else None,
            out_of_control=out_of_control,
            names=self._names(state, basis),
            may_decide=about_stand.may_decide,
            shop=(basis.stand.shop.name, *basis.stand.shop.address) if basis.stand.shop is not None else (),
            logo=read_files(basis.stand.text).get(basis.stand.shop.logo or "", "") if basis.stand.shop else "",
        )

    def _compare_stands(self, state: TicketState, basis: Basis, *, is_kept: bool) -> StandFindings:
        """Compare the stand file used for judging with the one used for measuring and with the adopted ones.

        The adoption valid when the judgement was kept counts, and all later ones. So a change can be adopted after it
        was found, and a lens released before a change stays released.
        """
        stand, reasons = basis.stand, []
        steps = basis.card.card.steps() if basis.card is not None else frozenset[str]()
        measures = basis.card.card.measures() if basis.card is not None else frozenset[str]()
        sections = find_sections(state.method, steps)
        measured = find_document(self._ledger, state.record.stand_sha256)
        other = find_other_constants(sections, measured.text, stand.text) if measured is not None else ()
        if other:
            what = "the stand file differs from the one it was measured with"
            reasons.append(f"{what}: {format_changes(other)}: run again")
        adopted = self._find_adopted(stand.name, state.record.ticket.number if is_kept else "")
        if not adopted:
            return StandFindings(reasons=tuple(reasons), may_decide=stand.may_decide)
        texts = {each: self._find(each.sha256, "stand file", f"stand {stand.name}").text for each in adopted}
        found = {
            each: (
                *find_other_constants(sections, text, stand.text),
                *find_other_verdicts(measures, text, stand.text),
            )
            for each, text in texts.items()
        }
        same = [each for each, changes in found.items() if not changes]
        if not same:
            last = adopted[-1]
            reasons.append(
                f"the stand file differs from the adopted one ({last}): {format_changes(found[last])}: use the earlier "
                "file, or adopt this one (`glasswright judge --adopt-stand --by ... --why ...`)"
            )
        may = {name for text in texts.values() for name in read_may_decide(text)}
        return StandFindings(
            reasons=tuple(reasons),
            notes=tuple(f"stand file {each}" for each in same[-1:] if each.adopted_by),
            may_decide=tuple(name for name in stand.may_decide if name in may),
        )

    def _find_adopted(self, stand: str, ticket: str) -> tuple[StandAdoption, ...]:
        """Return the adoption valid when a ticket's judgement was kept, and all later ones; without a judgement, the
        last."""
        if stand not in self._adoptions:
            self._adoptions[stand] = read_stand_adoptions(self._ledger, stand)
        every = self._adoptions[stand]
        run = find_judging_run(self._ledger.database, ticket) if ticket else None
        before = [each for each in every if run is None or each.run <= run]
        return (*before[-1:], *every[len(before) :])

    def _noted(self, decision: Decision) -> Decision:
        """Add the notes that last commits of the ledger were lost, which concern every ticket."""
        return dataclasses.replace(decision, notes=(*self._restored, *decision.notes))

    def _names(self, state: TicketState, basis: Basis | None) -> Mapping[str, str]:
        record = state.record
        documents = [find_document(self._ledger, sha256) for sha256 in (record.plan_sha256, record.stand_sha256)]
        names = {each.sha256: each.name for each in documents if each is not None}
        if basis is not None:
            names[basis.stand.sha256] = basis.stand.name
        if basis is not None and basis.card is not None:
            names[basis.card.sha256] = basis.card.card.card
        return names

    def _read_basis(self, judgement: Judgement) -> Basis | str:
        """Return the card, stand file and charts of a judgement, or a message why they can no longer be used."""
        try:
            if judgement.stand not in self._stands:
                stand = read_kept_stand(self._find(judgement.stand, "stand file", f"ticket {judgement.ticket}"))
                watched = read_watch(self._ledger, stand.watch, stand.name) if stand.watch is not None else None
                self._stands[judgement.stand] = (stand, watched)
            if judgement.card not in self._cards:
                self._cards[judgement.card] = read_kept_card(
                    self._find(judgement.card, "card", f"ticket {judgement.ticket}")
                )
        except ConfigError as error:
            what = "; ".join(map(str, error.problems))
            return (
                f"this program cannot read the card or stand file of its judgement ({what}): correct it and run "
                "`glasswright judge`"
            )
        stand, watched = self._stands[judgement.stand]
        return Basis(card=self._cards[judgement.card], stand=stand, watched=watched)

    def _find(self, sha256: str, kind: str, whose: str) -> Document:
        if sha256 not in self._documents:
            self._documents[sha256] = find_document(self._ledger, sha256)
        document = self._documents[sha256]
        if document is None:
            what = f"the {kind} that {whose} was judged by is missing"
            raise LedgerDamagedError(f"{self._ledger.database.path}: {what}: run `glasswright judge`")
        return document


def _note_own_basis(kept: Judgement | None, gated: Gated) -> tuple[str, ...]:
    """Return a note if a ticket is judged by documents other than those of the ledger's latest judgement."""
    own = gated.judgement
    if own is None or (kept is not None and (kept.card, kept.stand) == (own.card, own.stand)):
        return ()
    if kept is None:
        return ("judged by a card and a stand file given to this command alone: the ledger contains no judgement",)
    changed = [name for name in ("card", "stand") if getattr(kept, name) != getattr(own, name)]
    which = " and ".join({"card": "card", "stand": "stand file"}[name] for name in changed)
    what = f"judged by another {which} than the ledger's latest judgement, which is {kept.verdict}"
    return (f"{what}: run `glasswright judge` to keep this one",)


def _measures_of(bases: Collection[Basis | str]) -> set[str]:
    cards = [basis.card for basis in bases if isinstance(basis, Basis)]
    return {measure for card in cards if card is not None for measure in card.card.measures()}


def _compare(ledger: Ledger, state: TicketState, kept: Judgement, basis: Basis) -> None:
    """Check that a kept judgement follows from the measurements, if it was made by the same rules from the same ones.

    The control charts may have gained points since: if the stand is watched, a kept judgement may have turned every
    PASS into REVIEW.
    """
    if (kept.judge_version, kept.manifest) != (JUDGE_VERSION, state.content):
        return
    judged = judge_ticket(state, basis.card, basis.stand)
    allowed = [judged, hold_passes(judged, ("by the charts",))] if basis.watched is not None else [judged]
    if any(_is_same(kept, each) for each in allowed):
        return
    pairs = zip(kept.verdicts, judged.verdicts, strict=False)
    differing = [
        f"{a.measure} at {a.at} is kept as {a.verdict} but is {b.verdict}" for a, b in pairs if not _same(a, b)
    ]
    what = differing[0] if differing else "their number differs from that of the limits"
    raise LedgerDamagedError(
        f"{ledger.database.path}: the verdicts kept of ticket {kept.ticket} do not follow from its measurements: "
        f"{what}: somebody changed them: restore the ledger from a backup, or run `glasswright judge` if you are "
        "sure of the measurements"
    )


def _is_same(kept: Judgement, judged: Judgement) -> bool:
    """Return whether two judgements are equal apart from the wording of reasons."""
    return (
        (kept.verdict, bool(kept.reasons)) == (judged.verdict, bool(judged.reasons))
        and len(kept.verdicts) == len(judged.verdicts)
        and all(map(_same, kept.verdicts, judged.verdicts))
    )


def _same(a: LimitVerdict, b: LimitVerdict) -> bool:
    numbers = ((a.value, b.value), (a.u, b.u), (a.lower, b.lower), (a.upper, b.upper))
    same_numbers = all(_is_close(one, other) for one, other in numbers)
    return (a.measure, a.at, a.verdict) == (b.measure, b.at, b.verdict) and same_numbers


def _is_close(kept: float | None, judged: float | None) -> bool:
    """Return whether a kept number equals a judged one; the database keeps NaN as NULL."""
    if kept is None or judged is None:
        return kept is None and (judged is None or math.isnan(judged))
    return kept == judged or math.isclose(kept, judged, rel_tol=SAME)
