"""Check of the signature of a ledger's head, if a stand file names a key."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config.stand.file import load_stand
from glasswright.judging.kept import read_kept_stand
from glasswright.ledger.documents import find_last_stand

if TYPE_CHECKING:
    from pathlib import Path

    from glasswright.ledger import Ledger


def check_signature(ledger: Ledger, stand: Path | None) -> str | None:
    """Check the signature of the head if the stand file names a key, and return the key.

    Parameters
    ----------
    stand
        Stand file; None for the latest one in the ledger, which detects a mistake but not a forger.

    Raises
    ------
    LedgerDamagedError
        If it is not signed by that key.
    """
    if stand is not None:
        key = load_stand(stand, load_plugins_aloud()).ledger_key
    else:
        kept = find_last_stand(ledger)
        key = read_kept_stand(kept).ledger_key if kept is not None else None
    if key is not None:
        ledger.check_signature(key)
    return key
