"""The public key that a ledger's head must be signed by, where a stand file names one."""

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
    """Check that the head is signed, if the stand file names a key; give the key.

    Parameters
    ----------
    stand
        Stand file; None for the one that the ledger used last, which shows a mistake and not a forger.

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
