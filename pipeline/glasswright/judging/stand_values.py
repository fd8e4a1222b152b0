"""Whether a ticket was measured with the constants of the stand file that it is judged with.

Stages read constants of the stand, such as the unevenness of its source: they make the numbers as much as the plan
does. Reproducibility, names and comments make none, and may change without a lens being measured again.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from glasswright.config import scan_bytes
from glasswright.config.plan.method import MeasuredMethod, find_closure
from glasswright.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

MOST_SHOWN: Final = 3
SECTION: Final = "stand."
"""How a plan names a section of the stand file as an input."""


def why_other_constants(method: str, steps: Collection[str], measured: str, judged: str) -> tuple[str, ...]:
    """Say in which constants two stand files differ that numbers were made with; nothing where they do not.

    Files that a stand file names are compared by their names alone.

    Parameters
    ----------
    method
        How the numbers were made, as JSON.
    steps
        Names of the steps whose numbers count.
    measured, judged
        Text of the stand file that the ticket was measured with, and of the one that it is judged with.
    """
    closure = find_closure(MeasuredMethod.model_validate_json(method), steps).values()
    inputs = {source for entry in closure for source in entry.inputs.values()}
    names = sorted(each.removeprefix(SECTION) for each in inputs if each.startswith(SECTION))
    old, new = _read(measured), _read(judged)
    differing = [
        f"`{place}` was {before}, and is {now}"
        for name in names
        for place, before, now in _compare(name, old.get(name), new.get(name))
    ]
    if not differing:
        return ()
    more = len(differing) - MOST_SHOWN
    shown = "; ".join(differing[:MOST_SHOWN]) + (f"; and {more} more" if more > 0 else "")
    return (f"measured with other constants than those of the stand file it is judged with: {shown}: run again",)


def _read(text: str) -> Mapping[str, Any]:
    try:
        data = scan_bytes(Path("stand file"), text.encode()).data
    except ConfigError:
        return {}
    return data if isinstance(data, dict) else {}


def _compare(place: str, old: Any, new: Any) -> Iterator[tuple[str, str, str]]:  # noqa: ANN401 - whatever YAML holds
    if isinstance(old, dict) and isinstance(new, dict):
        for key in (*old, *(key for key in new if key not in old)):
            yield from _compare(f"{place}.{key}", old.get(key), new.get(key))
    elif old != new:
        yield place, _write(old), _write(new)


def _write(value: Any) -> str:  # noqa: ANN401 - whatever YAML holds
    return "not there" if value is None else str(value)
