"""The kept texts of plans, cards and stand files."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Final

from glasswright.config.plan.method import describe_method, method_text
from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.records import Document

if TYPE_CHECKING:
    from glasswright.config import Plan, StandFile
    from glasswright.ledger.store import Database, Ledger

LOGO: Final = "logo"
"""Kind of document: the shop's logo, its file in base 64."""


def find_document(ledger: Ledger, sha256: str) -> Document | None:
    """Return the document with that SHA-256, checked against it; None if the ledger has none.

    Raises
    ------
    LedgerDamagedError
        If the document does not match its hash.
    """
    return read_document(ledger.database, sha256)


def plan_documents(plan: Plan) -> tuple[Document, Document]:
    """Return the documents kept of a plan: its text, and its method."""
    return Document(kind="plan", name=plan.name, text=plan.text, sha256=plan.sha256), method_document(plan)


def stand_documents(stand: StandFile) -> tuple[Document, ...]:
    """Return the documents of a stand file: its text, and its logo, named by the SHA-256 of its file."""
    text = Document(kind="stand", name=stand.name, text=stand.text, sha256=stand.sha256)
    if not stand.logo:
        return (text,)
    spelt = base64.b64encode(stand.logo).decode()
    name, sha256 = (hashlib.sha256(each).hexdigest() for each in (stand.logo, spelt.encode()))
    return Document(kind=LOGO, name=name, text=spelt, sha256=sha256), text


def find_logo(ledger: Ledger, file_sha256: str) -> bytes:
    """Return the logo with a SHA-256, checked against it; empty if the ledger has none.

    Raises
    ------
    LedgerDamagedError
        If it is not what it was.
    """
    sql = "SELECT sha256 FROM document WHERE kind = ? AND name = ?"
    for (sha256,) in ledger.database.rows(sql, LOGO, file_sha256):
        document = find_document(ledger, sha256)
        data = base64.b64decode(document.text) if document is not None else b""
        if hashlib.sha256(data).hexdigest() == file_sha256:
            return data
    return b""


def method_document(plan: Plan) -> Document:
    """Return the kept method of a plan, with the defaults of the installed stages."""
    text = method_text(describe_method(plan))
    return Document(kind="method", name=plan.name, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())


def read_document(database: Database, sha256: str) -> Document | None:
    """Return the document with that SHA-256, as `find_document`, from a database."""
    for kind, name, text, hashed in database.rows(
        "SELECT kind, name, text, hash FROM document WHERE sha256 = ?", sha256
    ):
        if hashlib.sha256(text.encode()).hexdigest() != sha256 or row_hash(sha256, kind, name) != hashed:
            msg = f"{database.path}: the {kind} `{name}` does not match its hash: restore the ledger from a backup"
            raise LedgerDamagedError(msg)
        return Document(kind=kind, name=name, text=text, sha256=sha256)
    return None


def find_last_stand(ledger: Ledger) -> Document | None:
    """Return the stand file that was used last, checked against its hash; None if the ledger has none.

    Raises
    ------
    LedgerDamagedError
        If it does not match its hash.
    """
    sql = (
        "SELECT document.sha256 FROM run, json_each(run.documents) AS used JOIN document "
        "ON document.sha256 = used.value WHERE document.kind = 'stand' ORDER BY run.id DESC LIMIT 1"
    )
    found = ledger.database.rows(sql)
    return find_document(ledger, found[0][0]) if found else None
