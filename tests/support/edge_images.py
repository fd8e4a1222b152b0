"""Exact pictures of blurred discs, for tests and for the accuracy table.

The spectrum of a disc (a Bessel function) times the transfer function of lens and pixel, folded at the sampling
frequency, is the spectrum of the sampled picture: nothing is approximated but the frequencies left out where the
transfer function has died. The picture repeats beyond its borders, so each disc has neighbours, as on a chart.
Pupils are summed by plain quadrature in the plane, independently of the stages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import brentq
from scipy.special import j1

from glasswright import CaptureFacts
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.edges.kernel.table import EdgeTable, trace_table
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, ShootingLimits, Stand

Transfer = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Complex transfer function of (fx, fy), cycles per pixel."""

BAYER = np.array([[[0, 1], [1, 2]]])
COLOURS = ("red", "green", "blue")
X_TRANS = np.array(
    [
        [
            [1, 2, 1, 1, 0, 1],
            [0, 1, 0, 2, 1, 2],
            [1, 2, 1, 1, 0, 1],
            [1, 0, 1, 1, 2, 1],
            [2, 1, 2, 0, 1, 0],
            [1, 0, 1, 1, 2, 1],
        ]
    ]
)
BLACK_DN, WHITE_DN = 512.0, 65000.0
DARK, PAPER = 0.05, 0.8


