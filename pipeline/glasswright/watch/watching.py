"""All control charts of a stand, and the state of the stand on a night."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.intake.index import IDENTITY_CONTRADICTION
from glasswright.ledger.phases import tickets_of_phase
from glasswright.statistics.control import find_autocorrelations, rate_of_chart
from glasswright.watch.chart import baseline_values, draw_chart
from glasswright.watch.control import find_gap, find_out_of_control
from glasswright.watch.series import REFERENCE_PHASE, collect_series, nights_of_ticket

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from glasswright.config import WatchKeys
    from glasswright.ledger import Ledger, TicketState
    from glasswright.watch.chart import Chart
    from glasswright.watch.series import Series


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A reference ticket that is on no chart, and the reason."""

    ticket: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchReport:
    """The control charts of a stand's reference lens."""

    stand: str
    keys: WatchKeys
    lens: str
    """The reference lens; empty if there is none."""
    charts: tuple[Chart, ...]
    left_out: tuple[LeftOut, ...]
    rehearsed: bool
    """Whether the reference shots were rendered."""
    problem: str = ""
    """Why the stand cannot be watched; empty if it can."""

    @property
    def bodies(self) -> tuple[str, ...]:
        """The bodies that the reference lens was shot with."""
        return tuple(sorted({chart.body for chart in self.charts}))

    @property
    def nights(self) -> tuple[date, ...]:
        """The nights with a reference shot, in order."""
        return tuple(sorted({point.night for chart in self.charts for point in chart.points}))

    def out_of_control_of_night(self, night: date, body: str) -> tuple[str, ...]:
        """Return every reason why the stand is out of control on a night; empty if it is in control."""
        most = self.keys.missing_after_nights
        if self.problem:
            return (self.problem,)
        charts = [chart for chart in self.charts if chart.body == body]
        shot = sorted({point.night for chart in charts for point in chart.points})
        gap = find_gap(shot, night, most)
        if gap:
            return (f"{gap} (body {body})",)
        reasons = [reason for chart in charts for reason in find_out_of_control(chart, night, most)]
        never = [measure for measure in self.keys.fields if all(chart.measure != measure for chart in charts)]
        reasons += [f"{measure} is watched, but no reference ticket has it at {self.keys.fields[measure].at}"
                    for measure in never]  # fmt: skip
        return tuple(reasons)

    def out_of_control_of_ticket(self, state: TicketState) -> tuple[str, ...]:
        """Return every reason why the stand is out of control on the nights of a ticket.

        Nights before the baseline are not watched: tickets shot and measured then have no reasons.
        """
        nights, begins = nights_of_ticket(state), self.keys.baseline.first
        reasons = []
        if self.rehearsed and not state.record.ticket.rehearsed:
            reasons.append("the reference shots are rehearsed, and this ticket is not")
        for night in nights:
            if night >= begins:
                reasons += self.out_of_control_of_night(night, state.record.ticket.body)
            elif state.measured_at[:10] >= begins.isoformat():
                # a wrong camera clock must not exempt a ticket from the watch
                reasons.append(f"its files say it was shot on {night}, before the watch begins on {begins}")
        return tuple(dict.fromkeys(reasons))


def watch_stand(states: Iterable[TicketState], keys: WatchKeys, stand: str) -> WatchReport:
    """Return the charts of a stand from its reference tickets.

    Rehearsed tickets count only if there are no others.
    """
    reference = [state for state in states if state.record.ticket.phase == REFERENCE_PHASE]
    real = any(not state.record.ticket.rehearsed for state in reference if state.record.stand == stand)
    chosen: list[TicketState] = []
    left_out: list[LeftOut] = []
    for state in sorted(reference, key=lambda state: state.record.ticket.number):
        why = _why_left_out(state, keys, stand, real)
        if why:
            left_out.append(LeftOut(ticket=state.record.ticket.number, why=why))
        else:
            chosen.append(state)
    lenses = sorted({f"{state.record.ticket.model}, serial {state.record.ticket.serial}" for state in chosen})
    several = f"the reference tickets are of several lenses ({'; '.join(lenses)}): name one with `serial`"
    return WatchReport(
        stand=stand,
        keys=keys,
        lens="; ".join(lenses),
        charts=_draw_charts(collect_series(chosen, keys.fields), keys),
        left_out=tuple(left_out),
        rehearsed=bool(chosen) and not real,
        problem=several if len(lenses) > 1 else "",
    )


def _draw_charts(series: Sequence[Series], keys: WatchKeys) -> tuple[Chart, ...]:
    """Return all charts; the charts of a body share its rate of false alarms."""
    charts = []
    for body in sorted({each.body for each in series}):
        own = [each for each in series if each.body == body]
        rate = rate_of_chart(keys.false_alarm_nights, len(own))
        alike = find_autocorrelations([baseline_values(each, keys) for each in own], keys.autocorrelation)
        charts += [draw_chart(each, keys, rate, correlation) for each, correlation in zip(own, alike, strict=True)]
    order = {(each.measure, each.at, each.body): place for place, each in enumerate(series)}
    return tuple(sorted(charts, key=lambda chart: order[chart.measure, chart.at, chart.body]))


def _why_left_out(state: TicketState, keys: WatchKeys, stand: str, real: bool) -> str:
    record = state.record
    if record.stand != stand:
        return f"it was shot on stand `{record.stand}`"
    if keys.serial is not None and record.ticket.serial != keys.serial:
        return f"its lens is serial {record.ticket.serial}, the reference lens is {keys.serial}"
    if IDENTITY_CONTRADICTION in record.ticket.caveats:
        return "its files name another lens or body than ticket.yaml"
    if real and record.ticket.rehearsed:
        return "its frames were rendered, and there are real ones"
    if nights_of_ticket(state)[-1] < keys.baseline.first:
        return f"it was shot before the watch begins on {keys.baseline.first}"
    return ""


def read_watch(ledger: Ledger, keys: WatchKeys, stand: str) -> WatchReport:
    """Return the charts of a stand from the ledger."""
    return watch_stand(ledger.latest_tickets(tickets_of_phase(ledger, REFERENCE_PHASE), keys.fields), keys, stand)
