"""Tables with the Arrow PyCapsule interface, which other libraries can read; no Arrow library is needed.

The structures are those of the Arrow C data interface and C stream interface
(https://arrow.apache.org/docs/format/CDataInterface.html, .../CStreamInterface.html). A table is exported as a stream
of one record batch. Every structure keeps its memory alive until the consumer releases it.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

NULLABLE: Final = 2
STREAM_NAME: Final = b"arrow_array_stream"
END: Final = 0


class ArrowSchema(ctypes.Structure):
    """`struct ArrowSchema`."""


class ArrowArray(ctypes.Structure):
    """`struct ArrowArray`."""


class ArrowStream(ctypes.Structure):
    """`struct ArrowArrayStream`."""


ReleaseSchema = ctypes.CFUNCTYPE(None, ctypes.POINTER(ArrowSchema))
ReleaseArray = ctypes.CFUNCTYPE(None, ctypes.POINTER(ArrowArray))
ReleaseStream = ctypes.CFUNCTYPE(None, ctypes.POINTER(ArrowStream))
GetSchema = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ArrowStream), ctypes.POINTER(ArrowSchema))
GetNext = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ArrowStream), ctypes.POINTER(ArrowArray))
GetError = ctypes.CFUNCTYPE(ctypes.c_char_p, ctypes.POINTER(ArrowStream))
Destroy = ctypes.CFUNCTYPE(None, ctypes.c_void_p)

ArrowSchema._fields_ = [
    ("format", ctypes.c_char_p),
    ("name", ctypes.c_char_p),
    ("metadata", ctypes.c_char_p),
    ("flags", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("children", ctypes.POINTER(ctypes.POINTER(ArrowSchema))),
    ("dictionary", ctypes.POINTER(ArrowSchema)),
    ("release", ReleaseSchema),
    ("private_data", ctypes.c_void_p),
]
ArrowArray._fields_ = [
    ("length", ctypes.c_int64),
    ("null_count", ctypes.c_int64),
    ("offset", ctypes.c_int64),
    ("n_buffers", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("buffers", ctypes.POINTER(ctypes.c_void_p)),
    ("children", ctypes.POINTER(ctypes.POINTER(ArrowArray))),
    ("dictionary", ctypes.POINTER(ArrowArray)),
    ("release", ReleaseArray),
    ("private_data", ctypes.c_void_p),
]
ArrowStream._fields_ = [
    ("get_schema", GetSchema),
    ("get_next", GetNext),
    ("get_last_error", GetError),
    ("release", ReleaseStream),
    ("private_data", ctypes.c_void_p),
]

_ALIVE: dict[int, Any] = {}
"""Number of a structure -> the objects whose memory it points to."""
_COUNT = iter(range(1, 2**62))


def _keep(memory: object) -> int:
    number = next(_COUNT)
    _ALIVE[number] = memory
    return number


def _release(structure: Any) -> None:  # noqa: ANN401 - a pointer to any of the structures
    """Release a structure and its children, unless the consumer took them over."""
    found = structure.contents
    for index in range(getattr(found, "n_children", 0)):
        child = found.children[index]
        if child.contents.release:
            child.contents.release(child)
    _ALIVE.pop(found.private_data, None)
    found.release = type(found.release)(0)


RELEASE_SCHEMA = ReleaseSchema(_release)
RELEASE_ARRAY = ReleaseArray(_release)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of texts, numbers or booleans; None for missing values."""

    name: str
    kind: type
    """`str`, `float` or `bool`."""
    values: Sequence[Any]

    @property
    def format(self) -> bytes:
        """The Arrow format string: large UTF-8, float64 or boolean."""
        return {str: b"U", float: b"g", bool: b"b"}[self.kind]

    def buffers(self) -> list[np.ndarray[Any, Any]]:
        """Return the validity bitmap and the value buffers."""
        there = _pack_bits([value is not None for value in self.values])
        if self.kind is str:
            texts = [b"" if value is None else value.encode() for value in self.values]
            ends = np.concatenate([[0], np.cumsum([len(text) for text in texts])]).astype(np.int64)
            return [there, ends, np.frombuffer(b"".join(texts) or b"\0", dtype=np.uint8)]
        if self.kind is bool:
            return [there, _pack_bits([bool(value) for value in self.values])]
        return [there, np.array([np.nan if value is None else value for value in self.values], dtype=np.float64)]


def _pack_bits(bits: Sequence[bool]) -> np.ndarray[Any, Any]:
    return np.packbits(np.array(bits, dtype=bool), bitorder="little")