def gaussian(sigma: float, sigma_along: float | None = None, angle: float = 0.0) -> Transfer:
    """A Gaussian blur that includes the pixel; `sigma_along` is its width in direction `angle`."""
    along = sigma if sigma_along is None else sigma_along

    def transfer(fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
        u, v = fx * np.cos(angle) + fy * np.sin(angle), fy * np.cos(angle) - fx * np.sin(angle)
        return np.exp(-2 * np.pi**2 * (along**2 * u**2 + sigma**2 * v**2))

    return transfer


def two_gaussians(sigma: float, halo_sigma: float, halo_share: float) -> Transfer:
    return with_halo(gaussian(sigma), halo_sigma, halo_share)


def with_halo(core: Transfer, halo_sigma: float, halo_share: float) -> Transfer:
    """Move a share of a blur's light into a round Gaussian."""
    halo = gaussian(halo_sigma)
    return lambda fx, fy: (1 - halo_share) * core(fx, fy) + halo_share * halo(fx, fy)


@cache
def _round_pupil(waves: float) -> tuple[np.ndarray, np.ndarray]:
    """Hopkins 1955: the overlap of two sheared round pupils with defocus, summed with x = cos t over the overlap."""
    s = np.linspace(0.0, 2.0, 801)
    bound = np.arccos(s / 2)
    node, weight = np.polynomial.legendre.leggauss(60 + int(30 * abs(waves)))
    t = bound[:, None] * (node + 1) / 2
    phase = 4 * np.pi * waves * s[:, None] * (np.cos(t) - s[:, None] / 2)
    return s, 2 / np.pi * bound * ((np.sin(t) ** 2 * np.cos(phase)) @ weight)


def round_pupil(cutoff: float, waves: float = 0.0) -> Transfer:
    """Diffraction with defocus W20 = `waves` wavelengths, times a square pixel of full fill."""
    s, value = _round_pupil(waves)
    return lambda fx, fy: np.interp(2 * np.hypot(fx, fy) / cutoff, s, value, right=0.0) * np.sinc(fx) * np.sinc(fy)


@cache
def _bent_pupil(defocus: float, astigmatism: float, coma: float) -> tuple[RectBivariateSpline, RectBivariateSpline]:
    """Transfer function over (s, direction from the x axis) of a pupil with
    W = defocus r^2 + astigmatism x^2 + coma (r^2 - 2/3) x, in wavelengths."""
    s, turn = np.linspace(0.0, 2.0, 121), np.linspace(0.0, np.pi, 49)
    node, weight = np.polynomial.legendre.leggauss(56)
    value = np.empty((len(s), len(turn)), dtype=complex)

    def wave(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        square = x**2 + y**2
        return defocus * square + astigmatism * x**2 + coma * (square - 2 / 3) * x

    for i, shear in enumerate(s):
        across = node[:, None] * np.sqrt(1 - (shear / 2) ** 2)
        reach = np.sqrt(1 - across**2) - shear / 2
        along = reach * node[None, :]
        area = weight[:, None] * np.sqrt(1 - (shear / 2) ** 2) * reach * weight[None, :]
        for k, angle in enumerate(turn):
            c, d = np.cos(angle), np.sin(angle)
            x1, y1 = (along + shear / 2) * c - across * d, (along + shear / 2) * d + across * c
            x2, y2 = (along - shear / 2) * c - across * d, (along - shear / 2) * d + across * c
            value[i, k] = np.sum(area * np.exp(2j * np.pi * (wave(x1, y1) - wave(x2, y2)))) / np.pi
    return RectBivariateSpline(s, turn, value.real), RectBivariateSpline(s, turn, value.imag)


def bent_pupil(
    cutoff: float, *, defocus: float = 0.0, astigmatism: float = 0.0, coma: float = 0.0, angle: float = 0.0
) -> Transfer:
    """A pupil with aberrations in direction `angle`, times a square pixel of full fill."""
    real, imaginary = _bent_pupil(defocus, astigmatism, coma)

    def transfer(fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
        fx, fy = np.broadcast_arrays(fx, fy)
        turn = np.arctan2(fy, fx) - angle
        turn = (turn + np.pi) % (2 * np.pi) - np.pi
        # symmetric about the aberrations' axis
        turn, s = np.abs(turn), np.minimum(2 * np.hypot(fx, fy) / cutoff, 2.0)
        return (real.ev(s, turn) + 1j * imaginary.ev(s, turn)) * np.sinc(fx) * np.sinc(fy)

    return transfer


def mtf50_of(transfer: Transfer, angle: float) -> float:
    """Return where the modulus first falls to one half along `angle`; NaN if it never does."""

    def excess(f: float) -> float:
        return float(np.abs(transfer(np.array(f * np.cos(angle)), np.array(f * np.sin(angle)))) - 0.5)

    grid = np.linspace(0.001, 1.2, 1200)
    value = np.abs(transfer(grid * np.cos(angle), grid * np.sin(angle)))
    if not (value < 0.5).any():
        return float("nan")
    k = int(np.argmax(value < 0.5))
    return float(brentq(excess, grid[k - 1], grid[k], xtol=1e-10))


def solve_blur(make: Callable[[float], Transfer], mtf50: float, low: float, high: float) -> Transfer:
    """Return the blur of a family whose MTF50, averaged over two directions, is `mtf50`."""

    def off(parameter: float) -> float:
        transfer = make(parameter)
        both = np.nan_to_num([mtf50_of(transfer, 0.4), mtf50_of(transfer, 0.4 + np.pi / 2)], nan=1.2)
        return float(both.mean()) - mtf50

    return make(float(brentq(off, low, high, xtol=1e-7)))


def disc_spectrum(
    size: int,
    radius: float,
    transfer: Transfer,
    *,
    axes: np.ndarray | None = None,
    folds: int = 2,
    stretch: float = 1.0,
) -> np.ndarray:
    """Spectrum of the blurred disc about the origin, up to `folds` cycles per pixel.

    Parameters
    ----------
    axes
        (2, 2), maps the disc to an ellipse.
    stretch
        Scales the blur.
    """
    wide = size * 2 * folds
    f = np.fft.fftfreq(wide) * 2 * folds
    fx, fy = f[None, :], f[:, None]
    axes = np.eye(2) if axes is None else axes
    g = np.maximum(np.hypot(axes[0, 0] * fx + axes[1, 0] * fy, axes[0, 1] * fx + axes[1, 1] * fy), 1e-9)
    shape = abs(np.linalg.det(axes)) * radius * j1(2 * np.pi * radius * g) / g
    return shape * transfer(stretch * fx, stretch * fy)


def square_spectrum(size: int, side: float, lean: float, transfer: Transfer, *, folds: int = 2) -> np.ndarray:
    """Spectrum of a blurred square about the origin, its sides turned by `lean` from the pixels' axes."""
    f = np.fft.fftfreq(size * 2 * folds) * 2 * folds
    fx, fy = f[None, :], f[:, None]
    along, across = fx * np.cos(lean) + fy * np.sin(lean), fy * np.cos(lean) - fx * np.sin(lean)
    return side**2 * np.sinc(side * along) * np.sinc(side * across) * transfer(fx, fy)


def place_disc(spectrum: np.ndarray, size: int, centre: tuple[float, float]) -> np.ndarray:
    """Move to `centre`, fold at the sampling frequency, and go back to pixels."""
    wide = spectrum.shape[0]
    f = np.fft.fftfreq(wide) * (wide // size)
    moved = spectrum * np.exp(-2j * np.pi * f * centre[0])[None, :] * np.exp(-2j * np.pi * f * centre[1])[:, None]
    parts = wide // size
    # frequency index k and k + size are the same after sampling
    folded = moved.reshape(parts, size, parts, size).sum(axis=(0, 2))
    return np.fft.ifft2(folded).real


def depth_centroid(transfer: Transfer, radius: float, level: float = 0.3, pitch: float = 6.0) -> np.ndarray:
    """Return the centroid of a disc's depth above `level` of the greatest, from the disc's centre, px: (2,).

    It is that of the exact picture at four samples a pixel, with neighbours at `pitch` radii.
    """
    size = 4 * round(pitch * radius / 4)
    spectrum = disc_spectrum(size, radius, transfer)
    wide = len(spectrum)
    middle = np.exp(-1j * np.pi * np.fft.fftfreq(wide) * wide)
    depth = np.fft.ifft2(spectrum * middle[None, :] * middle[:, None]).real
    weight = np.maximum(depth - level * depth.max(), 0)
    place = np.arange(wide) * size / wide - size / 2
    return np.array([weight.sum(axis=0) @ place, weight.sum(axis=1) @ place]) / weight.sum()


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """Tiles side by side, each with one disc: light and places of the discs."""

    light: np.ndarray
    centre: np.ndarray
    radius: float
    clear: float


def draw_sheet(
    transfer: Transfer,
    radius: float,
    *,
    phases: int = 16,
    pitch: float = 5.0,
    folds: int = 2,
    seed: int = 7,
    axes: np.ndarray | None = None,
) -> Sheet:
    """Draw `phases` (a square number) tiles with discs at different sub-pixel positions."""
    side = round(np.sqrt(phases))
    size = 4 * round(pitch * radius / 4)
    spectrum = disc_spectrum(size, radius, transfer, folds=folds, axes=axes)
    rng = np.random.default_rng(seed)
    steps = (np.arange(side) + rng.uniform(0, 1)) / side
    light = np.empty((side * size, side * size))
    centre = []
    for row in range(side):
        for column in range(side):
            # over two pixels, so that a colour plane's own cell is gone through as well
            place = (size / 2 + 2 * steps[column] - 1, size / 2 + 2 * steps[row] - 1)
            tile = place_disc(spectrum, size, place)
            light[row * size : (row + 1) * size, column * size : (column + 1) * size] = PAPER + (DARK - PAPER) * tile
            centre.append((column * size + place[0], row * size + place[1]))
    return Sheet(light=light, centre=np.array(centre), radius=radius, clear=size - 2 * radius - 8.0)


def to_mosaic(
    light: np.ndarray,
    *,
    noise: float = 0.0,
    rng: np.random.Generator | None = None,
    pattern: np.ndarray = BAYER,
    planes: tuple[str, ...] = COLOURS,
    shot: str = "chart/0001.dng",
) -> Mosaic:
    """Expose light (height, width), or (planes, height, width) if the planes differ; `noise` is of white.

    Without noise, values are kept at a fine step, as of a 16-bit sensor.
    """
    channels, rows, columns = pattern.shape
    height, width = light.shape[-2:]
    values = np.empty((channels, height, width))
    for channel in range(channels):
        for y in range(rows):
            for x in range(columns):
                part = light if light.ndim == 2 else light[pattern[channel, y, x]]
                values[channel, y::rows, x::columns] = part[y::rows, x::columns]
    if noise:
        assert rng is not None
        values += noise * rng.standard_normal(values.shape, dtype=np.float32)
    return Mosaic(
        values=np.rint(BLACK_DN + values * (WHITE_DN - BLACK_DN)).clip(0, 65535).astype(np.uint16),
        pattern=pattern,
        planes=planes,
        black_dn=np.full(pattern.shape, BLACK_DN),
        white_dn=WHITE_DN,
        facts=CaptureFacts(),
        role="chart",
        shot=shot,
    )


def add_noise(clean: Mosaic, noise: float, rng: np.random.Generator) -> Mosaic:
    """Add white noise (fraction of white) to a clean exposure; faster than a new exposure."""
    values = rng.standard_normal(clean.values.shape, dtype=np.float32)
    values *= np.float32(noise * (WHITE_DN - BLACK_DN))
    values += clean.values
    np.rint(values, out=values)
    return replace(clean, values=values.clip(0, 65535).astype(np.uint16))


def trace_sheet(
    mosaic: Mosaic,
    sheet: Sheet,
    rng: np.random.Generator | None = None,
    *,
    angle: float = 0.0,
    rough_px: float = 0.3,
    maps: np.ndarray | None = None,
    inside: float = 0.85,
    alone: bool = False,
) -> EdgeTable:
    """Trace a sheet's discs from rough places, as chart location returns them; the image radius is at `angle`.

    `alone`: as if each disc had no neighbours.
    """
    count = len(sheet.centre)
    rng = np.random.default_rng(3) if rng is None else rng
    return trace_table(
        mosaic,
        centre=sheet.centre + rng.uniform(-rough_px, rough_px, sheet.centre.shape),
        maps=np.tile(np.eye(2) if maps is None else maps, (count, 1, 1)),
        radius_px=np.full(count, sheet.radius + 0.4),
        limit_px=np.tile([inside * (sheet.radius + 0.4), sheet.clear - 1.0], (count, 1)),
        radial=np.full(count, angle),
        gain=np.tile([1.0, 0.0, 0.0, 0.0, 0.0, 0.0], (len(mosaic.planes), count, 1)),
        pitch=None if alone else (sheet.clear + 8.0) / sheet.radius + 2,
    )


def make_fit(sheet: Sheet, mosaic: Mosaic, rough_px: float = 0.3) -> ChartFit:
    """Return the result of chart location for a sheet."""
    side = round(np.sqrt(len(sheet.centre)))
    count = side * side
    rng = np.random.default_rng(5)
    height, width = mosaic.values.shape[1:]
    row, column = np.divmod(np.arange(count), side)
    return ChartFit(
        chart="sheet",
        width_px=width,
        height_px=height,
        planes=mosaic.planes,
        node=np.column_stack([column, row]),
        centre_px=sheet.centre + rng.uniform(-rough_px, rough_px, (count, 2)),
        radius_px=np.full(count, sheet.radius + 0.3),
        is_mark=np.zeros(count, dtype=bool),
        clear_px=np.full(count, sheet.clear),
        homography=np.eye(3),
        magnification_frac=0.02,
        rotation_deg=0.0,
        disc_count=count,
        left_out_count=0,
    )


def make_stand(sheet: Sheet, *, kind: str = "large", shake_ratio: float = 1.25) -> Stand:
    """A stand with the sheet as chart: pitch 100 mm."""
    pitch = sheet.clear + 2 * sheet.radius + 8.0
    disc = 200 * sheet.radius / pitch
    layout = ChartLayout(
        name="sheet",
        columns=5,
        rows=5,
        pitch_mm=100.0,
        disc_diameter_mm=disc,
        marks=tuple(Mark(column=c, row=r, kind=kind) for c, r in ((1, 1), (3, 1), (1, 2))),
        ring_hole_diameter_mm=0.4 * disc,
        large_diameter_mm=1.4 * disc,
        contrast_ratio=15.0,
    )
    return Stand(
        sensor=Sensor(pixel_pitch_um=6.0),
        charts=(ChartUse(layout=layout),),
        shooting=ShootingLimits(shake_ratio=shake_ratio),
    )
