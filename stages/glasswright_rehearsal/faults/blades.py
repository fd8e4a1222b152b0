"""Error of the rehearsed aperture for each shot."""

from __future__ import annotations

from math import log2
from typing import TYPE_CHECKING

from glasswright_rehearsal.faults.kinds import APERTURE_FAULTS, find_fault

if TYPE_CHECKING:
    import numpy as np

    from glasswright_rehearsal.faults.kinds import Fault

STEP_EV = 1 / 3
SCATTER_EV = 0.15
STICKING_EV = 0.25


def exact_square(f_number: float) -> float:
    """Return the exact square of a marked f-number, from the nearest third of a stop: 32 for 5.6."""
    return float(2 ** (round(3 * 2 * log2(f_number)) / 3))


def blade_error_ev(
    faults: tuple[Fault, ...],
    f_numbers: tuple[float, ...],
    f_number: float,
    generator: np.random.Generator,
    *,
    is_rested: bool,
) -> float:
    """Return the excess of light of a shot in EV; 0 wide open, where no blade moves. The blur does not change.

    Parameters
    ----------
    f_numbers
        f-numbers of the lens, in ascending order.
    is_rested
        Whether the blades have not moved for minutes.
    """
    if f_number <= f_numbers[0]:
        return 0.0
    step, scatter, sticking = (find_fault(faults, name) for name in APERTURE_FAULTS)
    error = STEP_EV * step.severity if step and f_number <= min(n for n in f_numbers if n > f_numbers[0]) else 0.0
    error += SCATTER_EV * scatter.severity * float(generator.standard_normal()) if scatter else 0.0
    return error + (STICKING_EV * sticking.severity if sticking and is_rested else 0.0)
