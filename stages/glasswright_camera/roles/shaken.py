"""Shots on the shaker: that they are blurred in one direction is what they are for."""

from __future__ import annotations

from typing import Final

SHAKEN_ROLES: Final = frozenset({"shake_off", "shake_on"})
MOVED_TOO_FAR: Final = "the shaker moved the image too far for its exposure time: shoot shorter times as well"
"""Why nothing could be measured in one."""
