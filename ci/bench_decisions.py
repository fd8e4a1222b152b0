"""Error rates of decisions on simulated populations, which no module of the project generates.

python ci/bench_decisions.py [--quick] [--only tuning|judging|stand|study]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parent))

from decisions_judging import print_judging, print_study
from decisions_stand import print_stand
from decisions_tuning import print_tuning

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

PARTS: dict[str, Callable[[bool], None]] = {
    "tuning": print_tuning,
    "judging": print_judging,
    "stand": print_stand,
    "study": print_study,
}


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few repeats, to see that it runs")
    parser.add_argument("--only", choices=tuple(PARTS), help="one part of it")
    given = parser.parse_args(arguments)
    for name, part in PARTS.items():
        if given.only in (None, name):
            start = time.perf_counter()
            part(given.quick)
            print(f"({name}: {time.perf_counter() - start:.0f} s)\n")


if __name__ == "__main__":
    main()
