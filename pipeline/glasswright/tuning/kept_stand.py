"""The stand that a ticket was measured on, from the text that the ledger kept of its file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.config import Spread, check, scan_bytes
from glasswright.errors import GlasswrightError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger import Document


class NoStandError(GlasswrightError):
    """The ledger keeps no stand file that can be used."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStand:
    """What judging needs of a stand file; the sections of plugins are left aside, for they name other files."""

    name: str
    bodies: tuple[str, ...]
    reproducibility: Mapping[str, Spread]
    repeatability: Mapping[str, Spread]
    sha256: str


def read_kept_stand(document: Document | None, ticket: str) -> KeptStand:
    """Read a stand file that was kept.

    Parameters
    ----------
    document
        Its text; None where the ledger keeps none.
    ticket
        The ticket that was measured with it, for messages.

    Raises
    ------
    NoStandError
        If there is none, or it cannot be read.
    """
    if document is None or document.kind != "stand":
        raise NoStandError(f"the ledger keeps no stand file for ticket {ticket}: give one with --stand")
    read = scan_bytes(Path(f"the stand file of ticket {ticket}"), document.text.encode())
    bodies, problems = check(read, tuple[str, ...], "bodies")
    spreads: dict[str, Mapping[str, Spread]] = {"reproducibility": {}, "repeatability": {}}
    for key in spreads:
        if key in read.data:
            declared, more = check(read, dict[str, Spread], key)
            problems = (*problems, *more)
            spreads[key] = declared or {}
    if problems or bodies is None:
        raise NoStandError(f"{problems[0]}: give a stand file with --stand")
    return KeptStand(name=document.name, bodies=bodies, sha256=document.sha256, **spreads)
