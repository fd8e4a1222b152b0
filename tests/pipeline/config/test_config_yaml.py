"""YAML as data only. Scalars: the core schema of YAML 1.2.2, section 10.3.2, without ambiguous forms."""

import json
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright.config import read_yaml
from glasswright.errors import ConfigError


def read(tmp_path, text):
    path = tmp_path / "file.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_yaml(path)


def problems_of(tmp_path, text):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, text)
    return [(problem.line, problem.message) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("written", "value"),
    [
        # YAML 1.2.2, 10.3.2 tag resolution
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("FALSE", False),
        ("12", 12),
        ("-7", -7),
        ("+3", 3),
        ("0", 0),
        ("1.5", 1.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e-3", 1e-3),
        ("1E3", 1000.0),
        ("-2.5e+2", -250.0),
        ("0.01", 0.01),
        # what YAML 1.1 reads as something else
        ("no", "no"),
        ("Yes", "Yes"),
        ("on", "on"),
        ("OFF", "OFF"),
        ("1:30", "1:30"),
        ("1_000", "1_000"),
        ("2026-03-01", "2026-03-01"),
        ("0x1f", "0x1f"),
        ("0b11", "0b11"),
        ("0o17", "0o17"),
        ("=", "="),
        # always text
        ('"12"', "12"),
        ("'true'", "true"),
        ('""', ""),
        ("f/2.8", "f/2.8"),
        ("nan", "nan"),
        ("inf", "inf"),
        ("1e", "1e"),
        (".", "."),
    ],
)
def test_scalars_are_resolved_by_the_core_schema(tmp_path, written, value):
    found = read(tmp_path, f"key: {written}\n").data["key"]
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "key `a` is given twice, first on line 1; remove one"),
        ("x:\n  a: 1\n  a: 1\n", 3, "key `a` is given twice in `x`, first on line 2"),
        ("x: [{a: 1,\n  a: 2}]\n", 2, "key `a` is given twice in `x[0]`"),
        ("a: 1\n'a': 2\n", 2, "key `a` is given twice"),
        ("a: &here 1\n", 1, "anchor `&here`: write the value out where it is used"),
        ("a: !!python/object/apply:os.system ['true']\n", 1, "tag `!!python/object/apply:os.system`: remove it"),
        ("a: !!str 5\n", 1, "tag `!!str`: remove it; configuration is plain data"),
        ("a: !mine {b: 1}\n", 1, "tag `!mine`: remove it"),
        ("a: ! 12\n", 1, "tag `!`: remove it"),
        ("!!map {a: 1}\n", 1, "tag `!!map`: remove it"),
        ("x:\n  <<: {a: 1}\n", 2, "merge key `<<`: write the keys out"),
        ("a: .nan\n", 1, "`.nan` is not a finite number"),
        ("a: -.INF\n", 1, "`-.INF` is not a finite number"),
        ("a: 1e999\n", 1, "`1e999` is too large for a number"),
        ("serial: 00417\n", 1, '`00417` may be text or a number; put it in quotes ("00417") or drop the leading zeros'),
        ("a: 010\n", 1, "`010` may be text or a number"),
        ("2: a\n", 1, 'key `2` is not text: put it in quotes ("2")'),
        ("true: a\n", 1, 'key `true` is not text: put it in quotes ("true")'),
        ("? [a, b]\n: 1\n", 1, "a key must be a text, not a list or mapping"),
        ("a: 1\n---\na: 2\n", 2, "a second document starts with `---`: a file may contain only one"),
        ("a: [1, 2\nb: 3\n", 2, "not valid YAML: while parsing a flow sequence did not find expected ',' or ']'"),
        ("a: 'open\n", 2, "not valid YAML: while scanning a quoted scalar found unexpected end of stream"),
        ("a: b: c\n", 1, "not valid YAML: mapping values are not allowed in this context"),
        ("a:\n\t- 1\n", 2, "the line is indented with a tab: use blanks"),
        ("a: *nobody\n", 1, "alias `*nobody`: write the value out; aliases are not read"),
        (b"a: 1\nb: \xff\n", 2, "not UTF-8 text (byte 0xff); save the file as UTF-8"),
        ("%TAG !e! tag:example.org,2000:\n---\na: 1\n", 1, "`%TAG` is not read; remove it"),
        ("a: \x07\n", 1, "not valid YAML"),
        ("a: " + "9" * 500 + "\n", 1, "a number of 500 characters; put it in quotes if it is text"),
    ],
)
def test_tags_and_other_non_data_are_refused(tmp_path, text, line, message):
    found = problems_of(tmp_path, text)
    assert [(at, message in message_text) for at, message_text in found] == [(line, True)], found


