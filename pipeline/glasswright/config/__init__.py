"""Configuration files: YAML that is data only, read strictly, every mistake reported at once with file and line."""

from glasswright.config.document import Document, Place, name_place
from glasswright.config.files import ConfigFile, DataFile
from glasswright.config.reading import check
from glasswright.config.suggestions import did_you_mean
from glasswright.config.validation import ConfigModel, read_config, validate
from glasswright.config.yaml_reading import read_yaml, scan_yaml

__all__ = [
    "ConfigFile",
    "ConfigModel",
    "DataFile",
    "Document",
    "Place",
    "check",
    "did_you_mean",
    "name_place",
    "read_config",
    "read_yaml",
    "scan_yaml",
    "validate",
]
