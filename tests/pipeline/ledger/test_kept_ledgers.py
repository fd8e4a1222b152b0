"""Ledgers that an earlier version wrote, one of the toy plugin and one of a camera ticket, as this version reads them.

`tests/support/make_kept_ledgers.py` made them. Where this fails, what is kept must be read another way, by a default or
an upgrade of the kept type (`plugin/kept.py`), or by a migration.
"""

import dataclasses
import importlib
import json
import pkgutil
import shutil
from enum import Enum
from pathlib import Path
from typing import get_args

import pytest

import glasswright_camera
from glasswright import Artefact
from glasswright.ledger import Ledger
from glasswright.plugin.kept import base_name, find_kept
from glasswright.plugin.outcome import Status
from glasswright.plugin.signature import type_hints_of
from support.make_kept_ledgers import describe

KEPT = Path(__file__).with_name("kept")
VERDICT_CODES = {0, 10, 11, 12, 14}


@pytest.fixture(params=["toy", "camera"])
def kept(request, tmp_path, monkeypatch, toy_site):
    monkeypatch.syspath_prepend(toy_site)
    shutil.copytree(KEPT / request.param, tmp_path / "kept")
    held = json.loads((tmp_path / "kept/held.json").read_text(encoding="utf-8"))
    with Ledger.open_for_writing(tmp_path / "kept/bench.ledger"):
        pass  # the first writer of a new version brings the schema up to date
    return tmp_path / "kept/bench.ledger", held


def test_the_kept_ledgers_contain_every_kind_of_row():
    toy, camera = (json.loads((KEPT / name / "held.json").read_text(encoding="utf-8")) for name in ("toy", "camera"))
    assert len(toy["artefacts"]) >= 2
    assert len(camera["artefacts"]) >= 15
    assert toy["gate"]["T-0001"] == 0
    assert 12 in toy["gate"].values()
    assert any(not line.endswith(str(Status.DONE)) for line in toy["outcomes"])


def test_an_earlier_versions_ledger_is_read_in_full(kept, tmp_path, capsys):
    ledger, held = kept
    now = describe(ledger, tmp_path)
    assert now["verify"] == 0
    assert now["artefacts"] == held["artefacts"]
    assert now["outcomes"] == held["outcomes"]
    # what is derived when it is read may grow; what was kept may not change or go
    assert {name: now["measurements"].get(name) for name in held["measurements"]} == held["measurements"]
    # a later version may judge otherwise, but it judges; what was released plainly still is
    assert now["gate"].keys() == held["gate"].keys()
    assert set(now["gate"].values()) <= VERDICT_CODES
    assert capsys.readouterr().err == ""


def inner_types(hint):
    yield hint
    for part in get_args(hint):
        yield from inner_types(part)


def kept_types(package):
    """Every dataclass and enumeration in which an artefact of the package is kept."""
    waiting, found = Artefact.__subclasses__(), {}
    while waiting:
        cls = waiting.pop()
        if cls.__module__.partition(".")[0] != package or cls in found:
            continue
        found[cls] = None
        waiting += cls.__subclasses__()
        if dataclasses.is_dataclass(cls):
            hints = type_hints_of(cls)
            types = [each for field in dataclasses.fields(cls) for each in inner_types(hints[field.name])]
            waiting += [
                each
                for each in types
                if isinstance(each, type) and (dataclasses.is_dataclass(each) or issubclass(each, Enum))
            ]
    return found


def test_no_two_types_share_the_name_that_one_of_them_is_kept_under():
    """With all modules loaded, as a command may load any of them."""
    for module in pkgutil.walk_packages(glasswright_camera.__path__, "glasswright_camera."):
        importlib.import_module(module.name)
    types = kept_types("glasswright_camera")
    assert len(types) > 40
    for cls in types:
        assert find_kept(base_name(cls)).__module__ == cls.__module__
