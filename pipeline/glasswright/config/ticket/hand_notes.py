"""The hand checks in `ticket.yaml`: answers that a person signs."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator

from glasswright.config.schema.names import STEP_NAME, Line
from glasswright.plugin.settings import ConfigModel

AnswerKind = Literal["pass", "fail", "not_applicable"]


def _check_name(name: str) -> str:
    if not STEP_NAME.fullmatch(name):
        raise ValueError("must be lower-case letters, digits and `_`, a letter first, such as `front_glass`")
    return name


def _refuse_no_date(text: str) -> str:
    try:
        datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError("must be a day or a time, such as 2026-03-02 or 2026-03-02T14:05") from error
    return text


CheckName = Annotated[str, AfterValidator(_check_name)]
"""Name of a hand check; the plugin defines which exist."""


class EarlierNote(ConfigModel):
    """An answer that was later replaced."""

    answer: AnswerKind
    who: Line | None = None
    when: Annotated[Line, AfterValidator(_refuse_no_date)] | None = None
    note: Line | None = None


class HandNote(EarlierNote):
    """One answer. Without `who` or `when` it is unsigned, and does not count."""

    earlier: tuple[EarlierNote, ...] = ()
    """Earlier answers, oldest first."""
