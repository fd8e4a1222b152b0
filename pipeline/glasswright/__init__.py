"""Glasswright: a headless pipeline that measures lenses on a test stand and says which may go back to their owners.

What a plugin needs is here: the mark, the exception, and the base of what stages hand on.
"""

from importlib.metadata import version

from glasswright.errors import Unmeasurable
from glasswright.formatting import format_against
from glasswright.plugin.artefact import Artefact, Bulk, CaptureFacts, HandAnswer, Setting, Shot, Ticket
from glasswright.plugin.kept import kept
from glasswright.plugin.roles import Role
from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright.plugin.stage import stage
from glasswright.plugin.units import NonNegative, Percentage, Range, unit_of

__version__ = version("glasswright")

__all__ = [
    "Artefact",
    "Bulk",
    "CaptureFacts",
    "HandAnswer",
    "NonNegative",
    "Percentage",
    "Range",
    "Role",
    "Setting",
    "Shot",
    "Ticket",
    "Unmeasurable",
    "__version__",
    "find_imported_sources",
    "format_against",
    "hash_sources",
    "kept",
    "stage",
    "unit_of",
]
