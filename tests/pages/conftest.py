"""Session fixtures: a rehearsed night of small frames, its pages, and a browser."""

import pytest

from glasswright.commands.main import run_command
from glasswright.judging import gatekeeper
from support import ROOT
from support.browser import EXECUTABLE, Browser
from support.page_toys import judge_as_given, write_pages


@pytest.fixture(autouse=True)
def _made_up_verdicts(monkeypatch):
    monkeypatch.setattr(gatekeeper, "judge_ticket", judge_as_given)


@pytest.fixture(scope="session")
def night(tmp_path_factory):
    """Two lenses in frames of a megapixel, the second with a tilted group: the folder and its ledger."""
    folder = tmp_path_factory.mktemp("pages") / "night"
    options = ["--tickets", "2", "--megapixels", "1", "--seed", "4", "--fault", "tilted_group"]
    assert run_command(["rehearse", str(folder), *options]) == 0
    one_damaged = sorted((folder / "tickets/T-0001/flat").iterdir())[0]
    one_damaged.write_bytes(one_damaged.read_bytes()[:5000])
    ledger = folder / "bench.ledger"
    options = [f"--stand={folder}/stands/north_bench.yaml", f"--tickets={folder}/tickets", f"--ledger={ledger}"]
    plan = str(ROOT / "configs/plans/fixed_focal.yaml")
    assert run_command(["run", plan, *options, f"--cards={ROOT}/configs/cards", "--serial"]) == 13
    return folder, ledger


@pytest.fixture(scope="session")
def pages(night):
    """The night's pages, with frames."""
    folder, ledger = night
    return write_pages(ledger, folder / "pages", "--tickets", str(folder / "tickets"), "--workers", "1")


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    if EXECUTABLE is None:
        pytest.skip("Chromium is not installed: no page was opened (Debian: apt-get install chromium)")
    found = Browser(tmp_path_factory.mktemp("profile"))
    yield found
    found.close()
