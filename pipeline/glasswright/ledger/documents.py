"""The texts of plans, cards and stand files as they were used."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from glasswright.config.plan.method import describe_method, method_text
from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.records import Document

if TYPE_CHECKING:
    from glasswright.config import Plan
    from glasswright.ledger.store import Database, Ledger


def find_document(ledger: Ledger, sha256: str) -> Document | None:
    """Return the document of that SHA-256, checked against it; None if the ledger keeps none.

    Raises
    ------
    LedgerDamagedError
        If the document is not what it was.
    """
    return read_document(ledger.database, sha256)


def plan_documents(plan: Plan) -> tuple[Document, Document]:
    """Return what is kept of a plan: its text, and how it makes its numbers."""
    return Document(kind="plan", name=plan.name, text=plan.text, sha256=plan.sha256), method_document(plan)


def method_document(plan: Plan) -> Document:
    """Return what is kept of how a plan makes its numbers: defaults belong to the stages as they are installed now."""
    text = method_text(describe_method(plan))
    return Document(kind="method", name=plan.name, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


def read_document(database: Database, sha256: str) -> Document | None:
    """Do the same from the database."""
    for kind, name, text, hashed in database.rows(
        "SELECT kind, name, text, hash FROM document WHERE sha256 = ?", sha256
    ):
        if hashlib.sha256(text.encode()).hexdigest() != sha256 or row_hash(sha256, kind, name) != hashed:
            msg = f"{database.path}: the {kind} `{name}` does not match its hash: restore the ledger from a backup"
            raise LedgerDamagedError(msg)
        return Document(kind=kind, name=name, text=text, sha256=sha256)
    return None


def find_last_stand(ledger: Ledger) -> Document | None:
    """Return the stand file that was used last, checked against its hash; None if the ledger keeps none.

    Raises
    ------
    LedgerDamagedError
        If it is not what it was.
    """
    sql = (
        "SELECT document.sha256 FROM run, json_each(run.documents) AS used JOIN document "
        "ON document.sha256 = used.value WHERE document.kind = 'stand' ORDER BY run.id DESC LIMIT 1"
    )
    found = ledger.database.rows(sql)
    return find_document(ledger, found[0][0]) if found else None
