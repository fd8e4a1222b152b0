"""One hash of the current content of a ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from glasswright.ledger.store import Database


def content_digest(database: Database) -> str:
    """Return one hash of the latest manifest and judgements of every ticket.

    Run numbers, times, durations, folders and the order of tickets are left out, so that a night that was killed and
    resumed has the same hash as one that was not.
    """
    manifests = database.rows(
        "SELECT ticket, content FROM manifest "
        "WHERE id IN (SELECT max(id) FROM manifest GROUP BY ticket) ORDER BY ticket"
    )
    judgements = database.rows(
        "SELECT DISTINCT judgement.hash FROM judgement JOIN manifest ON manifest.content = judgement.manifest "
        "AND manifest.ticket = judgement.ticket "
        "WHERE manifest.id IN (SELECT max(id) FROM manifest GROUP BY ticket) ORDER BY judgement.hash"
    )
    return row_hash([part for row in manifests for part in row], [row[0] for row in judgements])
