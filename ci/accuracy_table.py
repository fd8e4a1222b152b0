"""The accuracy table: targets and results."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from accuracy_cells import Cell

Row = dict[str, object]


def bias_limit(cell: Cell) -> float:
    return 0.5 if 0.08 <= cell.mtf50 <= 0.40 else 1.0


def is_biased(cell: Cell) -> bool:
    """Return whether the bias of a cell exceeds the target by more than two standard errors."""
    return not abs(cell.bias_pct) - 2 * cell.bias_u_pct <= bias_limit(cell)


def misses_aim(cell: Cell) -> bool:
    """Return whether bias or coverage misses its target."""
    return is_biased(cell) or cell.inside < 0.9 * cell.draws


def summarise(cells: Sequence[Cell], colour: Sequence[Row]) -> Row:
    """Return bias, scatter and coverage by blur, and the displacement rows."""
    by_blur: dict[str, Row] = {}
    for blur in dict.fromkeys(cell.blur for cell in cells):
        own = [cell for cell in cells if cell.blur == blur]
        by_blur[blur] = {
            "failed": sum(cell.failed for cell in own),
            "draws": sum(cell.draws + cell.failed for cell in own),
            **_bias(own),
            **_scatter(own),
            **_coverage(own),
        }
    sharp = [cell.scatter_pct / cell.bound_pct for cell in cells if cell.mtf50 <= 0.30]
    above = [cell.scatter_pct / cell.bound_pct for cell in cells if cell.mtf50 > 0.30]
    return {
        "blurs": by_blur,
        "scatter_over_bound_to_0.30": float(np.nanmedian(sharp)),
        "scatter_over_bound_above": float(np.nanmedian(above)),
        "centre_scatter_over_bound": float(np.nanmedian([c.centre_scatter_px / c.centre_bound_px for c in cells])),
        "displacement": list(colour),
    }


def _bias(own: Sequence[Cell]) -> Row:
    inner = [cell for cell in own if 0.08 <= cell.mtf50 <= 0.40]
    outer = [cell for cell in own if not 0.08 <= cell.mtf50 <= 0.40]
    over = [cell for cell in own if is_biased(cell)]
    return {
        "worst_bias_pct": _worst(inner),
        "rms_bias_pct": float(np.sqrt(np.nanmean([cell.bias_pct**2 for cell in inner]))) if inner else np.nan,
        "worst_bias_outside_pct": _worst(outer),
        "cells_over_bias": len(over),
        "cells": len(own),
    }


def _worst(cells: Sequence[Cell]) -> float:
    known = [cell.bias_pct for cell in cells if np.isfinite(cell.bias_pct)]
    return max(known, key=abs) if known else np.nan


def _scatter(own: Sequence[Cell]) -> Row:
    low = [cell.scatter_pct / cell.bound_pct for cell in own if cell.mtf50 <= 0.30]
    high = [cell.scatter_pct / cell.bound_pct for cell in own if cell.mtf50 > 0.30]
    centre = [cell.centre_scatter_px / cell.centre_bound_px for cell in own]
    return {
        "scatter_over_bound_to_0.30": float(np.nanmedian(low)) if low else np.nan,
        "scatter_over_bound_above": float(np.nanmedian(high)) if high else np.nan,
        "centre_over_bound": float(np.nanmedian(centre)),
        "worst_centre_over_bound": float(np.nanmax(centre)),
    }


def _coverage(own: Sequence[Cell]) -> Row:
    pooled: Row = {}
    for direction in ("sagittal", "tangential"):
        mine = [cell for cell in own if cell.direction == direction]
        # every cell has the same weight, whatever its number of draws
        pooled[f"coverage_{direction}"] = float(np.mean([c.inside / max(c.draws, 1) for c in mine]))
    pooled["coverage_centre"] = float(np.mean([c.centre_inside / max(2 * c.draws, 1) for c in own]))
    pooled["worst_cell_coverage"] = min((c.inside / c.draws for c in own if c.draws), default=np.nan)
    pooled["cells_under_90"] = sum(c.inside / c.draws < 0.9 for c in own if c.draws)
    return pooled


def print_cells(cells: Sequence[Cell]) -> None:
    """Print one line for each blur, radius, MTF50 and noise, with planes and directions side by side."""
    groups: dict[tuple[object, ...], list[Cell]] = defaultdict(list)
    for cell in cells:
        groups[cell.blur, cell.radius_px, cell.mtf50, cell.noise].append(cell)
    print("blur R MTF50 noise | bias % (stated u %) R sag tan, G, B | scatter/bound | centre/bound | inside % | failed")
    for (blur, radius, mtf50, noise), own in groups.items():
        bias = " ".join(f"{c.bias_pct:+6.2f}({c.stated_pct:4.2f})" for c in own)
        scatter = " ".join(f"{c.scatter_pct / c.bound_pct:4.2f}" for c in own)
        centre = " ".join(f"{c.centre_scatter_px / c.centre_bound_px:4.2f}" for c in own[::2])
        inside = " ".join(f"{100 * c.inside / max(c.draws, 1):3.0f}" for c in own)
        failed = sum(c.failed for c in own)
        print(f"{blur:18} {radius:3.0f} {mtf50:.2f} {noise:.3f} | {bias} | {scatter} | {centre} | {inside} | {failed}")


def print_summary(summary: Row, cells: Sequence[Cell], seconds: float) -> None:
    print(f"edge kernel, {len(cells)} cells, {seconds:.0f} s; MTF50 bias in per cent, at MTF50 0.08-0.40 and outside")
    head = (
        "blur",
        "bias",
        "rms",
        "outside",
        "over",
        "cells",
        "sc<.3",
        "sc>.3",
        "centre",
        "cov sag",
        "cov tan",
        "cov ctr",
        "worst",
        "<90",
        "failed",
    )
    print("{:18} {:>7} {:>6} {:>7} {:>5} {:>5} {:>6} {:>6} {:>6} {:>7} {:>7} {:>7} {:>6} {:>4} {:>6}".format(*head))
    blurs = summary["blurs"]
    assert isinstance(blurs, dict)
    for blur, row in blurs.items():
        print(
            f"{blur:18} {row['worst_bias_pct']:+7.2f} {row['rms_bias_pct']:6.3f} {row['worst_bias_outside_pct']:+7.2f} "
            f"{row['cells_over_bias']:5d} {row['cells']:5d} {row['scatter_over_bound_to_0.30']:6.2f} "
            f"{row['scatter_over_bound_above']:6.2f} {row['centre_over_bound']:6.2f} {row['coverage_sagittal']:7.1%} "
            f"{row['coverage_tangential']:7.1%} {row['coverage_centre']:7.1%} {row['worst_cell_coverage']:6.1%} "
            f"{row['cells_under_90']:4d} {row['failed']:6d}"
        )
    print(
        f"scatter / bound, median cell: {summary['scatter_over_bound_to_0.30']:.2f} to MTF50 0.30 (aim 1.5), "
        f"{summary['scatter_over_bound_above']:.2f} above (aim 2.0); "
        f"centre {summary['centre_scatter_over_bound']:.2f} (aim 1.2)"
    )
    displacement = summary["displacement"]
    assert isinstance(displacement, list)
    for row in displacement:
        print(
            f"red-green 0-3 px, {row['blur']}, noise {row['noise']}: bias {row['bias_px']:.4f} px, worst disc "
            f"{row['worst_disc_bias_px']:.4f} +- {row['worst_disc_bias_u_px']:.4f} px (aim 0.003), "
            f"{row['coverage']:.1%} inside, {row['failed']} failed"
        )
