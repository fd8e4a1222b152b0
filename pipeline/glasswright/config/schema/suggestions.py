"""Suggestions for unknown names: `did you mean ...?`"""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

MOST_LISTED = 12


def did_you_mean(word: str, options: Iterable[str]) -> str:
    """Return the end of a message about an unknown name: the likely spelling, or else the known names.

    Parameters
    ----------
    word
        The name as written.
    options
        The known names.
    """
    known = sorted(set(options))
    if not known:
        return "there is none to choose from"
    by_lower = {option.lower(): option for option in known}
    close = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    if close:
        return f"did you mean `{by_lower[close[0]]}`?"
    listed = ", ".join(f"`{option}`" for option in known[:MOST_LISTED])
    more = len(known) - MOST_LISTED
    return f"known: {listed}" + (f" and {more} more" if more > 0 else "")
