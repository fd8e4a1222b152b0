"""Converts pydantic's errors into messages with file, line, what was found and the remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.config.schema.fields import keys_at
from glasswright.config.schema.suggestions import did_you_mean
from glasswright.config.yaml.document import Document, Place, name_place

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from glasswright.errors import Problem

LONGEST_SHOWN = 80

UNKNOWN_KEY = frozenset({"extra_forbidden", "unexpected_keyword_argument"})
MISSING_KEY = frozenset({"missing", "missing_argument", "missing_keyword_only_argument"})
ELSEWHERE = "reported_elsewhere"
WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "`true` or `false`",
    "string_type": "text",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a mapping (`key: value`)",
    "model_type": "a mapping (`key: value`)",
    "dataclass_type": "a mapping (`key: value`)",
    "none_required": "left out",
}


def explain(error: ValidationError, document: Document, kind: object, start: Place) -> list[Problem]:
    """Return one problem for each place that is wrong; messages from several branches of a union are joined."""
    messages_at: dict[tuple[Place, int], list[str]] = {}
    details = error.errors(include_url=False)
    for number, detail in enumerate(details):
        if detail["type"] == ELSEWHERE or _follows_from_others(detail, details):
            continue
        inner: Place = detail["loc"][1:]  # the first part is the one-element tuple that `_reader_of` adds
        place = document.resolve((*start, *inner))
        joins = detail["type"] not in UNKNOWN_KEY | MISSING_KEY and place != (*start, *inner)
        messages_at.setdefault((place, -1 if joins else number), []).append(_explain(detail, document, kind, place))
    return [document.problem(place, _join(place, messages)) for (place, _), messages in messages_at.items()]


def _follows_from_others(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """Return whether a list is reported as too short only because its members are wrong."""
    place = detail["loc"]
    return detail["type"] == "too_short" and any(
        len(other["loc"]) > len(place) and other["loc"][: len(place)] == place for other in details
    )


def _join(place: Place, messages: list[str]) -> str:
    where = f"`{name_place(place)}`: " if place else ""
    return where + ", or ".join(dict.fromkeys(messages))


def _explain(detail: ErrorDetails, document: Document, kind: object, place: Place) -> str:
    code, inner = detail["type"], detail["loc"][1:]
    key = str(inner[-1]) if inner else ""
    if code in UNKNOWN_KEY:
        return f"unknown key; {did_you_mean(key, keys_at(kind, inner[:-1]))}"
    if code in MISSING_KEY:
        return f"needs more elements: number {int(key) + 1} is missing" if key.isdigit() else f"`{key}` is missing"
    found = _show(detail["input"], document, place)
    if code == "string_type" and isinstance(detail["input"], bool | int | float):
        written = document.written.get(place, str(detail["input"]))
        return f'must be text, found {found}: put it in quotes ("{written}")'
    if code in WANTED:
        return f"must be {WANTED[code]}, found {found}"
    if code in ("too_short", "too_long"):
        context = detail.get("ctx", {})
        wanted = f"at least {context['min_length']}" if code == "too_short" else f"at most {context['max_length']}"
        return f"must have {wanted} elements, found {found}"
    message = detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    verb = "must be " if detail["msg"].startswith("Input should be ") else ""
    return f"{verb}{message}, found {found}"


def _show(value: object, document: Document, place: Place) -> str:
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"the text `{_clip(value)}`" if isinstance(value, str) else f"`{document.written.get(place) or value}`"


def _clip(text: str) -> str:
    return text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "..."
