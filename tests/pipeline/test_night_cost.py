"""What the engine itself costs: little for a shot, and no more when the ledger has grown."""

import statistics
import time
from itertools import pairwise

from night_bench import PLAN, shots_of

from glasswright.ledger import Ledger

MOST_SECONDS_A_SHOT = 0.010
"""Of processor time; measured 0.004 s. What the disk takes to keep the ledger safe comes on top."""


def test_a_shot_costs_milliseconds_and_the_hundredth_ticket_no_more_than_the_first(bench, capsys, monkeypatch):
    for number in range(100):
        bench.add_ticket(number, shots_of(number, repeats=1))
    moments = [time.process_time()]
    commit = Ledger.commit_ticket

    def commit_and_look_at_the_clock(*arguments):
        commit(*arguments)
        moments.append(time.process_time())

    monkeypatch.setattr(Ledger, "commit_ticket", commit_and_look_at_the_clock)
    bench.write("plan.yaml", PLAN.replace(", at_least: 2", ""))
    code, _ = bench.run(capsys, "--serial")
    assert code == 0
    each = [after - before for before, after in pairwise(moments)]
    assert len(each) == 100
    early, late = statistics.median(each[1:21]), statistics.median(each[-20:])
    assert late < 1.5 * early
    assert late / 4 < MOST_SECONDS_A_SHOT
