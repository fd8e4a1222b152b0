"""Displacement of red against green: discs of one plane moved by known amounts."""

from __future__ import annotations

import numpy as np
from accuracy_cells import ANGLE, BLURS, STEP

from support.edge_images import DARK, PAPER, Sheet, disc_spectrum, place_disc, to_mosaic, trace_sheet


def measure_displacement(draws: int, radius: float = 60.0, mtf50: float = 0.2) -> list[dict[str, float | str]]:
    """Displace red by 0 to 3 px in eight directions; return bias, scatter and coverage for each blur."""
    rows: list[dict[str, float | str]] = []
    rng = np.random.default_rng(11)
    for blur in ("gaussian", "diffraction", "astigmatic"):
        transfer = BLURS[blur](mtf50)
        size = 4 * round(5 * radius / 4)
        spectrum = disc_spectrum(size, radius, transfer)
        length = np.linspace(0.0, 3.0, 16)
        turn = np.arange(16) * 2.4
        shift = np.column_stack([length * np.cos(turn), length * np.sin(turn)])
        planes = np.empty((3, 4 * size, 4 * size))
        centre = np.empty((16, 2))
        for k in range(16):
            row, column = divmod(k, 4)
            place = size / 2 + rng.uniform(-1, 1, 2)
            centre[k] = place + np.array([column, row]) * size
            for plane in range(3):
                here = place + (shift[k] if plane == 0 else 0.0)
                tile = PAPER + (DARK - PAPER) * place_disc(spectrum, size, (here[0], here[1]))
                planes[plane, row * size : (row + 1) * size, column * size : (column + 1) * size] = tile
        sheet = Sheet(light=planes, centre=centre, radius=radius, clear=size - 2 * radius - 8.0)
        for noise in (0.005, 0.02):
            error, error_u = [], []
            for _ in range(max(draws // 16, 2)):
                table = trace_sheet(to_mosaic(planes, noise=noise * STEP, rng=rng), sheet, rng, angle=ANGLE)
                error.append(table.centre_px[0] - table.centre_px[1] - shift)
                error_u.append(np.hypot(table.centre_u_px[0], table.centre_u_px[1]))
            each, each_u = np.array(error), np.array(error_u)
            mean = np.nanmean(each, axis=0)
            rows.append(
                {
                    "blur": blur,
                    "noise": noise,
                    "failed": int(np.isnan(each).any(axis=-1).sum()),
                    "draws": int(each.shape[0] * 16),
                    "bias_px": float(np.abs(np.nanmean(each, axis=(0, 1))).max()),
                    "worst_disc_bias_px": float(np.abs(mean).max()),
                    "worst_disc_bias_u_px": float(np.nanstd(each - mean) / np.sqrt(each.shape[0])),
                    "coverage": float((np.abs(each) < 1.96 * each_u).mean()),
                    "angle": ANGLE,
                }
            )
    return rows
