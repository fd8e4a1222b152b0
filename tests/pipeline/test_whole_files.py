"""Files are written completely or not at all, for every failure."""

import os
from pathlib import Path

import pytest

from glasswright.whole_files import whole_file, write_whole


class StoppedError(Exception):
    """What stops a write."""


def fail(*_):
    raise StoppedError


def fail_before_the_file_is_replaced(path):
    with whole_file(path, before=fail) as part:
        part.write_bytes(b"new")


def fail_while_writing(path):
    with whole_file(path) as part:
        part.write_bytes(b"ne")
        fail()


@pytest.mark.parametrize("attempt", [fail_before_the_file_is_replaced, fail_while_writing])
@pytest.mark.parametrize("before", [b"old", None])
def test_a_failed_write_leaves_the_file_unchanged_and_nothing_beside_it(tmp_path, attempt, before):
    path = tmp_path / "a.txt"
    if before is not None:
        path.write_bytes(before)
    with pytest.raises(StoppedError):
        attempt(path)
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == (
        {} if before is None else {"a.txt": before}
    )


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_disk_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch, call):
    path = tmp_path / "a.txt"
    path.write_bytes(b"old")
    with monkeypatch.context() as patch:
        patch.setattr(os if call == "fsync" else Path, call, fail)
        with pytest.raises(StoppedError):
            write_whole(path, b"new")
    assert [each.name for each in tmp_path.iterdir()] == ["a.txt"]
    assert path.read_bytes() == b"old"
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize("durable", [True, False])
def test_only_durable_writes_wait_for_the_disk(tmp_path, monkeypatch, durable):
    waited = []
    monkeypatch.setattr(os, "fsync", waited.append)
    write_whole(tmp_path / "folder" / "a.txt", b"new", durable=durable)
    # the file, its folder, and the folder that names that one
    assert len(waited) == (3 if durable else 0)
    assert (tmp_path / "folder" / "a.txt").read_bytes() == b"new"
