"""DNG opcode lists: corrections that a reader should apply (Adobe DNG specification 1.6, chapter 7)."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from collections.abc import Mapping

OPCODE_NAMES: Final = {
    1: "WarpRectilinear",
    2: "WarpFisheye",
    3: "FixVignetteRadial",
    4: "FixBadPixelsConstant",
    5: "FixBadPixelsList",
    6: "TrimBounds",
    7: "MapTable",
    8: "MapPolynomial",
    9: "GainMap",
    10: "DeltaPerRow",
    11: "DeltaPerColumn",
    12: "ScalePerRow",
    13: "ScalePerColumn",
    14: "WarpRectilinear2",
}
HARMLESS: Final = frozenset({4, 5, 6})
"""Opcodes that repair single pixels or trim the border, without changing other levels or places."""
BEFORE_DEMOSAIC: Final = (1, 2)
HEADER: Final = struct.Struct(">IIII")
"""Identity, version, flags, length of the parameters; always big-endian."""


def describe_opcodes(lists: Mapping[int, bytes | None]) -> tuple[str, ...]:
    """Return a note for each opcode list that is harmless.

    Parameters
    ----------
    lists
        Number of the list (1: on the values as read, 2: on linear values, 3: after demosaicing) and its bytes.

    Raises
    ------
    Unmeasurable
        Where list 1 or 2 corrects shading, geometry or levels, so that pixels show lens and correction together.
    """
    notes = []
    for number, data in lists.items():
        if not data:
            continue
        opcodes = read_opcodes(bytes(data), number)
        names = ", ".join(dict.fromkeys(name_opcode(opcode) for opcode in opcodes))
        altering = [opcode for opcode in opcodes if opcode not in HARMLESS]
        if number in BEFORE_DEMOSAIC and altering:
            raise Unmeasurable(
                f"corrections baked in: opcode list {number} of the file requires "
                f"{', '.join(dict.fromkeys(name_opcode(opcode) for opcode in altering))}; turn lens and shading "
                "corrections off in the body and shoot again"
            )
        if names:
            notes.append(f"opcode list {number} of the file ({names}) is not applied")
    return tuple(notes)


def name_opcode(opcode: int) -> str:
    """Return an opcode's name, or its number."""
    return OPCODE_NAMES.get(opcode, f"opcode {opcode}")


def read_opcodes(data: bytes, number: int) -> tuple[int, ...]:
    """Return the identities of the opcodes in a list.

    Raises
    ------
    Unmeasurable
        Where the list is shorter than its lengths.
    """
    try:
        (count,) = struct.unpack_from(">I", data)
        place, opcodes = 4, []
        for _ in range(count):
            identity, _, _, length = HEADER.unpack_from(data, place)
            opcodes.append(identity)
            place += HEADER.size + length
    except struct.error as error:
        raise Unmeasurable(f"opcode list {number} of the file is cut short: copy it again") from error
    if place > len(data):
        raise Unmeasurable(f"opcode list {number} of the file is cut short: copy it again")
    return tuple(opcodes)
