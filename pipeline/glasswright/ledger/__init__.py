"""The ledger: an append-only store of everything measured and decided, with all inputs."""

from glasswright.ledger.records import Document, RunRecord, ShotRecord, TicketRecord, TicketState, describe_run
from glasswright.ledger.store import Ledger

__all__ = ["Document", "Ledger", "RunRecord", "ShotRecord", "TicketRecord", "TicketState", "describe_run"]
