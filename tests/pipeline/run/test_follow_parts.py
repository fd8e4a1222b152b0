"""Parts of following a folder: the nights whose pages are drawn, and local copies of remote shots."""

from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import fsspec
import pytest

from glasswright.commands import following
from glasswright.intake.checksums import hash_file
from glasswright.plugin.artefact import CaptureFacts, Shot
from glasswright.plugin.outcome import Item
from glasswright.plugin.stage import Scope
from glasswright.remote import LocalCopies, RemotePath
from glasswright.run.graph.instance import Given, Instance, Key, Many, Nothing, One
from glasswright.run.workers.work import ChangedError, _copy_shots


def test_the_pages_of_todays_nights_with_tickets_are_drawn(monkeypatch):
    now = datetime.now().astimezone()
    runs = [
        SimpleNamespace(number=number, tickets=tickets, started_at=(now - timedelta(days=days)).isoformat())
        for number, tickets, days in ((1, 2, 1), (2, 3, 0), (3, 0, 0), (4, 1, 0), (5, 0, 1))
    ]
    monkeypatch.setattr(following, "read_runs", lambda _: runs)
    options = SimpleNamespace(ledger=Path("a.ledger"), tickets="night", pages=None)
    asked = {}

    def submit(_, *where, **what):
        asked.update(what, where=where)
        return SimpleNamespace(add_done_callback=lambda _: None)

    result = SimpleNamespace(night=SimpleNamespace(tickets=[SimpleNamespace(number="T-1")]))
    with ExitStack() as stack:
        reporter = following._Reporter(options, None, stack)
        reporter._draw(SimpleNamespace(submit=submit), Path("pages"), None, result)
    assert asked["nights"] == (2, 4)
    assert asked["drawn"] == ("T-1",)
    assert asked["where"] == (Path("a.ledger"), Path("pages"))


@pytest.fixture
def remote():
    """A shot at a URL, and one of this machine."""
    fsspec.filesystem("memory").pipe("/copied/a.txt", b"12 14")
    yield Shot(
        ticket="T-1",
        role="chart",
        name="chart/a.txt",
        path="memory://copied/a.txt",
        sha256=hash_file(RemotePath("memory://copied/a.txt")),
        sequence=0,
        facts=CaptureFacts(),
        setting=None,
    )
    fsspec.filesystem("memory").rm("/copied", recursive=True)


def test_every_remote_shot_of_a_step_is_read_from_a_local_copy_and_nothing_else_changes(remote):
    here = replace(remote, path="/night/a.txt")
    given, local, refused = (
        Given(artefact=shot, digest="d", name="chart/a.txt", refusal=refusal)
        for shot, refusal in ((remote, ""), (here, ""), (remote, "differs from SHA256SUMS"))
    )
    value = One(key=Key(step="read", item=Item(scope=Scope.TICKET, ticket="T-1")))
    gather = Many(members=(given, value, local, refused), at_least=2)
    key = Key(step="count", item=Item(scope=Scope.TICKET, ticket="T-1"))
    instance = Instance(key=key, inputs={"shots": gather, "shot": given, "panel": Nothing(), "mean": value})
    with LocalCopies() as copies:
        copied = _copy_shots(instance, copies)
        shot = copied.inputs["shot"].artefact
        assert Path(shot.path).read_text() == "12 14"
        assert replace(shot, path=remote.path) == remote
        assert copied.inputs["shots"].members[0].artefact == shot
        assert copied.inputs["shots"].members[1:] == (value, local, refused)
        assert copied.inputs["shots"].at_least == 2
        assert (copied.inputs["panel"], copied.inputs["mean"], copied.key) == (Nothing(), value, key)
        unchanged = Instance(key=key, inputs={"shots": Many(members=(local, value), at_least=None)})
        assert _copy_shots(unchanged, copies) is unchanged


def test_a_remote_shot_of_a_gather_that_changed_is_not_read(remote):
    changed = Given(artefact=replace(remote, sha256="0" * 64), digest="d", name="chart/a.txt")
    key = Key(step="count", item=Item(scope=Scope.TICKET, ticket="T-1"))
    with LocalCopies() as copies, pytest.raises(ChangedError, match="was written to after it was indexed"):
        _copy_shots(Instance(key=key, inputs={"shots": Many(members=(changed,), at_least=None)}), copies)
