"""Encoding of values as bytes: digests for addresses, and an exactly decodable form for keeping."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import zlib
from collections.abc import Mapping
from enum import Enum
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pydantic import BaseModel

from glasswright.errors import GlasswrightError, LedgerDamagedError
from glasswright.plugin.artefact import Artefact
from glasswright.plugin.kept import KeptTypeError, base_name, find_enumeration, find_kept, kept_name, make_again

if TYPE_CHECKING:
    from collections.abc import Iterator

MAGIC: Final = b"GLWA2\n"
COMPRESSION_LEVEL: Final = 1
NUMERIC_KINDS: Final = "biufc"
UNADDRESSED: Final = frozenset({("Shot", "path"), ("DataFile", "path")})
"""Fields left out of digests: the path of a file does not affect its content."""
UNREADABLE: Final = (KeptTypeError, zlib.error, ValueError, TypeError, LookupError, AttributeError)


class EncodingError(GlasswrightError):
    """A value of a type that has no digest and cannot be kept; the message names its place and class."""


def digest(value: object) -> str:
    """Return a digest of a value; equal values have equal digests, in any process and on any machine.

    Equal numbers have equal digests (2 and 2.0, 0.0 and -0.0), as do a list and a tuple, and mappings in any order.
    Fields with the metadata ``{"address": False}`` and the paths of files are left out.

    Parameters
    ----------
    value
        Dataclasses, pydantic models, enumerations, mappings, sequences, sets, text, bytes, numbers, numeric arrays and
        None, nested to any depth.

    Raises
    ------
    EncodingError
        For any other type: otherwise two different values could get the same digest.
    """
    running = hashlib.sha256()
    for token in _tokens(value, "value"):
        running.update(len(token).to_bytes(8, "little"))
        running.update(token)
    return running.hexdigest()


def encode(artefact: Artefact) -> bytes:
    """Return an artefact as compressed bytes, reproducibly; `decode` restores it exactly.

    Raises
    ------
    EncodingError
        For a bulk artefact, which is never kept, and for a value that is not plain data.
    """
    if not isinstance(artefact, Artefact) or artefact.bulk:
        msg = f"{type(artefact).__name__} is not kept: only artefacts that are not bulk are"
        raise EncodingError(msg)
    arrays: list[bytes] = []
    tree = _pack(artefact, type(artefact).__name__, arrays)
    header = json.dumps(tree, allow_nan=False, separators=(",", ":")).encode()
    body = b"".join([len(header).to_bytes(8, "little"), header, *arrays])
    return MAGIC + zlib.compress(body, COMPRESSION_LEVEL)


def decode(data: bytes) -> Artefact:
    """Return the artefact that `encode` encoded. Nothing is imported; only dataclass code runs.

    Raises
    ------
    LedgerDamagedError
        If the bytes are not an encoded artefact, or its class is missing or has changed incompatibly.
    """
    if not data.startswith(MAGIC):
        msg = f"a kept artefact must begin with {MAGIC!r}; found {data[: len(MAGIC)]!r}"
        raise LedgerDamagedError(msg)
    try:
        body = zlib.decompress(data[len(MAGIC) :])
        length = int.from_bytes(body[:8], "little")
        artefact = _unpack(json.loads(body[8 : 8 + length]), body[8 + length :])
    except UNREADABLE as error:
        msg = f"a kept artefact cannot be read: {error}"
        raise LedgerDamagedError(msg) from error
    if not isinstance(artefact, Artefact):
        msg = f"a kept artefact contains a {type(artefact).__name__}, which is not an artefact"
        raise LedgerDamagedError(msg)
    return artefact


def to_text(value: object) -> str:
    """Return a value without arrays as JSON; `from_text` restores it exactly."""
    arrays: list[bytes] = []
    text = json.dumps(_pack(value, type(value).__name__, arrays), allow_nan=False, separators=(",", ":"))
    if arrays:
        msg = f"{type(value).__name__} holds an array, which is not kept as text"
        raise EncodingError(msg)
    return text


def from_text(text: str) -> object:
    """Return the value that `to_text` encoded.

    Raises
    ------
    LedgerDamagedError
        If the text is not an encoded value.
    """
    try:
        return _unpack(json.loads(text), b"")
    except UNREADABLE as error:
        msg = f"a kept record cannot be read: {error}"
        raise LedgerDamagedError(msg) from error


def class_name(cls: type) -> str:
    """Return a class's full name, for messages."""
    return f"{cls.__module__}:{cls.__qualname__}"


def _tokens(value: object, place: str) -> Iterator[bytes]:
    """Yield a value as byte strings, each type with its own first letter."""
    if value is None or isinstance(value, (bool, np.bool_)):
        yield b"-" if value is None else b"?1" if value else b"?0"
    elif isinstance(value, Enum):
        yield b"E" + base_name(type(value)).encode()
        yield from _tokens(value.value, place)
    elif isinstance(value, (int, float, np.number)):
        yield _number_token(value, place)
    elif isinstance(value, str):
        yield b"s" + value.encode("utf-8", "surrogatepass")
    elif isinstance(value, bytes):
        yield b"b" + value
    elif isinstance(value, np.ndarray):
        yield from _array_tokens(value, place)
    else:
        yield from _container_tokens(value, place)


