"""The stand file: the bench's name, bodies and scatter, and a section for each plugin that declares one.

The ledger keeps its text and, below that, the digests of the files that it names (layouts, sensor maps), because
measurements depend on these too.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pydantic import create_model

from glasswright.config.schema.reading import check
from glasswright.config.stand.keys import StandKeys
from glasswright.config.stand.logo import LogoError, read_logo
from glasswright.config.yaml.reading import scan_yaml
from glasswright.errors import ConfigError
from glasswright.plain_text import escape_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.config.schema.plugins import Plugins
    from glasswright.config.stand.constants import StandConstant
    from glasswright.config.stand.keys import ShopNote, Spread
    from glasswright.config.stand.watch_keys import WatchKeys
    from glasswright.config.yaml.document import Document
    from glasswright.plugin.artefact import Artefact


FILES_FOLLOW: Final = "# SHA-256 of the files named above, as they were when this was read:"
FILE_LINE: Final = re.compile(r"# (?P<sha256>[0-9a-f]{64})  (?P<name>.+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class StandFile:
    """A stand file that has passed all checks."""

    name: str
    bodies: tuple[str, ...]
    repeatability: Mapping[str, Spread]
    """Pooled standard deviation of repeats, by `step.field` (wildcards allowed), for gathers of under five shots."""
    reproducibility: Mapping[str, Spread]
    """Scatter from mounting a lens again, by `step.field` (wildcards allowed)."""
    constants: Mapping[str, StandConstant]
    """What was measured of the stand itself, when, on which body and for how long it is valid; by name."""
    watch: WatchKeys | None
    """How the reference lens is watched; None if it is not."""
    may_decide: tuple[str, ...]
    """Names of those who may release a lens that is in review; if empty, nobody may."""
    shop: ShopNote | None
    """Printed at the head of records."""
    ledger_key: str | None
    """Public key for the signature of the ledger's head; None if nothing is signed."""
    sections: Mapping[str, Artefact]
    """By plugin; only those in the file."""
    document: Document
    logo: bytes = b""
    """The shop's logo, a PNG or JPEG file; empty where there is none."""
    files: Mapping[str, str] = field(default_factory=dict)
    """The files that it names: name -> SHA-256, which covers the files that they name in turn."""

    @property
    def text(self) -> str:
        """The text of the file, followed by comments with the digests of the files that it names."""
        if not self.files:
            return self.document.text
        lines = [f"# {sha256}  {escape_name(name)}" for name, sha256 in sorted(self.files.items())]
        return "\n".join((self.document.text.rstrip("\n"), FILES_FOLLOW, *lines, ""))

    @property
    def sha256(self) -> str:
        """SHA-256 of `text`."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def read_files(text: str) -> Mapping[str, str]:
    """Return the digests of the files that a stand file names, from its kept text: name -> SHA-256."""
    lines = text.rpartition(f"\n{FILES_FOLLOW}\n")[2].splitlines()
    return {found["name"]: found["sha256"] for line in lines if (found := FILE_LINE.fullmatch(line))}


def load_stand(path: Path, plugins: Plugins) -> StandFile:
    """Read and check a stand file and the files that it names.

    Raises
    ------
    ConfigError
        With every mistake in any of them.
    """
    document = scan_yaml(path)
    files: dict[str, str] = {}
    value, problems = check(document, model_for(plugins), files=files)
    if value is None:
        raise ConfigError(problems)
    logo = b""
    if value.shop is not None and value.shop.logo is not None:
        try:
            logo = read_logo(path.parent / value.shop.logo)
        except LogoError as error:
            raise ConfigError([document.problem(("shop", "logo"), f"shop.logo: {error}")]) from error
        files[value.shop.logo] = hashlib.sha256(logo).hexdigest()
    sections = {name: getattr(value, name) for name in plugins.sections}
    return StandFile(
        name=value.stand,
        bodies=value.bodies,
        repeatability=value.repeatability,
        reproducibility=value.reproducibility,
        constants=value.constants,
        watch=value.watch,
        may_decide=value.may_decide,
        shop=value.shop,
        ledger_key=value.ledger_key,
        sections={name: section for name, section in sections.items() if section is not None},
        document=document,
        logo=logo,
        files=files,
    )


def model_for(plugins: Plugins) -> type[StandKeys]:
    """Return the type by which a stand file is validated, with the sections of all plugins."""
    sections: dict[str, Any] = {name: (section | None, None) for name, section in plugins.sections.items()}
    return create_model("StandWithSections", __base__=StandKeys, **sections)
