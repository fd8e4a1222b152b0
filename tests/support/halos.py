"""Blurs with and without a wide weak halo, drawn exactly, and what a sheet of discs shows of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import ndimage

from glasswright_camera.edges.repeats import line_up
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.sharpness.halo import FarLight, find_far_light
from glasswright_camera.sharpness.reading import shape_u
from support.edge_images import (
    Sheet,
    Transfer,
    draw_sheet,
    gaussian,
    make_fit,
    make_stand,
    mtf50_of,
    round_pupil,
    to_mosaic,
    two_gaussians,
)


def tails(width: float, share: float, core: float) -> Transfer:
    """Point spread function with tails as r^-3: Fourier transform exp(-2 pi a f) (checked by quadrature)."""
    middle = gaussian(core)
    return lambda fx, fy: (
        (1 - share) * middle(fx, fy) + share * np.exp(-2 * np.pi * width * np.hypot(fx, fy)) * np.sinc(fx) * np.sinc(fy)
    )


PLAIN: dict[str, Transfer] = {
    "Gaussian": gaussian(0.7),
    "diffraction": round_pupil(0.5),
    "defocus": round_pupil(0.6, 0.4),
    "near halo": two_gaussians(0.7, 2.5, 0.05),
}
HALOS: dict[str, Transfer] = {
    "3 % in 8 px": two_gaussians(0.7, 8.0, 0.03),
    "10 % in 5 px": two_gaussians(0.7, 5.0, 0.1),
    "10 % in 8 px": two_gaussians(0.7, 8.0, 0.1),
    "10 % in 10 px": two_gaussians(0.7, 10.0, 0.1),
    "10 % in 12 px": two_gaussians(0.7, 12.0, 0.1),
    "20 % in 12 px": two_gaussians(0.7, 12.0, 0.2),
    "tails": tails(10.0, 0.2, 0.7),
}


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What one frame of a sheet shows; arrays over (planes, directions)."""

    far: FarLight
    error: np.ndarray
    """MTF50 less the truth, relative."""
    u: np.ndarray
    """Its stated standard uncertainty, relative."""


def measure(
    transfer: Transfer,
    noise: float = 0.006,
    seed: int = 3,
    uneven: np.ndarray | None = None,
    sheet: Sheet | None = None,
) -> Seen:
    """Trace one frame of a sheet.

    Parameters
    ----------
    uneven
        Light of paper and panel, to multiply the sheet's; None for an even one.
    sheet
        Drawn with the transfer function; None for 16 discs of 44 px radius.
    """
    sheet = draw_sheet(transfer, 44.0, phases=16) if sheet is None else sheet
    rng = np.random.default_rng(seed)
    light = sheet.light if uneven is None else sheet.light * uneven
    mosaic: Mosaic = to_mosaic(light, noise=noise, rng=rng)
    trace = trace_edges(mosaic, make_fit(sheet, mosaic), make_stand(sheet), None, None)
    far = find_far_light(line_up((trace,), trace.node))
    value = np.nanmean(trace.mtf50, axis=1)
    own = np.sqrt(np.nansum(trace.mtf50_u**2, axis=1)) / trace.mtf50.shape[1]
    shape = shape_u(value, sheet.radius, np.zeros(len(value)))
    truth = mtf50_of(transfer, 0.0)
    u = np.sqrt(own**2 + shape**2 + (value * far.mtf50_u()) ** 2) / truth
    return Seen(far=far, error=value / truth - 1, u=u)


@cache
def _waves(shape: tuple[int, int], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)

    def wave(size_px: float) -> np.ndarray:
        found = ndimage.gaussian_filter(rng.standard_normal(shape), size_px, mode="wrap")
        return np.asarray(found / found.std())

    return np.asarray(1 + 0.005 * sum(wave(size_px) / 2 for size_px in (2, 6, 15, 40)) + 0.003 * wave(120))


def paper_and_panel(shape: tuple[int, int], seed: int) -> np.ndarray:
    """Paper of 0.5 % mottle of many sizes, and a panel that leaves 0.3 %: every eighth seed makes another, moved."""
    rng = np.random.default_rng(seed)
    return np.asarray(np.roll(_waves(shape, seed // 8), rng.integers(0, min(shape), 2), axis=(0, 1)))
