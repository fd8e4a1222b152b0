"""Configuration files: plain-data YAML, read strictly; all mistakes are reported at once with file and line."""

from glasswright.config.plan.plan import Plan, Source, Step, load_plan
from glasswright.config.schema.files import ConfigFile, DataFile
from glasswright.config.schema.names import Line, SafeName, is_safe_name
from glasswright.config.schema.reading import check, read_config, validate
from glasswright.config.schema.shipped import find_shipped
from glasswright.config.schema.suggestions import did_you_mean
from glasswright.config.stand.constants import StandConstant, StandNumber, is_same_serial, why_not_held
from glasswright.config.stand.file import StandFile, load_stand
from glasswright.config.stand.keys import Spread
from glasswright.config.stand.match import find_idle_spreads, match_stand
from glasswright.config.stand.watch_keys import WatchedField, WatchKeys
from glasswright.config.stand.writing import (
    StandWriteError,
    propose_changes,
    propose_constants,
    replace_stand,
    show_changes,
)
from glasswright.config.ticket.file import BodyNote, LensNote, ShotNote, StudyNote, TicketFile, load_ticket
from glasswright.config.ticket.hand_notes import CheckName, EarlierNote, HandNote
from glasswright.config.yaml.document import Document, Place, name_place
from glasswright.config.yaml.reading import read_yaml, scan_bytes, scan_yaml
from glasswright.plugin.settings import ConfigModel

__all__ = [
    "BodyNote",
    "CheckName",
    "ConfigFile",
    "ConfigModel",
    "DataFile",
    "Document",
    "EarlierNote",
    "HandNote",
    "LensNote",
    "Line",
    "Place",
    "Plan",
    "SafeName",
    "ShotNote",
    "Source",
    "Spread",
    "StandConstant",
    "StandFile",
    "StandNumber",
    "StandWriteError",
    "Step",
    "StudyNote",
    "TicketFile",
    "WatchKeys",
    "WatchedField",
    "check",
    "did_you_mean",
    "find_idle_spreads",
    "find_shipped",
    "is_safe_name",
    "is_same_serial",
    "load_plan",
    "load_stand",
    "load_ticket",
    "match_stand",
    "name_place",
    "propose_changes",
    "propose_constants",
    "read_config",
    "read_yaml",
    "replace_stand",
    "scan_bytes",
    "scan_yaml",
    "show_changes",
    "validate",
    "why_not_held",
]
