"""Digests and stored artefacts: equality, refusals, reading back."""

import dataclasses
import importlib
import shutil
import subprocess
import sys
from dataclasses import replace
from enum import Enum
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from glasswright import Artefact, Bulk, CaptureFacts, Setting, Shot, kept
from glasswright.config import DataFile
from glasswright.errors import LedgerDamagedError
from glasswright.ledger.encoding import EncodingError, decode, digest, encode, from_text, to_text
from glasswright.plugin.artefact import HandAnswer, Ticket
from glasswright.plugin.outcome import Status


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Anything(Artefact):
    value: object = None
    other: object = None


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    sense: float
    place: str = dataclasses.field(default="", metadata={"address": False})


class Colour(Enum):
    RED = "red"


arrays = npst.arrays(
    dtype=st.one_of(npst.floating_dtypes(sizes=(32, 64)), npst.integer_dtypes(), npst.boolean_dtypes()),
    shape=npst.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=4),
)
plain = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(), st.binary(), st.just(Status.DONE),
    st.builds(Setting, f_number=st.floats(1, 32)), st.just(Colour.RED),
)  # fmt: skip
trees = st.recursive(
    plain,
    lambda inner: st.one_of(
        st.tuples(inner, inner), st.lists(inner, max_size=3), st.dictionaries(st.text(), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(trees, arrays)
def test_an_artefact_comes_back_exactly(tree, array):
    kept = Anything(value=tree, other=array, caveats=("single_focus",), setting=Setting(f_number=2.0))
    back = decode(encode(kept))
    assert isinstance(back, Anything)
    assert (back.value, back.caveats, back.setting) == (kept.value, kept.caveats, kept.setting)
    assert type(back.value) is type(kept.value)
    assert back.other.dtype == array.dtype
    assert back.other.shape == array.shape
    assert back.other.tobytes() == array.tobytes()


@given(trees, arrays)
def test_the_same_artefact_gives_the_same_bytes_and_digest(tree, array):
    first, second = (Anything(value=tree, other=array.copy()) for _ in range(2))
    assert encode(first) == encode(second)
    assert digest(first) == digest(decode(encode(second)))


@given(trees, trees)
def test_values_have_one_digest_only_if_they_are_equal(one, other):
    if digest(one) == digest(other):
        assert to_comparable(one) == to_comparable(other)


def to_comparable(value):
    """A list counts as a tuple; truth values are no numbers."""
    if isinstance(value, (list, tuple)):
        return ("sequence", *map(to_comparable, value))
    if isinstance(value, dict):
        return {key: to_comparable(member) for key, member in value.items()}
    return (isinstance(value, bool), value)


def test_a_digest_is_the_same_in_another_process():
    value = {"b": (1, 2.5, "é"), "a": frozenset({"x", "y", "z"})}
    program = f"from glasswright.ledger.encoding import digest; print(digest({value!r}))"
    others = {
        subprocess.run(
            [sys.executable, "-c", program], env={"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True
        ).stdout.strip()
        for seed in ("1", "2")
    }
    assert others == {digest(value)}


def test_equal_numbers_have_one_digest():
    assert digest(2) == digest(2.0) == digest(np.float64(2)) == digest(np.int16(2))
    assert digest(0.0) == digest(-0.0)
    assert digest(float("nan")) == digest(float("nan"))
    assert len({digest(value) for value in (1, True, "1", b"1", 1.5, None, (1,), Status.DONE, "done")}) == 9


def test_arrays_differ_by_values_shape_and_kind_but_not_by_memory_order():
    grid = np.arange(6, dtype=np.float32).reshape(2, 3)
    assert digest(grid) == digest(np.asfortranarray(grid)) == digest(grid.astype(">f4"))
    assert digest(grid) != digest(grid.reshape(3, 2))
    assert digest(grid) != digest(grid.astype(np.float64))
    assert digest(grid) != digest(grid + np.float32(1e-6))


def test_neighbouring_values_do_not_run_into_each_other():
    assert digest(("ab", "c")) != digest(("a", "bc"))
    assert digest((("a",), "b")) != digest((("a", "b"),))
    assert digest({"a": {"b": 1}}) != digest({"a": {}, "b": 1})


def test_the_path_of_a_file_is_not_part_of_a_digest():
    shots = [
        Shot(ticket="T", role="chart", name="chart/1", path=path, sha256="ab", sequence=0, facts=CaptureFacts())
        for path in ("/a/1.dng", "/b/1.dng")
    ]
    assert digest(shots[0]) == digest(shots[1])
    assert digest(DataFile(path="/a", sha256="ab")) == digest(DataFile(path="/b", sha256="ab"))
    assert digest(DataFile(path="/a", sha256="ab")) != digest(DataFile(path="/a", sha256="cd"))
    assert digest(Named(sense=1.0, place="here")) == digest(Named(sense=1.0, place="there"))


@pytest.mark.parametrize("value", [object(), Path("/a"), 1j, int, print, np.array(["text"]), np.array([None])])
def test_values_that_are_not_data_have_no_digest_and_are_not_kept(value):
    with pytest.raises(EncodingError, match=r"value\[0\]\.sense"):
        digest([Named(sense=value)])
    with pytest.raises(EncodingError, match=r"Anything\.value\[1\]"):
        encode(Anything(value=(1, value)))


def test_bulk_is_not_kept():
    @dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
    class Pixels(Bulk):
        width: int = 3

    with pytest.raises(EncodingError, match="Pixels is not kept"):
        encode(Pixels())


def test_a_kept_array_is_writeable_and_keeps_its_memory_order():
    back = decode(encode(Anything(value=np.asfortranarray(np.ones((3, 4))))))
    assert back.value.flags.f_contiguous
    back.value[0, 0] = 2


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("os.system/1", "its package is not loaded or has no such type"),
        ("builtins.eval/1", "its package is not loaded or has no such type"),
        ("numpy.ndarray/1", "its package is not loaded or has no such type"),
        ("glasswright.digest/1", "its package is not loaded or has no such type"),
        ("glasswright.NoSuchType/1", "install the plugin that it belongs to"),
        ("glasswright.Setting", "is not the name of a kept type"),
        ("glasswright.Setting/2", "was kept by a newer program: use that one to read it"),
    ],
)
def test_only_dataclasses_of_packages_with_artefacts_are_made_again(name, message):
    text = to_text(Setting())
    assert '"glasswright.Setting/1"' in text
    with pytest.raises(LedgerDamagedError, match=message):
        from_text(text.replace("glasswright.Setting/1", name))


LATER = """
import dataclasses
from glasswright import Artefact, kept

@dataclasses.dataclass(frozen=True, kw_only=True)
class Sheet(Artefact):
    width_mm: float

@dataclasses.dataclass(frozen=True, kw_only=True)
class Page(Artefact):
    sheet: Sheet
"""


def write_room(tmp_path, monkeypatch, *modules):
    """Write a package again and load its modules, like a later version."""
    for name in [name for name in sys.modules if name.partition(".")[0] == "kept_toy"]:
        del sys.modules[name]
    folder = tmp_path / "kept_toy"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "__init__.py").write_text("", encoding="utf-8")
    for name, text in modules:
        (folder / f"{name}.py").write_text(text, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    importlib.invalidate_caches()
    return [importlib.import_module(f"kept_toy.{name}") for name, _ in modules]


def test_stored_artefacts_are_readable_after_moves_renames_and_new_fields(tmp_path, monkeypatch):
    (first,) = write_room(tmp_path, monkeypatch, ("first", LATER))
    data = encode(first.Page(sheet=first.Sheet(width_mm=210.0)))
    named = digest(first.Sheet(width_mm=210.0))
    # moved to another module, and a field gained
    (second,) = write_room(tmp_path, monkeypatch, ("second", LATER + "    count: int = 1\n"))
    assert decode(data) == second.Page(sheet=second.Sheet(width_mm=210.0), count=1)
    assert digest(second.Sheet(width_mm=210.0)) == named
    # renamed, and given in another unit
    renamed = (
        LATER.replace("class Sheet", "class Leaf")
        .replace("sheet: Sheet", "sheet: Leaf")
        .replace("width_mm", "width_um")
        .replace("@data", '@kept(name="Sheet", version=2, upgrades={1: to_um})\n@data', 1)
        .replace("@kept", 'def to_um(fields):\n    return {"width_um": 1000 * fields["width_mm"]}\n\n@kept', 1)
    )
    (third,) = write_room(tmp_path, monkeypatch, ("third", renamed))
    assert decode(data) == third.Page(sheet=third.Leaf(width_um=210_000.0))
    later = encode(third.Page(sheet=third.Leaf(width_um=1.0)))
    assert decode(later).sheet.width_um == 1.0
    # what a newer program kept is not guessed at
    write_room(tmp_path, monkeypatch, ("first", LATER))
    with pytest.raises(LedgerDamagedError, match="was kept by a newer program"):
        decode(later)


def test_two_types_of_one_name_are_not_kept(tmp_path, monkeypatch):
    (first, _) = write_room(tmp_path, monkeypatch, ("first", LATER), ("second", LATER))
    with pytest.raises(
        EncodingError, match=r"is the kept name of classes in kept_toy.first and kept_toy.second: give one"
    ):
        encode(first.Page(sheet=first.Sheet(width_mm=1.0)))


def test_a_version_without_its_upgrades_is_refused():
    with pytest.raises(ValueError, match=r"Sheet: versions 1 to 2 need an upgrade each, found \[1\]"):
        kept(name="Sheet", version=3, upgrades={1: dict})


def test_damaged_bytes_are_refused():
    data = encode(Anything(value="x" * 40))
    for bad in (b"", b"PK" + data, data[:-5], data[:20] + b"\xff\xff" + data[22:]):
        with pytest.raises(LedgerDamagedError, match="kept artefact"):
            decode(bad)


def test_a_class_that_has_changed_is_refused_with_its_field():
    text = to_text(Setting(f_number=2.0)).replace("f_number", "aperture")
    with pytest.raises(LedgerDamagedError, match="aperture"):
        from_text(text)


@given(trees)
def test_a_record_kept_as_text_comes_back(tree):
    assert from_text(to_text(tree)) == tree


def test_an_array_is_not_kept_as_text():
    with pytest.raises(EncodingError, match="holds an array"):
        to_text(Anything(value=np.ones(3)))


def test_what_does_not_affect_measurements_is_not_in_addresses():
    old = HandAnswer(check="mount", answer="fail", who="K. Moreau")
    answer = HandAnswer(check="mount", answer="pass", who="K. Moreau")
    assert digest(replace(answer, earlier=(old,))) == digest(answer) != digest(old)
    ticket = Ticket(number="T-1", model="m", serial="s", phase="study", body="b", hand_checks=(answer,))
    assert digest(replace(ticket, operator="K. Moreau", fitting="monday")) == digest(ticket)
    assert digest(replace(ticket, serial="t")) != digest(ticket)
    assert (ticket.rehearsed, ticket.remarks) == (False, "")
