"""Progress of long work on the terminal."""

import pytest

from glasswright import waiting


def test_the_time_left_leaves_out_the_first_item_which_may_include_a_start(monkeypatch, capsys):
    """The first item takes 30 s, the others 2 s: after the third, two are left, 4 s."""
    times = iter([0.0, 0.0, 30.0, 32.0, 34.0, 36.0, 38.0])
    monkeypatch.setattr(waiting.time, "monotonic", lambda: next(times))
    monkeypatch.setattr(waiting, "BETWEEN_S", (0.0, 0.0))
    assert list(waiting.watch_progress(range(5), 5, "drawing")) == [0, 1, 2, 3, 4]
    assert capsys.readouterr().err.splitlines() == [
        "drawing: 1 of 5",
        "drawing: 2 of 5, about 6 s left",
        "drawing: 3 of 5, about 4 s left",
        "drawing: 4 of 5, about 2 s left",
        "drawing: 5 done in 38 s",
    ]


@pytest.mark.parametrize("total", [0, 3])
def test_short_work_reports_nothing(capsys, total):
    assert list(waiting.watch_progress(range(total), total, "drawing")) == list(range(total))
    assert capsys.readouterr().err == ""
