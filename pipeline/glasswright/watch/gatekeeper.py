"""The gate's word on tickets of one ledger, what the reference lens tells now taken into account."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.judging.gate import Decision, open_gate
from glasswright.ledger.documents import find_document
from glasswright.watch.kept import read_kept_watch
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger import Ledger, TicketState
    from glasswright.watch.watching import WatchReport


class Gatekeeper:
    """Decides for tickets by their kept judgements; the charts of each stand file are drawn once."""

    def __init__(self, ledger: Ledger) -> None:
        """Take the ledger, open for reading."""
        self._ledger = ledger
        self._reports: dict[str, WatchReport | None] = {}
        self._cards = {""}

    def decide(self, state: TicketState, judgement: Judgement | None) -> Decision:
        """Give the gate's word on a ticket as it stands now."""
        return open_gate(state.record.ticket.number, state, judgement, self.find_doubts(state, judgement))

    def find_doubts(self, state: TicketState, judgement: Judgement | None) -> tuple[str, ...]:
        """Give why the stand counts as out of control on the ticket's nights; nothing if its file asks for no watch.

        Raises
        ------
        LedgerDamagedError
            If the card or the stand file of the judgement is not kept: nobody could say what it rests on, or whether
            the stand file asks for a watch.
        """
        if judgement is None:
            return ()
        if judgement.stand not in self._reports:
            self._reports[judgement.stand] = self._read(judgement)
        if judgement.card not in self._cards:
            self._check_card(judgement)
            self._cards.add(judgement.card)
        report = self._reports[judgement.stand]
        return report.doubts_of_ticket(state) if report is not None else ()

    def _check_card(self, judgement: Judgement) -> None:
        if find_document(self._ledger, judgement.card) is None:
            what = f"the card that ticket {judgement.ticket} was judged by is not kept"
            raise LedgerDamagedError(f"{self._ledger.database.path}: {what}: run `glasswright judge`")

    def _read(self, judgement: Judgement) -> WatchReport | None:
        document = find_document(self._ledger, judgement.stand)
        if document is None:
            what = f"the stand file that ticket {judgement.ticket} was judged with is not kept"
            raise LedgerDamagedError(f"{self._ledger.database.path}: {what}: run `glasswright judge`")
        keys = read_kept_watch(document)
        return read_watch(self._ledger, keys, document.name) if keys is not None else None
