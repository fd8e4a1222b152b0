"""How a stand was watched, by the text that the ledger kept of its file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.config import WatchKeys, check, scan_bytes
from glasswright.errors import ConfigError

if TYPE_CHECKING:
    from glasswright.ledger import Document


def read_kept_watch(document: Document) -> WatchKeys | None:
    """Give the section `watch` of a stand file that was kept; None if it has none.

    Raises
    ------
    ConfigError
        If the section cannot be read, as after a change of what this program reads.
    """
    read = scan_bytes(Path(f"the kept stand file of {document.name}"), document.text.encode())
    if not isinstance(read.data, dict) or "watch" not in read.data:
        return None
    keys, problems = check(read, WatchKeys, "watch")
    if problems or keys is None:
        raise ConfigError(problems)
    return keys
