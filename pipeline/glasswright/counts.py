"""How many of something, in words."""

from __future__ import annotations


def format_count(number: int, what: str) -> str:
    """Give a number of things: `1 ticket`, `2 tickets`."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
