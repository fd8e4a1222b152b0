"""Cards and stand files read from the texts in the ledger."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.config import check, scan_bytes
from glasswright.config.stand.keys import StandKeys
from glasswright.errors import WHOLE_FILE, ConfigError, Problem
from glasswright.judging.card import Card
from glasswright.judging.cards import CardFile

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.config import Document as ConfigDocument
    from glasswright.config import Spread, StandConstant, WatchKeys
    from glasswright.config.stand.keys import ShopNote
    from glasswright.ledger import Document


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStand:
    """The engine's own keys of a kept stand file, which are all that judging needs.

    The sections of plugins are for measuring. They name other files, which the ledger does not keep, and an older
    plugin may have used another format.
    """

    name: str
    bodies: tuple[str, ...]
    reproducibility: Mapping[str, Spread]
    repeatability: Mapping[str, Spread]
    constants: Mapping[str, StandConstant]
    watch: WatchKeys | None
    may_decide: tuple[str, ...]
    shop: ShopNote | None
    ledger_key: str | None
    text: str
    """The whole text of the file."""
    sha256: str


def read_kept_card(document: Document) -> CardFile:
    """Return a card from its kept text.

    Raises
    ------
    ConfigError
        If it cannot be read, for example after a change of the format.
    """
    read = _scan(document, "card")
    card, problems = check(read, Card)
    if problems or card is None:
        raise ConfigError(problems)
    return CardFile(card=card, document=read)


def read_kept_stand(document: Document) -> KeptStand:
    """Return the engine's own keys of a stand file from its kept text.

    Raises
    ------
    ConfigError
        If they cannot be read, for example after a change of the format.
    """
    read = _scan(document, "stand")
    own = {key: value for key, value in read.data.items() if key in StandKeys.model_fields}
    keys, problems = check(replace(read, data=own), StandKeys)
    if problems or keys is None:
        raise ConfigError(problems)
    return KeptStand(
        name=keys.stand,
        bodies=keys.bodies,
        reproducibility=keys.reproducibility,
        repeatability=keys.repeatability,
        constants=keys.constants,
        watch=keys.watch,
        may_decide=keys.may_decide,
        shop=keys.shop,
        ledger_key=keys.ledger_key,
        text=document.text,
        sha256=document.sha256,
    )


def _scan(document: Document, kind: str) -> ConfigDocument:
    name = f"the kept {document.kind} `{document.name}` ({document.sha256[:12]})"
    if document.kind != kind:
        raise ConfigError([Problem(name, WHOLE_FILE, f"is not a {kind}")])
    read = scan_bytes(Path(name), document.text.encode())
    if not isinstance(read.data, dict):
        raise ConfigError([*read.problems, Problem(name, WHOLE_FILE, f"is not a {kind}: it has no keys")])
    return read
