"""Backups of the database: each is checked before it replaces another, and several are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import chain, verifying

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.ledger.store import Database

KEPT: Final = 3
"""Number of backups. Older ones help if the latest contains an error that no hash reveals."""


def write_backup(database: Database, open_copy: type[Database]) -> None:
    """Write a compact copy to `<ledger>.backup`; earlier backups become `.backup-2` and so on.

    The copy is checked first: the chain over all rows, and in full the rows added since the last backup and a fraction
    of the older ones.

    Parameters
    ----------
    open_copy
        Class that opens the copy.

    Raises
    ------
    LedgerDamagedError
        If the copy is damaged; the existing backups are then kept.
    """
    names = list_backups(database.path)
    part = database.path.with_name(f"{database.path.name}.backup.new")
    part.unlink(missing_ok=True)
    database.copy_to(part)
    try:
        copy = open_copy(part, writable=False)
        try:
            _check(copy, _rows_of(names[0], open_copy))
        finally:
            copy.close()
    except LedgerDamagedError as error:
        part.unlink()
        what = f"a new backup would be damaged, so the earlier ones are kept: {error}"
        raise LedgerDamagedError(f"{database.path}: {what}") from error
    for older, newer in zip(reversed(names[1:]), reversed(names[:-1]), strict=True):
        if newer.exists():
            newer.replace(older)
    part.replace(names[0])


def list_backups(ledger: Path) -> list[Path]:
    """Return the paths of the backups, existing or not, the latest first."""
    first = ledger.with_name(f"{ledger.name}.backup")
    return [first, *(first.with_name(f"{first.name}-{number}") for number in range(2, KEPT + 1))]


def _rows_of(backup: Path, open_copy: type[Database]) -> Mapping[str, int]:
    """Return table -> number of rows in the latest backup, which were checked when it was written; empty if
    unreadable."""
    try:
        earlier = open_copy(backup, writable=False)
    except LedgerDamagedError:
        return {}
    try:
        return chain.last_counts(earlier)
    except LedgerDamagedError:
        return {}
    finally:
        earlier.close()


def _check(copy: Database, known: Mapping[str, int]) -> None:
    chain.check_chain(copy)
    chain.check_bound_counts(copy)
    runs = chain.last_counts(copy).get("run", 0)
    for damage in verifying.find_new_damage(copy, known, runs):
        raise LedgerDamagedError(damage)
