"""The stand file that a ticket was measured with, from its kept text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.errors import ConfigError, GlasswrightError
from glasswright.judging.kept import read_kept_stand

if TYPE_CHECKING:
    from glasswright.judging.kept import KeptStand
    from glasswright.ledger import Document


class NoStandError(GlasswrightError):
    """The ledger has no usable stand file."""

    exit_code = 2


def read_stand_of(document: Document | None, ticket: str) -> KeptStand:
    """Return the stand file that a ticket was measured with.

    Parameters
    ----------
    document
        The kept stand file; None if the ledger has none.
    ticket
        Ticket number for messages.

    Raises
    ------
    NoStandError
        If there is none, or it cannot be read.
    """
    if document is None or document.kind != "stand":
        raise NoStandError(f"the ledger has no stand file for ticket {ticket}: give one with --stand")
    try:
        return read_kept_stand(document)
    except ConfigError as error:
        what = f"the stand file of ticket {ticket} cannot be read: {error.problems[0]}"
        raise NoStandError(f"{what}: give a stand file with --stand") from error
