"""The runs that wrote a ledger, as its readers see them."""

import pytest

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger
from glasswright.ledger.runs import read_runs
from support.ledger_tampering import tamper
from support.ledger_toys import run_record


@pytest.fixture
def path(tmp_path):
    """Three runs: the first was killed, the second completed, the third has just begun."""
    with Ledger.open_for_writing(tmp_path / "bench.ledger") as ledger:
        ledger.begin_run(run_record(started_at="2026-03-01T21:00:00+00:00"))
        completed = ledger.begin_run(run_record(started_at="2026-03-01T22:00:00+00:00"))
        ledger.end_run(completed, {}, at="2026-03-01T22:30:00+00:00")
        ledger.begin_run(run_record(started_at="2026-03-01T23:00:00+00:00"))
    return tmp_path / "bench.ledger"


def test_only_a_completed_run_has_a_duration(path):
    with Ledger.open_for_reading(path) as ledger:
        killed, completed, begun = read_runs(ledger)
    assert [each.completed for each in (killed, completed, begun)] == [False, True, False]
    assert killed.ended_at
    assert not begun.ended_at
    assert killed.seconds is None
    assert begun.seconds is None
    assert completed.seconds == 1800


def test_a_changed_run_is_refused(path):
    tamper(path, "UPDATE run SET machine = 'another' WHERE id = 2")
    damaged = pytest.raises(LedgerDamagedError, match="run 2 does not match its hash: restore")
    with Ledger.open_for_reading(path) as ledger, damaged:
        read_runs(ledger)
