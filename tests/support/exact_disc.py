"""Slow, exact image of one blurred ellipse, to check the fast renderer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.special import j1

from glasswright_rehearsal.optics.blur import Blur, diffract
from glasswright_rehearsal.optics.coma import sample_pupil

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def draw_exact(axes_px: Array, offset_px: tuple[float, float], blur: Blur, size_px: int, aliases: int) -> Array:
    """Return the coverage of an ellipse: its spectrum times the transfer function, sampled at the pixels.

    Parameters
    ----------
    axes_px
        (2, 2): maps the unit circle to the ellipse, pixels.
    offset_px
        Centre of the ellipse from pixel (size/2, size/2), x and y.
    blur
        Blur at one place.
    size_px
        Side of the picture, which is periodic.
    aliases
        Number of sampling frequencies on either side that are folded in; the transfer function must vanish beyond.

    Returns
    -------
    (size, size), 1 inside, 0 outside.

    Notes
    -----
    The spectrum of a disc of radius 1 is ``J1(2 pi f)/f``; an affine map A turns it into ``|det A| F(A^T f)``.
    Sampling at the pixels folds the spectrum, so the inverse transform of the folded sum is exact.
    """
    base = np.fft.fftfreq(size_px).astype(np.float64)
    total = np.zeros((size_px, size_px), dtype=np.complex128)
    for j in range(-aliases, aliases + 1):
        for i in range(-aliases, aliases + 1):
            fx, fy = base[None, :] + i, base[:, None] + j
            total += _spectrum(fx, fy, axes_px, blur) * np.exp(-2j * np.pi * (fx * offset_px[0] + fy * offset_px[1]))
    return np.fft.fftshift(np.fft.ifft2(total).real)


def _spectrum(fx: Array, fy: Array, axes_px: Array, blur: Blur) -> Complex:
    """Return the ellipse's spectrum times the transfer function."""
    gx = axes_px[0, 0] * fx + axes_px[1, 0] * fy
    gy = axes_px[0, 1] * fx + axes_px[1, 1] * fy
    g = np.maximum(np.hypot(gx, gy), 1e-9)
    shape = abs(float(np.linalg.det(axes_px))) * j1(2 * np.pi * g) / g
    f = np.hypot(fx, fy)
    safe = np.maximum(f, 1e-12)
    return np.asarray(shape * _transfer_2d(blur, f, fx / safe, fy / safe), dtype=np.complex128)


def _transfer_2d(blur: Blur, f: Array, cos: Array, sin: Array) -> Complex:
    """Evaluate the transfer function on a grid."""
    variance = blur.variance_xx[0] * cos**2 + 2 * blur.variance_xy[0] * cos * sin + blur.variance_yy[0] * sin**2
    gauss = np.exp(-2 * np.pi**2 * f**2 * variance)
    halo = 1 - blur.halo_frac + blur.halo_frac * np.exp(-2 * np.pi**2 * f**2 * blur.halo_variance)
    motion = np.sinc(f * (blur.motion_px[0] * cos + blur.motion_px[1] * sin))
    pupil = _pupil_2d(blur, np.clip(f / blur.cutoff[0], 0, 1), cos, sin)
    return np.asarray(pupil * gauss * halo * motion * np.sinc(f * cos) * np.sinc(f * sin), dtype=np.complex128)


def _pupil_2d(blur: Blur, relative_frequency: Array, cos: Array, sin: Array) -> Array | Complex:
    """Evaluate the pupil's factor; with coma, from fine tables over direction and frequency."""
    if not blur.coma_waves:
        return diffract(relative_frequency, blur.waves)
    axis = np.deg2rad(blur.coma_deg)
    psi = np.arccos(np.clip(cos * np.cos(axis) + sin * np.sin(axis), -1, 1))
    turn, direction = np.linspace(0, np.pi, 161), np.linspace(0, np.pi, 73)
    table = sample_pupil(1 - np.cos(turn), blur.waves, blur.coma_waves, np.cos(direction))[0]
    place = psi.ravel(), np.arccos(1 - 2 * relative_frequency).ravel()
    real, imaginary = (RectBivariateSpline(direction, turn, part, s=0).ev(*place) for part in (table.real, table.imag))
    return np.asarray((real + 1j * imaginary).reshape(psi.shape))
