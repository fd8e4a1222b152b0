"""A ledger with rows in every table, and a copy of it for each test."""

import shutil

import pytest

from support.ledger_toys import write_every_table


@pytest.fixture(scope="session")
def sound(tmp_path_factory):
    """A ledger of two tickets, judged, in a folder of its own."""
    folder = tmp_path_factory.mktemp("sound")
    write_every_table(folder / "bench.ledger", folder)
    return folder


@pytest.fixture
def path(sound, tmp_path):
    shutil.copytree(sound, tmp_path / "copy")
    return tmp_path / "copy" / "bench.ledger"
