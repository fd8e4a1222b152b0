"""Artefacts of a ticket as reports read them: results of a plugin that is not installed are left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.plugin.kept import NotInstalledError

if TYPE_CHECKING:
    from glasswright.ledger import Ledger, TicketState
    from glasswright.plugin.artefact import Artefact


def load_known(ledger: Ledger, address: str) -> Artefact | None:
    """Return the artefact at an address; None if the package of its type is not installed.

    Raises
    ------
    LedgerDamagedError
        If it cannot be read for another reason.
    """
    try:
        return ledger.load_artefact(address)
    except LedgerDamagedError as error:
        if isinstance(error.__cause__, NotInstalledError):
            return None
        raise


def load_whole(ledger: Ledger, state: TicketState) -> dict[str, Artefact]:
    """Return step -> its result for the whole ticket, where the package of its type is installed."""
    found = {
        each.step: load_known(ledger, each.address)
        for each in state.outcomes
        if each.has_artefact and each.setting is None and not each.shot
    }
    return {step: artefact for step, artefact in found.items() if artefact is not None}
