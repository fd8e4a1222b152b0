"""The slow, exact picture of one blurred ellipse, against which the fast renderer is checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from glasswright_rehearsal.blur import Blur, transfer

Array = NDArray[np.float64]


def draw_exact(axes_px: Array, offset_px: tuple[float, float], blur: Blur, size_px: int, aliases: int) -> Array:
    """Draw the coverage of an ellipse: spectrum of the ellipse times transfer function, sampled at the pixels.

    Parameters
    ----------
    axes_px
        (2, 2): takes the unit circle to the ellipse, pixels.
    offset_px
        Centre of the ellipse from pixel (size/2, size/2), x and y.
    blur
        One place.
    size_px
        Side of the picture, which repeats beyond its borders.
    aliases
        How many sampling frequencies on either side are folded in; the transfer function must have died out there.

    Returns
    -------
    (size, size), 1 inside, 0 outside.

    Notes
    -----
    The spectrum of a disc of radius 1 is ``J1(2 pi f)/f``; an affine map A turns it into ``|det A| F(A^T f)``.
    Sampling at the pixels folds the spectrum, so the folded sum gives the samples exactly.
    """
    base = np.fft.fftfreq(size_px).astype(np.float64)
    total = np.zeros((size_px, size_px), dtype=np.complex128)
    for j in range(-aliases, aliases + 1):
        for i in range(-aliases, aliases + 1):
            fx, fy = base[None, :] + i, base[:, None] + j
            total += _spectrum(fx, fy, axes_px, blur) * np.exp(-2j * np.pi * (fx * offset_px[0] + fy * offset_px[1]))
    return np.fft.fftshift(np.fft.ifft2(total).real)


def _spectrum(fx: Array, fy: Array, axes_px: Array, blur: Blur) -> Array:
    """Give the ellipse's spectrum times the transfer function."""
    gx = axes_px[0, 0] * fx + axes_px[1, 0] * fy
    gy = axes_px[0, 1] * fx + axes_px[1, 1] * fy
    g = np.maximum(np.hypot(gx, gy), 1e-9)
    shape = abs(float(np.linalg.det(axes_px))) * j1(2 * np.pi * g) / g
    f = np.hypot(fx, fy)
    safe = np.maximum(f, 1e-12)
    return np.asarray(shape * _transfer_2d(blur, f, fx / safe, fy / safe), dtype=np.float64)


def _transfer_2d(blur: Blur, f: Array, cos: Array, sin: Array) -> Array:
    """Evaluate the transfer function on a grid, row by row (each row has frequencies and directions of its own)."""
    flat = Blur(
        cutoff=np.full(f.size, blur.cutoff[0]) / np.maximum(f.ravel(), 1e-12),
        waves=np.full(f.size, blur.waves[0]),
        variance_xx=blur.variance_xx[0] * f.ravel() ** 2,
        variance_xy=blur.variance_xy[0] * f.ravel() ** 2,
        variance_yy=blur.variance_yy[0] * f.ravel() ** 2,
        halo_frac=0.0,
        halo_variance=0.0,
        motion_px=(0.0, 0.0),
    )
    one = np.ones(1)
    plain = transfer(flat, one, cos.ravel()[:, None], sin.ravel()[:, None], pixel=False)[:, 0, 0].reshape(f.shape)
    halo = 1 - blur.halo_frac + blur.halo_frac * np.exp(-2 * np.pi**2 * f**2 * blur.halo_variance)
    motion = np.sinc(f * (blur.motion_px[0] * cos + blur.motion_px[1] * sin))
    return np.asarray(plain * halo * motion * np.sinc(f * cos) * np.sinc(f * sin), dtype=np.float64)
