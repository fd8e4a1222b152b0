"""Hashes of the ledger's rows, because SQLite does not detect a flipped bit."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


def row_hash(*values: str | float | list[str] | None) -> str:
    """Return the SHA-256 of a row's values in order, in an unambiguous encoding."""
    return hashlib.sha256(",".join(map(_spell, values)).encode("utf-8", "surrogatepass")).hexdigest()


def _spell(value: str | float | list[str] | None) -> str:
    if isinstance(value, str):
        return f"{len(value)}:{value}"
    if isinstance(value, list):
        return f"[{','.join(map(_spell, value))}]"
    return repr(value)


def measurement_hash(
    address: str, path: str, unit: str, kind: str, value: float | None, u: float | None, text: str | None
) -> bytes:
    """Return a hash of 16 bytes of a measurement and the address of its outcome.

    It is computed for every row that judging reads, so it is short and fast.
    """
    # the text comes last, so that it cannot imitate another part
    spelled = f"{address}\x1f{path}\x1f{unit}\x1f{kind}\x1f{value!r}\x1f{u!r}\x1f{text or ''}"
    return hashlib.blake2b(spelled.encode("utf-8", "surrogatepass"), digest_size=16).digest()


def join_hashes(hashes: Iterable[bytes]) -> str:
    """Return the SHA-256 of several measurement hashes in order."""
    return hashlib.sha256(b"".join(hashes)).hexdigest()
