"""The ledger: everything measured and decided, with what it was measured from; nothing in it is ever overwritten."""

from glasswright.ledger.records import Document, RunRecord, ShotRecord, TicketRecord, TicketState
from glasswright.ledger.store import Ledger

__all__ = ["Document", "Ledger", "RunRecord", "ShotRecord", "TicketRecord", "TicketState"]