def _container_tokens(value: object, place: str) -> Iterator[bytes]:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        yield b"D" + base_name(type(value)).encode()
        for field in dataclasses.fields(value):
            if _is_addressed(value, field):
                yield b"." + field.name.encode()
                yield from _tokens(getattr(value, field.name), f"{place}.{field.name}")
        yield b"d"
    elif isinstance(value, BaseModel):
        yield from _tokens({name: getattr(value, name) for name in type(value).model_fields}, place)
    elif isinstance(value, Mapping):
        yield b"M"
        for key_digest, key in sorted((digest(key), key) for key in value):
            yield key_digest.encode()
            yield from _tokens(value[key], f"{place}[{key!r}]")
        yield b"m"
    elif isinstance(value, (tuple, list)):
        yield b"T"
        for index, member in enumerate(value):
            yield from _tokens(member, f"{place}[{index}]")
        yield b"t"
    elif isinstance(value, (set, frozenset)):
        yield b"S"
        yield from sorted(digest(member).encode() for member in value)
        yield b"s"
    else:
        msg = f"{place} is a {class_name(type(value))}: this kind of value has no digest. Use dataclasses of data"
        raise EncodingError(msg)


def _is_addressed(value: object, field: dataclasses.Field[Any]) -> bool:
    return bool(field.metadata.get("address", True)) and (type(value).__name__, field.name) not in UNADDRESSED


def _number_token(value: float | np.number[Any], place: str) -> bytes:
    number = value.item() if isinstance(value, np.number) else value
    if isinstance(number, complex):
        msg = f"{place} is a complex number: this kind of value has no digest"
        raise EncodingError(msg)
    if isinstance(number, float) and math.isfinite(number) and number == int(number):
        number = int(number)
    return b"n" + repr(number).encode()


def _array_tokens(array: np.ndarray[Any, Any], place: str) -> Iterator[bytes]:
    _check_array(array, place)
    yield b"A" + array.dtype.newbyteorder("<").str.encode() + repr(array.shape).encode()
    yield np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<")).tobytes()


def _check_array(array: np.ndarray[Any, Any], place: str) -> None:
    if array.dtype.kind not in NUMERIC_KINDS:
        msg = f"{place} is an array of {array.dtype}: only arrays of numbers and truth values are kept"
        raise EncodingError(msg)


def _pack(value: object, place: str, arrays: list[bytes]) -> object:
    """Return a value as JSON: directly if JSON has the type, else as an object whose key names the type."""
    if isinstance(value, (np.bool_, np.integer, np.floating)):
        value = value.item()
    if isinstance(value, Enum):
        return {"enum": _name(type(value), place), "value": _pack(value.value, place, arrays)}
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": repr(value)}
    if isinstance(value, bytes):
        return {"bytes": value.hex()}
    if isinstance(value, list):
        return [_pack(member, f"{place}[{index}]", arrays) for index, member in enumerate(value)]
    if isinstance(value, tuple):
        return {"tuple": [_pack(member, f"{place}[{index}]", arrays) for index, member in enumerate(value)]}
    if isinstance(value, Mapping):
        pairs = [(_pack(key, f"{place} key", arrays), _pack(value[key], f"{place}[{key!r}]", arrays)) for key in value]
        return {"map": pairs}
    if isinstance(value, np.ndarray):
        return _pack_array(value, place, arrays)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in dataclasses.fields(value) if field.init]
        fields = {name: _pack(getattr(value, name), f"{place}.{name}", arrays) for name in names}
        return {"type": _name(type(value), place), "fields": fields}
    msg = (
        f"{place} is a {class_name(type(value))}, which cannot be kept: artefacts hold dataclasses, numbers and arrays"
    )
    raise EncodingError(msg)


def _name(cls: type, place: str) -> str:
    """Return the kept name of a type, after checking that it can be found under that name."""
    try:
        found = find_kept(base_name(cls))
    except KeptTypeError as error:
        raise EncodingError(f"{place} cannot be kept: {error}") from error
    if found is not cls:
        raise EncodingError(
            f"{place} cannot be kept: its class {class_name(cls)} has been replaced by another of the same name"
        )
    return kept_name(cls)


def _pack_array(array: np.ndarray[Any, Any], place: str, arrays: list[bytes]) -> object:
    """Append an array's bytes and return its description, with the memory order: it affects the last digits of sums."""
    _check_array(array, place)
    order = "F" if array.flags.f_contiguous and not array.flags.c_contiguous else "C"
    start = sum(map(len, arrays))
    arrays.append(array.tobytes(order))  # type: ignore[arg-type]
    return {"array": array.dtype.str, "shape": list(array.shape), "order": order, "start": start}


def _unpack(node: Any, arrays: bytes) -> Any:  # noqa: ANN401 - JSON is of any kind
    if isinstance(node, list):
        return [_unpack(member, arrays) for member in node]
    if not isinstance(node, dict):
        return node
    if "type" in node:
        return make_again(node["type"], {name: _unpack(member, arrays) for name, member in node["fields"].items()})
    if "enum" in node:
        return find_enumeration(node["enum"])(_unpack(node["value"], arrays))
    if "tuple" in node:
        return tuple(_unpack(member, arrays) for member in node["tuple"])
    if "map" in node:
        return {_unpack(key, arrays): _unpack(member, arrays) for key, member in node["map"]}
    if "array" in node:
        return _unpack_array(node, arrays)
    return bytes.fromhex(node["bytes"]) if "bytes" in node else float(node["float"])


def _unpack_array(node: Mapping[str, Any], arrays: bytes) -> np.ndarray[Any, Any]:
    """Return a writeable array with memory of its own."""
    dtype = np.dtype(node["array"])
    if dtype.kind not in NUMERIC_KINDS:
        msg = f"an array of {dtype} was never kept"
        raise ValueError(msg)
    count = math.prod(node["shape"])
    flat = np.frombuffer(arrays, dtype=dtype, count=count, offset=node["start"])
    return flat.reshape(node["shape"], order=node["order"]).copy(order=node["order"])
