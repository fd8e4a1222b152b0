"""Which tickets of the ledger are of a phase, found without reading what was measured of all the others."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright.ledger.store import Ledger


def tickets_of_phase(ledger: Ledger, phase: str) -> tuple[str, ...]:
    """Give the numbers of the tickets whose latest record is of a phase, in order."""
    # within a text of the record, quotation marks are escaped: this is found only where the phase itself stands
    part = f'"phase":{json.dumps(phase)}'
    sql = (
        "SELECT ticket FROM manifest WHERE id IN (SELECT max(id) FROM manifest WHERE ticket != '' GROUP BY ticket) "
        "AND instr(record, ?) > 0 ORDER BY ticket"
    )
    return tuple(str(ticket) for (ticket,) in ledger.database.rows(sql, part))
