"""Glasswright: a headless pipeline that measures lenses on a test stand and says which may go back to their owners.

It exports all that a plugin needs (the `stage` mark, `Unmeasurable`, the base classes of artefacts) and all that a
script needs (`measure`, `open_ledger`, `save_picture`).
"""

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING

from glasswright.errors import NotApplicable, Unmeasurable
from glasswright.formatting import format_against, format_count
from glasswright.plugin.artefact import REHEARSED, Artefact, Bulk, CaptureFacts, HandAnswer, Setting, Shot, Ticket
from glasswright.plugin.kept import kept
from glasswright.plugin.plugin_drawings import FieldMap
from glasswright.plugin.roles import Role
from glasswright.plugin.setup_check import CardFact, SetupFinding
from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright.plugin.stage import stage
from glasswright.plugin.units import NonNegative, Percentage, Range, unit_of

if TYPE_CHECKING:
    from glasswright.api import Measured, OpenLedger, measure, open_ledger, save_picture

__version__ = version("glasswright")

LATER = frozenset({"Measured", "OpenLedger", "measure", "open_ledger", "save_picture"})
"""Names that are loaded on first use: they need the whole engine, a plugin does not."""


def __getattr__(name: str) -> object:
    """Load a name of `LATER` on first use."""
    if name in LATER:
        return getattr(import_module("glasswright.api"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "REHEARSED",
    "Artefact",
    "Bulk",
    "CaptureFacts",
    "CardFact",
    "FieldMap",
    "HandAnswer",
    "Measured",
    "NonNegative",
    "NotApplicable",
    "OpenLedger",
    "Percentage",
    "Range",
    "Role",
    "Setting",
    "SetupFinding",
    "Shot",
    "Ticket",
    "Unmeasurable",
    "__version__",
    "find_imported_sources",
    "format_against",
    "format_count",
    "hash_sources",
    "kept",
    "measure",
    "open_ledger",
    "save_picture",
    "stage",
    "unit_of",
]