class Table:
    """A table of columns, accepted by `pandas.DataFrame.from_arrow`, `polars.DataFrame` and `pyarrow.table`."""

    def __init__(self, columns: Mapping[str, type], rows: Sequence[Mapping[str, Any]]) -> None:
        """Make a table from rows.

        Parameters
        ----------
        columns
            Name -> `str`, `float` or `bool`.
        rows
            Mappings with a value, or None, for every column.
        """
        self.columns = tuple(Column(name, kind, [row[name] for row in rows]) for name, kind in columns.items())
        self.row_count = len(rows)

    def __len__(self) -> int:
        """Return the number of rows."""
        return self.row_count

    def __getitem__(self, name: str) -> list[Any]:
        """Return a column's values."""
        return list(next(column for column in self.columns if column.name == name).values)

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows as dictionaries."""
        names = [column.name for column in self.columns]
        return [dict(zip(names, row, strict=True)) for row in zip(*(c.values for c in self.columns), strict=True)]

    def __repr__(self) -> str:
        """Return size and column names."""
        return f"<Table of {self.row_count} rows: {', '.join(column.name for column in self.columns)}>"

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """Return a capsule with a stream of one record batch; `requested_schema` is ignored."""
        del requested_schema
        return _make_capsule(self.columns, self.row_count)


def _fill_schema(schema: ArrowSchema, form: bytes, name: bytes, children: list[ArrowSchema]) -> None:
    pointers = (ctypes.POINTER(ArrowSchema) * len(children))(*(ctypes.pointer(child) for child in children))
    schema.format, schema.name, schema.metadata, schema.flags = form, name, None, NULLABLE if not children else 0
    schema.n_children, schema.children = len(children), pointers
    schema.dictionary, schema.release = None, RELEASE_SCHEMA
    schema.private_data = _keep((form, name, children, pointers))


def _fill_array(array: ArrowArray, length: int, buffers: list[Any], children: list[ArrowArray], nulls: int) -> None:
    places = [None if each is None else each.ctypes.data for each in buffers]
    held = (ctypes.c_void_p * len(places))(*places)
    pointers = (ctypes.POINTER(ArrowArray) * len(children))(*(ctypes.pointer(child) for child in children))
    array.length, array.null_count, array.offset = length, nulls, 0
    array.n_buffers, array.buffers = len(places), held
    array.n_children, array.children = len(children), pointers
    array.dictionary, array.release = None, RELEASE_ARRAY
    array.private_data = _keep((buffers, held, children, pointers))


def _make_capsule(columns: Sequence[Column], count: int) -> object:
    left = [True]

    def get_schema(_stream: Any, out: Any) -> int:  # noqa: ANN401
        children = []
        for column in columns:
            child = ArrowSchema()
            _fill_schema(child, column.format, column.name.encode(), [])
            children.append(child)
        _fill_schema(out.contents, b"+s", b"", children)
        return 0

    def get_next(_stream: Any, out: Any) -> int:  # noqa: ANN401
        if not left:
            out.contents.release = ReleaseArray(END)
            return 0
        left.clear()
        children = []
        for column in columns:
            child = ArrowArray()
            _fill_array(child, count, column.buffers(), [], sum(value is None for value in column.values))
            children.append(child)
        _fill_array(out.contents, count, [None], children, 0)
        return 0

    stream = ArrowStream()
    calls = (GetSchema(get_schema), GetNext(get_next), GetError(lambda _stream: None), ReleaseStream(_release))
    stream.get_schema, stream.get_next, stream.get_last_error, stream.release = calls
    stream.private_data = _keep((stream, calls, columns))
    api = ctypes.pythonapi
    api.PyCapsule_New.restype = ctypes.py_object
    api.PyCapsule_New.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p]
    _CAPSULES[ctypes.addressof(stream)] = stream
    return api.PyCapsule_New(ctypes.addressof(stream), STREAM_NAME, ctypes.cast(DESTROY, ctypes.c_void_p))


_CAPSULES: dict[int, ArrowStream] = {}
"""Streams of living capsules, by address."""


def _destroy(capsule: int) -> None:
    """Release a stream that no consumer took out of its capsule."""
    api = ctypes.pythonapi
    api.PyCapsule_GetPointer.restype = ctypes.c_void_p
    api.PyCapsule_GetPointer.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    stream = _CAPSULES.pop(api.PyCapsule_GetPointer(capsule, STREAM_NAME), None)
    if stream is not None and stream.release:
        stream.release(ctypes.pointer(stream))


DESTROY: Final = Destroy(_destroy)
