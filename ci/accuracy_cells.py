"""One cell of the accuracy table: a blur, a disc size and a noise, simulated many times."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np
from accuracy_bound import Bound, fisher_bound

from glasswright_camera.sharpness.reading import find_asymmetry, shape_u
from support.edge_images import (
    COLOURS,
    DARK,
    PAPER,
    Sheet,
    Transfer,
    add_noise,
    bent_pupil,
    draw_sheet,
    gaussian,
    mtf50_of,
    round_pupil,
    solve_blur,
    to_mosaic,
    trace_sheet,
    two_gaussians,
    with_halo,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from glasswright_camera.edges.kernel.table import EdgeTable
    from glasswright_camera.mosaic import Mosaic

ANGLE = 0.4
"""Direction of the image radius at every disc, radian: along no axis of the pixels."""
STEP = PAPER - DARK
ASYMMETRIC_BLURS = ("comatic",)

BLURS: dict[str, Callable[[float], Transfer]] = {
    "gaussian": lambda f: gaussian(0.187391 / f),
    "gaussian 1:1.3": lambda f: solve_blur(lambda s: gaussian(s, 1.3 * s, ANGLE), f, 0.05 / f, 0.4 / f),
    "diffraction": lambda f: solve_blur(lambda c: round_pupil(c), f, f, 20 * f),
    "defocus 0.25 wave": lambda f: solve_blur(lambda c: round_pupil(c, 0.25), f, f, 40 * f),
    "defocus 0.5 wave": lambda f: solve_blur(lambda c: round_pupil(c, 0.5), f, f, 60 * f),
    "defocus at 2.8/px": lambda f: solve_blur(lambda w: round_pupil(2.8, w), f, 0.0, 0.32 / f),
    "astigmatic": lambda f: solve_blur(
        lambda c: bent_pupil(c, defocus=0.15, astigmatism=0.25, angle=ANGLE), f, f, 60 * f
    ),
    "comatic": lambda f: solve_blur(lambda c: bent_pupil(c, coma=0.4, angle=ANGLE), f, f, 60 * f),
    "halo 1:1.3": lambda f: solve_blur(
        lambda s: with_halo(gaussian(s, 1.3 * s, ANGLE), 4 * s, 0.1), f, 0.05 / f, 0.4 / f
    ),
    "halo": lambda f: solve_blur(lambda s: two_gaussians(s, 4 * s, 0.1), f, 0.05 / f, 0.4 / f),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Result of one plane and direction of a cell. Bias and scatter of MTF50 are in per cent."""

    blur: str
    radius_px: float
    mtf50: float
    true_mtf50: float
    noise: float
    plane: str
    direction: str
    draws: int
    failed: int
    bias_pct: float
    bias_u_pct: float
    scatter_pct: float
    stated_pct: float
    bound_pct: float
    inside: int
    """Draws whose stated 95 % interval holds the truth."""
    centre_bias_px: float
    centre_scatter_px: float
    centre_bound_px: float
    centre_inside: int
    """Of twice `draws`: x and y."""

    def as_row(self) -> dict[str, object]:
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedCell:
    """The frame of a cell without noise, and what is true of it."""

    blur: str
    radius_px: float
    mtf50: float
    sheet: Sheet
    clean: Mosaic
    truth: np.ndarray
    """(2,): MTF50, sagittal and tangential."""
    bound: Bound

    def measure(self, noises: tuple[float, ...], draws: int, series: int = 0) -> list[Cell]:
        """Trace the frame under fresh noise until there are enough draws."""
        name = round(self.radius_px), round(1000 * self.mtf50)
        rng = np.random.default_rng(abs(hash(name)) % 2**32 + series)
        cells = []
        for noise in noises:
            found = []
            for _ in range(-(-draws // len(self.sheet.centre))):
                found.append(trace_sheet(add_noise(self.clean, noise * STEP, rng), self.sheet, rng, angle=ANGLE))
            cells += _cells(self, noise, found)
        return cells


def prepare_cell(
    blur: str, radius: float, mtf50: float, make: Callable[[float], Transfer] | None = None
) -> PreparedCell:
    """Draw a sheet of discs at sub-pixel phases; `make` makes a blur that is not in BLURS from its MTF50."""
    transfer = (make or BLURS[blur])(mtf50)
    sheet = draw_sheet(transfer, radius, folds=3 if blur == "defocus at 2.8/px" else 2)
    return PreparedCell(
        blur=blur,
        radius_px=radius,
        mtf50=mtf50,
        sheet=sheet,
        clean=to_mosaic(sheet.light),
        truth=np.array([mtf50_of(transfer, ANGLE + np.pi / 2), mtf50_of(transfer, ANGLE)]),
        bound=fisher_bound(transfer, sheet, ANGLE, mtf50),
    )


def measure_cell(
    blur: str, radius: float, mtf50: float, noises: tuple[float, ...], draws: int, series: int = 0
) -> list[Cell]:
    """Draw a cell's sheet once, and trace it under fresh noise until there are enough draws."""
    return prepare_cell(blur, radius, mtf50).measure(noises, draws, series)


def _cells(cell: PreparedCell, noise: float, found: list[EdgeTable]) -> list[Cell]:
    blur, radius, truth, bound, sheet = cell.blur, cell.radius_px, cell.truth, cell.bound, cell.sheet
    value = np.concatenate([table.mtf50 for table in found], axis=1)
    value_u = np.concatenate([table.mtf50_u for table in found], axis=1)
    asymmetry = np.concatenate([find_asymmetry(table.asymmetry, table.asymmetry_u) for table in found], axis=1)
    off = np.concatenate([table.centre_px - sheet.centre for table in found], axis=1)
    off_u = np.concatenate([table.centre_u_px for table in found], axis=1)
    # where the centre of an asymmetric blur lies is a matter of definition: only its scatter is judged
    mean_off = np.nanmean(off, axis=1, keepdims=True) * (blur in ASYMMETRIC_BLURS)
    cells = []
    for plane, colour in enumerate(COLOURS):
        for side, direction in enumerate(("sagittal", "tangential")):
            good = np.isfinite(value[plane, :, side])
            ratio = value[plane, good, side] / truth[side] - 1
            # as a result states it: pixel noise, and what shapes leave
            noise_u = value_u[plane, good, side]
            found_u = shape_u(value[plane, good], radius, asymmetry[plane, good])[:, side]
            stated = np.hypot(noise_u, found_u) / truth[side]
            place, place_u = off[plane, good], off_u[plane, good]
            cells.append(
                Cell(
                    blur=blur,
                    radius_px=radius,
                    mtf50=cell.mtf50,
                    true_mtf50=float(truth[side]),
                    noise=noise,
                    plane=colour,
                    direction=direction,
                    draws=int(good.sum()),
                    failed=int((~good).sum()),
                    bias_pct=float(ratio.mean() * 100) if good.any() else np.nan,
                    bias_u_pct=float(ratio.std(ddof=1) / np.sqrt(good.sum()) * 100) if good.sum() > 1 else np.nan,
                    scatter_pct=float(ratio.std(ddof=1) * 100) if good.sum() > 1 else np.nan,
                    stated_pct=float(np.sqrt((stated**2).mean()) * 100) if good.any() else np.nan,
                    bound_pct=float(bound.scale[plane, side] * noise * 100),
                    inside=int((np.abs(ratio) < 1.96 * stated).sum()),
                    centre_bias_px=float(np.abs(place.mean(axis=0)).max()) if good.any() else np.nan,
                    centre_scatter_px=float(np.sqrt(place.var(axis=0, ddof=1).mean())) if good.sum() > 1 else np.nan,
                    centre_bound_px=float(bound.centre[plane] * noise),
                    centre_inside=int((np.abs(place - mean_off[plane]) < 1.96 * place_u).sum()),
                )
            )
    return cells
