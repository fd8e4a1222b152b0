"""Begins to watch a stand: the section `watch` from the first reference ticket."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from glasswright.plugin.outcome import Status
from glasswright.statistics.control import FEWEST_NIGHTS
from glasswright.watch.series import REFERENCE_PHASE, nights_of_ticket

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from datetime import date

    from glasswright.ledger import TicketState


class BeginningError(ValueError):
    """There is nothing to watch; the message gives the reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """What the section `watch` will contain."""

    model: str
    serial: str
    first: date
    last: date
    """Last night of the baseline."""
    fields: tuple[str, ...]
    not_measured: tuple[str, ...]
    """Fields with a limit that no reference ticket has."""

    def as_section(self) -> dict[str, Any]:
        """Return the section as YAML data."""
        return {
            "serial": self.serial,
            "baseline": {"from": self.first.isoformat(), "to": self.last.isoformat()},
            "fields": {field: {} for field in self.fields},
        }


def begin_watch(
    states: Iterable[TicketState], measures: Mapping[str, Collection[str]], stand: str, nights: int
) -> Beginning:
    """Return the section for the reference lens of a stand: all limited fields that it was measured for.

    Parameters
    ----------
    states
        Tickets of the ledger.
    measures
        Model -> the fields (`step.field`) that its card limits.
    stand
        Name of the stand.
    nights
        Length of the baseline, from the first night with a reference ticket.

    Raises
    ------
    BeginningError
        If there is no reference ticket, several reference lenses, no card, no limited field, or too short a baseline.
    """
    if nights < FEWEST_NIGHTS:
        raise BeginningError(f"a baseline of {nights} nights is too short: {FEWEST_NIGHTS} are needed, better 25")
    reference = [s for s in states if s.record.ticket.phase == REFERENCE_PHASE and s.record.stand == stand]
    lenses = sorted({(s.record.ticket.model, s.record.ticket.serial) for s in reference})
    if not lenses:
        raise BeginningError(
            f"the ledger has no ticket of phase `{REFERENCE_PHASE}` for stand `{stand}`: shoot a lens that never "
            "leaves the shop, and measure its ticket first"
        )
    if len(lenses) > 1:
        named = "; ".join(f"{model}, serial {serial}" for model, serial in lenses)
        raise BeginningError(f"the reference tickets are of several lenses ({named}): one lens is watched")
    ((model, serial),) = lenses
    if model not in measures:
        raise BeginningError(f"there is no card for the reference lens's model `{model}`: write one first")
    measured = {
        f"{outcome.step}.{field}"
        for state in reference
        for outcome in state.outcomes
        if outcome.status is Status.DONE
        for field, found in outcome.measured.items()
        if found.value is not None and found.unit and math.isfinite(found.value)
    }
    limited = sorted(measures[model])
    fields = tuple(each for each in limited if each in measured)
    if not fields:
        raise BeginningError("the reference tickets have no field that the card limits: shoot what the card needs")
    first = min(night for state in reference for night in nights_of_ticket(state))
    return Beginning(
        model=model,
        serial=serial,
        first=first,
        last=first + timedelta(days=nights - 1),
        fields=fields,
        not_measured=tuple(each for each in limited if each not in measured),
    )
