"""The texts that the ledger keeps: plans, cards and stand files as they were used."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.records import Document

if TYPE_CHECKING:
    from glasswright.ledger.store import Ledger


def find_document(ledger: Ledger, sha256: str) -> Document | None:
    """Give the document of that SHA-256, checked against it; None if the ledger keeps none.

    Raises
    ------
    LedgerDamagedError
        If the document is not what it was.
    """
    for kind, name, text, hashed in ledger.database.rows(
        "SELECT kind, name, text, hash FROM document WHERE sha256 = ?", sha256
    ):
        if hashlib.sha256(text.encode()).hexdigest() != sha256 or row_hash(sha256, kind, name) != hashed:
            msg = (
                f"{ledger.database.path}: the {kind} `{name}` does not match its hash: restore the ledger from a backup"
            )
            raise LedgerDamagedError(msg)
        return Document(kind=kind, name=name, text=text, sha256=sha256)
    return None
