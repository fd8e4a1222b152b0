"""Validity of a card for a ticket: lens model, stand, body and setup."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Self

from glasswright.judging.card import At, describe_place
from glasswright.judging.method import NO_PLAN, why_made_otherwise
from glasswright.plugin.artefact import TICKET_CAVEAT
from glasswright.plugin.outcome import Status

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.judging.card import Card, Fact
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger.records import KeptOutcome, TicketRecord, TicketState
    from glasswright.plugin.artefact import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketView:
    """A ticket's state, arranged for judging."""

    state: TicketState
    by_step: Mapping[str, Sequence[KeptOutcome]]
    by_place: Mapping[tuple[str, Setting | None], Sequence[KeptOutcome]]
    """By step and setting."""
    caveats: frozenset[str]
    """Caveats of the whole ticket: its own, and those of stages that concern every number."""
    method: str
    """Method of its measurements, as JSON."""

    @property
    def record(self) -> TicketRecord:
        """The ticket's record."""
        return self.state.record

    @property
    def last_day(self) -> date | None:
        """The last day on which it was shot, or if unknown was measured; None if both are unknown."""
        day = self.record.nights[-1] if self.record.nights else self.state.measured_at[:10]
        return date.fromisoformat(day) if day else None

    @classmethod
    def of(cls, state: TicketState) -> Self:
        """Return the view of a state."""
        by_step: dict[str, list[KeptOutcome]] = defaultdict(list)
        by_place: dict[tuple[str, Setting | None], list[KeptOutcome]] = defaultdict(list)
        for outcome in sorted(state.outcomes, key=lambda each: (each.step, each.shot)):
            by_step[outcome.step].append(outcome)
            by_place[outcome.step, outcome.setting].append(outcome)
        found = {each for outcome in state.outcomes for each in outcome.caveats if each.startswith(TICKET_CAVEAT)}
        caveats = frozenset({*state.record.ticket.caveats, *found})
        return cls(
            state=state,
            by_step=dict(by_step),
            by_place=dict(by_place),
            caveats=caveats,
            method=state.method,
        )

    def settings_of(self, outcomes: Iterable[KeptOutcome]) -> list[Setting]:
        """Return every setting at which a step should have an outcome: planned, shot, or found.

        Settings with an exposure time belong to timed roles only, so they count only if the step has an outcome there.
        """
        found = {outcome.setting for outcome in outcomes if outcome.setting is not None}
        planned = {setting for setting in self.record.settings if setting.exposure_time_s is None}
        missing = {each for each in planned if not any(_differs_in_distance(each, other) for other in found)}
        return sorted(found | missing, key=_place)

    def why_fact_unknown(self, card: Card, setting: Setting | None) -> str:
        """Explain which condition of the card could not be measured at a setting; empty if all could."""
        for fact in card.valid_for.where:
            step, _, _ = fact.measure.partition(".")
            for outcome in self.by_place.get((step, setting), ()):
                if outcome.status is not Status.DONE:
                    where = f" at {setting}" if setting else ""
                    what = f"the card depends on `{fact.measure}`, but `{step}` is {outcome.status}{where}"
                    return f"{what}: {outcome.reason}"
        return ""


def _differs_in_distance(planned: Setting, found: Setting) -> bool:
    """Return whether an outcome is for a planned setting because one of them has no focus distance.

    Flats have none, and are valid for charts at all distances.
    """
    one, other = planned.focus_distance_m, found.focus_distance_m
    only_one = (one is None) != (other is None)
    return only_one and replace(planned, focus_distance_m=None) == replace(found, focus_distance_m=None)


def _place(setting: Setting) -> tuple[float, ...]:
    values = (setting.focal_length_mm, setting.f_number, setting.focus_distance_m, setting.exposure_time_s)
    return tuple(-1.0 if value is None else value for value in values)


def why_not_valid(view: TicketView, card: Card | None, stand: JudgingStand) -> tuple[str, ...]:
    """Return every reason why a card is not valid for a ticket; empty if it is."""
    ticket = view.record.ticket
    if card is None:
        return (f"there is no card for `{ticket.model}`: add one, or correct the model in ticket.yaml",)
    valid = card.valid_for
    reasons = [] if card.plan is not None else [NO_PLAN]
    if card.card != ticket.model:
        reasons.append(f"the card is for `{card.card}`, the lens is a `{ticket.model}`")
    if view.record.stand != stand.name:
        reasons.append(f"the ticket was measured on stand `{view.record.stand}`, the stand file is `{stand.name}`'s")
    if view.record.stand not in _names(valid.stand):
        where = ", ".join(_names(valid.stand))
        reasons.append(f"the ticket was measured on stand `{view.record.stand}`, the card is valid for {where}")
    if ticket.body not in _names(valid.body):
        which = ", ".join(_names(valid.body))
        reasons.append(f"the ticket was shot with body `{ticket.body}`, the card is valid for {which}")
    if ticket.body not in stand.bodies:
        reasons.append(f"body `{ticket.body}` is not one of stand `{stand.name}`'s: {', '.join(stand.bodies)}")
    reasons += [reason for fact in valid.where for reason in _problems_of(fact, card, view)]
    return tuple(dict.fromkeys(reasons))


def why_not_identified(state: TicketState, card: Card) -> tuple[str, ...]:
    """Return a reason if the card requires the lens's serial number and some files do not have it."""
    carrying, shots = state.record.lens_serials
    if card.identity != "serial" or 0 < shots == carrying:
        return ()
    return (f"the card requires `identity: serial`, but {shots - carrying} of {shots} files carry no lens serial",)


def _names(names: str | tuple[str, ...]) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else names


def _problems_of(fact: Fact, card: Card, view: TicketView) -> list[str]:
    """Return where a condition is not met; it must be measured, and be met wherever it was."""
    step, _, field = fact.measure.partition(".")
    done = [outcome for outcome in view.by_step.get(step, ()) if outcome.status is Status.DONE]
    if not done:
        return [f"the card depends on `{fact.measure}`, which was not measured"]
    otherwise = why_made_otherwise(card, step, view.method) if card.plan is not None else ""
    if otherwise:
        return [f"the card depends on `{fact.measure}`, which was {otherwise}"]
    if fact.at != At():
        done = [outcome for outcome in done if outcome.setting is not None and fact.at.holds(outcome.setting)]
        if not done:
            return [f"the card depends on `{fact.measure}` {describe_place(fact.at)}, which was not measured"]
    return [problem for outcome in done if (problem := _problem_of(fact, field, outcome))]


def _problem_of(fact: Fact, field: str, outcome: KeptOutcome) -> str:
    measured = outcome.measured.get(field)
    if measured is None:
        return f"the card depends on `{fact.measure}`, which the step did not return"
    where = f" at {outcome.setting}" if outcome.setting else ""
    if fact.text is not None:
        same = measured.text == fact.text
        return "" if same else f"`{fact.measure}` is `{measured.text}`{where}, the card is valid for `{fact.text}`"
    low = -math.inf if fact.min is None else fact.min
    high = math.inf if fact.max is None else fact.max
    if measured.value is not None and low <= measured.value <= high:
        return ""
    found = "not a number" if measured.value is None else f"{measured.value:.6g}"
    return f"`{fact.measure}` is {found}{where}, the card is valid from {low:g} to {high:g}"