def test_every_fault_of_a_file_is_reported_at_once(tmp_path):
    found = problems_of(tmp_path, "a: &x 1\nb: *x\nc: .inf\nc: 007\nd: !!int 3\n1: e\n")
    assert [line for line, _ in found] == [1, 2, 3, 4, 4, 5, 6], found


def test_an_alias_bomb_is_refused_quickly(tmp_path):
    levels = [f"l{n}: &l{n} [{', '.join([f'*l{n - 1}'] * 10)}]" for n in range(1, 40)]
    started = time.monotonic()
    found = problems_of(tmp_path, "\n".join(["l0: &l0 [x, x]", *levels]) + "\n")
    assert time.monotonic() - started < 1.0
    assert found[0] == (1, "anchor `&l0`: write the value out where it is used; anchors are not read")
    assert any(message.startswith("alias `*l0`") for _, message in found)


@pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
def test_deep_nesting_is_refused_without_recursion(tmp_path, opening):
    assert problems_of(tmp_path, opening * 51) == [(1, "nested more than 50 deep")]
    ((line, message),) = problems_of(tmp_path, opening * 100_000)
    assert line == 1
    assert "nest" in message


def test_fifty_levels_are_read(tmp_path):
    data = read(tmp_path, "[" * 50 + "1" + "]" * 50).data
    for _ in range(50):
        (data,) = data
    assert data == 1


def test_a_file_beyond_the_size_limit_is_refused(tmp_path):
    assert read(tmp_path, "# " + "x" * ((1 << 20) - 2)).data is None
    found = problems_of(tmp_path, "# " + "x" * ((1 << 20) - 1))
    assert found == [(0, "larger than 1048576 bytes, the most that a configuration file may have: correct the path")]


def test_a_missing_file_is_a_problem_of_that_file(tmp_path):
    with pytest.raises(ConfigError, match=r"absent\.yaml: there is no such file: correct the path"):
        read_yaml(tmp_path / "absent.yaml")
    with pytest.raises(ConfigError, match="is a folder, not a file: correct the path"):
        read_yaml(tmp_path)


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path):
    assert read(tmp_path, b"\xef\xbb\xbfa: 1\n").data == {"a": 1}


def test_half_a_surrogate_pair_is_refused(tmp_path):
    found = problems_of(tmp_path, 'a: "\\ud800"\n')
    assert [line for line, _ in found] == [1]


def test_places_are_resolved_to_lines(tmp_path):
    document = read(tmp_path, "a:\n  b:\n    - 1\n    -\n      c: 2\nd: {e: [1,\n  2]}\n")
    places = [("a",), ("a", "b"), ("a", "b", 0), ("a", "b", 1), ("a", "b", 1, "c"), ("d", "e", 1)]
    assert [document.line_of(place) for place in places] == [1, 2, 3, 5, 5, 7]
    # names that a validator puts between the keys are passed over, and what is not there leads to what holds it
    assert document.line_of(("a", "function-before[x]", "b", "list[int]", 0)) == 3
    assert document.line_of(("a", "b", 7)) == 2
    assert document.line_of(("z",)) == 1


PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text("abcxyz", min_size=1), inner, max_size=4),
    max_leaves=12,
)


@given(PLAIN)
def test_json_is_read_as_json_reads_it(tmp_path_factory, data):
    # RFC 8259 text is YAML 1.2 (YAML 1.2.2, 1.3), so the standard library's reader is a second opinion
    text = json.dumps(data, ensure_ascii=False)
    assert read(tmp_path_factory.mktemp("json"), text).data == json.loads(text)
