"""The campaign's own checks: wrong behaviour is detected."""

import os
import signal
import time

import campaign_flips
import campaign_raws
import campaign_tickets
import campaign_tools
import pytest
from campaign_tools import FALSE_RELEASE, HANG, LOST, TRACEBACK, Case, run_apart


def fail():
    raise ValueError("broken")


def die():
    os.kill(os.getpid(), signal.SIGKILL)
    return 0


def hang():
    time.sleep(60)
    return 0


def fill_memory():
    return len(bytearray(2**30)) and 0


@pytest.mark.parametrize(
    ("do", "kind"), [(fail, TRACEBACK), (die, TRACEBACK), (hang, HANG), (fill_memory, TRACEBACK), (lambda: 12, None)]
)
def test_the_end_of_a_process_is_classified(tmp_path, monkeypatch, do, kind):
    monkeypatch.setattr(campaign_tools, "HANG_S", 5.0)
    case = Case("toy", 1, 1, tmp_path)
    ended = run_apart(do, memory_bytes=2**29)
    case.check("it", ended)
    assert [each.kind for each in case.findings] == ([kind] if kind else [])
    assert kind or ended.code == 12


class LaxCase(Case):
    """A case with a gate that releases everything."""

    def gate(self, ticket, ledger):
        del ticket, ledger
        return 0


def test_a_wrong_release_is_detected(bench, tmp_path):
    del bench  # installs the toy plugin
    number = 2 * [kind.name for kind in campaign_tickets.KINDS].index("a shot is a pipe")
    case = LaxCase("tickets", number, 1, tmp_path)
    campaign_tickets.prepare(tmp_path, 1)(case)
    assert FALSE_RELEASE in [each.kind for each in case.findings]


def test_damage_that_verify_misses_is_detected(bench, tmp_path, monkeypatch):
    del bench
    flip = campaign_flips.prepare(tmp_path / "sound", 1)
    monkeypatch.setattr(Case, "run", lambda case, *arguments: campaign_tools.Ended(0, f"{case} {arguments}"))
    case = Case("flips", 3, 1, tmp_path / "case")
    case.folder.mkdir()
    monkeypatch.setattr(campaign_flips, "SHARE_OF_DATABASE", 0.0)
    for case.number in range(20):
        if "files" in case.name:
            break
        case.findings.clear()
        for path in case.folder.iterdir():
            path.rename(tmp_path / f"{case.number}{path.name}")
        flip(case)
    assert {FALSE_RELEASE, LOST} <= {each.kind for each in case.findings}


def test_cases_are_distinguished_by_seed_and_repeat_exactly(tmp_path):
    def numbers(number, seed):
        return [Case("raws", number, seed, tmp_path).random.random() for _ in range(2)]

    assert len({*numbers(1, 1), *numbers(2, 1), *numbers(1, 2)}) == 3
    data = bytearray(range(256)) * 40
    for mutate in campaign_raws.MUTATIONS:
        changed = [bytearray(data), bytearray(data)]
        for each in changed:
            mutate(each, Case("raws", 5, 1, tmp_path).random)
        assert changed[0] == changed[1] != data
