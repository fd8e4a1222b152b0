"""A picture of one limit: the lenses with the old and the new limit, and the trade-off curve."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure

from glasswright.formatting import format_count
from glasswright.plugin.units import unit_of
from glasswright.tuning.curve import BAD_SIGMAS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from glasswright.tuning.curve import Curve
    from glasswright.tuning.evidence import Evidence
    from glasswright.tuning.tuning import SideReport

    Array = NDArray[np.float64]

INK: Final = "#26323a"
LENS: Final = "#3d7a8c"
BAD: Final = "#b3412f"
OLD: Final = "#8a8a8a"
NEW: Final = "#1f4e2c"
BAND: Final = "#d9e6da"
SETTINGS: Final[Any] = {
    "svg.hashsalt": "glasswright",
    "svg.fonttype": "none",
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}
STACK: Final = 40
"""Number of columns in which lenses are stacked."""


def draw_side(report: SideReport, evidence: Evidence, number: int) -> bytes:
    """Draw one side of a limit as reproducible SVG.

    Parameters
    ----------
    report
        A side with values.
    evidence
        The lenses.
    number
        Index of the side in the evidence.
    """
    with rc_context(SETTINGS):
        figure = Figure(figsize=(9.0, 3.4), layout="constrained")
        lenses, trade = figure.subplots(1, 2, width_ratios=(2, 1))
        _draw_lenses(lenses, report, evidence, number)
        if report.curve is not None:
            _draw_trade(trade, report, report.curve)
        rehearsed = " — rehearsed lenses" if evidence.rehearsed else ""
        figure.suptitle(f"{report.side}{rehearsed}", x=0.01, ha="left", fontsize=10)
        written = BytesIO()
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    return written.getvalue()


def _draw_lenses(axes: Axes, report: SideReport, evidence: Evidence, number: int) -> None:
    turn = report.side.turn
    healthy = [lens for lens in evidence.healthy if lens.readings[number].known]
    bad = [lens for lens in evidence.bad if lens.readings and lens.readings[number].known]
    held = [lens for lens in evidence.held if lens.readings[number].known]
    values = np.array([turn(lens.readings[number].value) for lens in healthy])
    axes.plot(values, stack_values(values), "o", ms=3.2, color=LENS, label=format_count(len(values), "lens"))
    if bad:
        places = np.array([turn(lens.readings[number].value) for lens in bad])
        axes.plot(places, np.zeros(len(bad)) - 1.5, "x", ms=5, color=BAD, label=f"{len(bad)} known bad")
    if held:
        places = np.array([turn(lens.readings[number].value) for lens in held])
        axes.plot(places, np.zeros(len(held)) - 1.5, "+", ms=5, color=OLD, label=f"{len(held)} held, not inspected")
    if report.old_number is not None:
        axes.axvline(report.old_number, color=OLD, ls="--", label=f"current limit: {report.old_number:g}")
    if report.proposal.number is not None:
        new = report.proposal.number
        axes.axvline(new, color=NEW, label=f"{report.proposal.method.replace('_', ' ')}: {new:g}")
        guard = turn(float(np.median(evidence.bands(number, healthy))))
        axes.axvspan(*sorted((new, new + guard)), color=BAND, lw=0, label="guard band: review")
    axes.set_yticks([])
    axes.set_xlabel(_name_axis(report))
    axes.legend(
        fontsize=7, framealpha=1, edgecolor="none", loc="upper left" if report.side.end == "min" else "upper right"
    )
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)


def _name_axis(report: SideReport) -> str:
    field = report.side.limit.measure.rpartition(".")[2]
    unit = unit_of(field)
    return f"{report.side.limit.measure}{f' ({unit})' if unit and unit != '1' else ''}"


def stack_values(values: Array) -> Array:
    """Return a height for each value, so that those in one column are stacked."""
    edges = np.linspace(values.min(), values.max() + 1e-12, STACK + 1)
    column = np.clip(np.searchsorted(edges, values, side="right") - 1, 0, STACK - 1)
    heights = np.zeros(len(values))
    for each in range(STACK):
        members = np.flatnonzero(column == each)
        heights[members[np.argsort(values[members], kind="stable")]] = np.arange(len(members))
    return heights


def _draw_trade(axes: Axes, report: SideReport, curve: Curve) -> None:
    """Draw the trade-off curve: with the known bad lenses if there are any, else with modelled ones."""
    held = 100 * np.array(curve.good_held)
    released = 100 * np.array(curve.known_bad_passed or curve.bad_passed)
    order = np.argsort(curve.numbers)
    numbers = np.array(curve.numbers)[order]
    axes.plot(held, released, color=LENS)
    for number, colour, marker in ((report.old_number, OLD, "s"), (report.proposal.number, NEW, "o")):
        if number is not None:
            where = [float(np.interp(number, numbers, each[order])) for each in (held, released)]
            axes.plot(*where, marker, color=colour, ms=6, clip_on=False)
    known = "known bad lenses that pass, % of them"
    modelled = f"lenses {BAD_SIGMAS} sigma bad that pass, % of them"
    axes.set_xlabel("good lenses held, % of them")
    axes.set_ylabel(known if curve.known_bad_passed else modelled)
    axes.set_title("as the limit moves", fontsize=8, loc="left")
    axes.set_xscale("symlog", linthresh=1.0)
    axes.set_xticks([0, 1, 10, 100], ["0", "1", "10", "100"])
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 100)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
