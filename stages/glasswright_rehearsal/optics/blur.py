"""Optical transfer function at a place: diffraction, defocus, aberration, halo, motion and pixel aperture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glasswright_rehearsal.optics.coma import LEAST_WAVES, transfer_comatic
from glasswright_rehearsal.optics.quadrature import legendre_nodes
from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import PLANE_INDEX, WAVELENGTH_UM, Lens
from glasswright_rehearsal.scene.printing import Ink

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

HALF = 0.5
MANY = 400
"""Number of places from which pupils without coma are interpolated from tables too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """Parameters of the blur at some places: arrays (places,), in pixels unless noted."""

    cutoff: Array
    """Diffraction cut-off, cycles per pixel."""
    waves: Array
    """Defocus as W20 in wavelengths."""
    variance_xx: Array
    variance_xy: Array
    variance_yy: Array
    """Covariance of the Gaussian aberration blur, square pixels, sensor axes."""
    coma_waves: float = 0.0
    """W31 in wavelengths, the same at all places."""
    side_waves: Array | None = None
    """(places, 2): defocus at the disc's right and lower edge minus that at its centre, W20 in wavelengths."""
    coma_deg: float = 0.0
    """Direction of the tail of a point's image, from x towards y."""
    halo_frac: float = 0.0
    halo_variance: float = 0.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    """Whole length of a uniform motion during the exposure."""
    scatter_frac: float = 0.0
    """Share of the print's light that its paper scatters."""
    scatter_px: float = 0.0
    """Length k of the scatter's transfer function, 1 / (1 + (k f)^2)."""

    def __len__(self) -> int:
        """Return the number of places."""
        return len(self.cutoff)


def find_blur(
    lens: Lens,
    frame: Frame,
    place_px: Array,
    plane: str,
    motion_px: tuple[float, float] = (0.0, 0.0),
    depth_um: tuple[Array, Array | None] | None = None,
) -> Blur:
    """Evaluate a lens's blur at places (places, 2) on the sensor in one plane.

    `depth_um` is the defocus by the scene's depth: see `defocus_by_depth`.
    """
    a = lens.aberrations
    field = (place_px - frame.centre_px) / frame.half_diagonal_px
    square = np.sum(field**2, axis=1)
    along = field / np.maximum(np.sqrt(square), 1e-12)[:, None]
    towards = np.array([np.cos(np.deg2rad(a.decentre_deg)), np.sin(np.deg2rad(a.decentre_deg))])
    growth = np.maximum(1 + a.decentre_gradient * (field @ towards), 0.2) / frame.pitch_um
    tangential = ((a.blur_um + a.tangential_growth_um * square) * growth) ** 2
    sagittal = ((a.blur_um + a.sagittal_growth_um * square) * growth) ** 2
    extra = tangential - sagittal
    defocus = a.defocus_um + a.plane_defocus_um[PLANE_INDEX[plane]] + a.field_curvature_um * square
    defocus = defocus + field @ np.array(a.tilt_um)
    wavelength = WAVELENGTH_UM[plane]
    per_um = 1 / (8 * lens.f_number**2 * wavelength)
    if depth_um is not None:
        defocus = defocus + depth_um[0]
    coma_waves = a.coma_waves * WAVELENGTH_UM["green"] / wavelength
    return Blur(
        cutoff=np.full(len(place_px), frame.pitch_um / (wavelength * lens.f_number)),
        waves=defocus * per_um,
        side_waves=None if depth_um is None or depth_um[1] is None else depth_um[1] * per_um,
        variance_xx=sagittal + extra * along[:, 0] ** 2,
        variance_xy=extra * along[:, 0] * along[:, 1],
        variance_yy=sagittal + extra * along[:, 1] ** 2,
        coma_waves=coma_waves if a.coma_waves >= LEAST_WAVES else 0.0,
        coma_deg=a.decentre_deg,
        halo_frac=a.haze_frac,
        halo_variance=(a.halo_um / frame.pitch_um) ** 2,
        motion_px=motion_px,
    )


def add_ink(blur: Blur, ink: Ink, per_mm: float) -> Blur:
    """Return the blur with that of a print's edges.

    Parameters
    ----------
    per_mm
        Pixels on the sensor per millimetre on the print, whose rows lie along the sensor's.
    """
    across, down = (width / 1000 * per_mm for width in ink.core_um)
    return replace(
        blur,
        variance_xx=blur.variance_xx + across**2,
        variance_yy=blur.variance_yy + down**2,
        scatter_frac=ink.scatter_frac,
        scatter_px=ink.scatter_um / 1000 * per_mm,
    )


def diffract(relative_frequency: Array, waves: Array) -> Array:
    """Return the transfer function of a round pupil with defocus.

    Parameters
    ----------
    relative_frequency
        Frequency over the cut-off, any shape that broadcasts with `waves`; the function is 0 beyond 1.
    waves
        W20 in wavelengths.

    Notes
    -----
    ``OTF = (4/pi) int_0^b sin^2 t cos(4 pi W20 s (cos t - s/2)) dt``, s = 2 f/fc, b = arccos(s/2): the overlap
    integral of H. H. Hopkins, "The frequency response of a defocused optical system", Proc. R. Soc. A 231 (1955),
    with x = cos t, by Gauss-Legendre.
    """
    s = np.clip(2 * np.abs(relative_frequency), 0, 2)
    bound = np.arccos(s / 2)
    count = 14 + int(8 * np.max(np.abs(waves), initial=0.0))
    node, weight = legendre_nodes(count)
    total = np.zeros(np.broadcast(s, waves).shape)
    strength = 4 * np.pi * waves * s
    for x, w in zip(node, weight, strict=True):
        t = bound * (x + 1) / 2
        total += w * np.sin(t) ** 2 * np.cos(strength * (np.cos(t) - s / 2))
    return np.asarray(total * bound * 2 / np.pi, dtype=np.float64)


def transfer(blur: Blur, frequency: Array, cos: Array, sin: Array, *, pixel: bool = True) -> Array | Complex:
    """Return the transfer function along directions; complex with coma, else real.

    Parameters
    ----------
    blur
        P places.
    frequency
        (F,), cycles per pixel.
    cos, sin
        (P, D) or (1, D): unit vectors of the directions at each place.
    pixel
        Whether the square pixel's aperture is included.

    Returns
    -------
    (P, D, F)
    """
    f = frequency[None, None, :]
    result = _find_pupil(blur, frequency, cos, sin)
    variance = (
        blur.variance_xx[:, None] * cos**2
        + 2 * blur.variance_xy[:, None] * cos * sin
        + blur.variance_yy[:, None] * sin**2
    )
    exponent = -2 * np.pi**2 * f**2
    result = result * np.exp(exponent * variance[:, :, None])
    if blur.halo_frac:
        result = result * (1 - blur.halo_frac + blur.halo_frac * np.exp(exponent * blur.halo_variance))
    if blur.scatter_frac:
        result = result * (1 - blur.scatter_frac + blur.scatter_frac / (1 + (blur.scatter_px * f) ** 2))
    if blur.motion_px != (0.0, 0.0):
        result = result * np.sinc(f * (blur.motion_px[0] * cos + blur.motion_px[1] * sin)[:, :, None])
    if pixel:
        result = result * (np.sinc(f * cos[:, :, None]) * np.sinc(f * sin[:, :, None]))
    return result


def _find_pupil(blur: Blur, frequency: Array, cos: Array, sin: Array) -> Array | Complex:
    """Return the pupil's factor, (P, D or 1, F)."""
    if not blur.coma_waves and len(blur) < MANY:
        return diffract(frequency[None, :] / blur.cutoff[:, None], blur.waves[:, None])[:, None, :]
    axis = np.deg2rad(blur.coma_deg)
    cos_axis = np.broadcast_to(np.clip(cos * np.cos(axis) + sin * np.sin(axis), -1, 1), (len(blur), cos.shape[1]))
    pupil = transfer_comatic(frequency / blur.cutoff[0], blur.waves, blur.coma_waves, cos_axis)
    return pupil if blur.coma_waves else pupil.real


def find_mtf50(blur: Blur, cos: Array, sin: Array) -> Array:
    """Return the frequency (P, D), cycles per pixel, at which the modulus of the transfer function first falls to
    0.5."""
    frequency = np.linspace(0, 1.2, 301)
    values = np.abs(transfer(blur, frequency, cos, sin))
    below = values < HALF
    # the crossing is between the second and third of four samples; a cubic interpolates them to rounding error
    first = np.maximum(np.argmax(below, axis=-1), 2)[..., None] - 2
    a, b, c, d = (np.take_along_axis(values, first + k, axis=-1)[..., 0] for k in range(4))
    low, high = np.zeros_like(b), np.ones_like(b)
    for _ in range(40):
        t = (low + high) / 2
        between = -a * t * (t - 1) * (t - 2) / 6 + b * (t + 1) * (t - 1) * (t - 2) / 2
        between += -c * (t + 1) * t * (t - 2) / 2 + d * (t + 1) * t * (t - 1) / 6
        low, high = np.where(between > HALF, t, low), np.where(between > HALF, high, t)
    found = frequency[1] * (first[..., 0] + 1 + low)
    return np.where(below.any(axis=-1), found, np.nan)


def find_spill(blur: Blur, cos: Array, sin: Array) -> Array:
    """Return the light (P, D) that falls over a straight edge farther than 2/MTF50, of the step, both sides together.

    An edge's spread is ``1/2 + integral of sin(2 pi f x) M(f) / (pi f) df`` (the transform of a step), so what lies
    farther away than x is one less twice that integral.
    """
    frequency = np.linspace(1e-6, 1.5, 6001)
    values = transfer(blur, frequency, cos, sin).real
    away = 2 / find_mtf50(blur, cos, sin)
    wave = np.sin(2 * np.pi * frequency * away[..., None]) / (np.pi * frequency)
    return np.asarray(1 - 2 * np.trapezoid(wave * values, frequency, axis=-1))


def pick_places(blur: Blur, index: NDArray[np.intp]) -> Blur:
    """Return the blur at the indexed places."""
    return replace(
        blur,
        cutoff=blur.cutoff[index],
        waves=blur.waves[index],
        variance_xx=blur.variance_xx[index],
        variance_xy=blur.variance_xy[index],
        variance_yy=blur.variance_yy[index],
        side_waves=None if blur.side_waves is None else blur.side_waves[index],
    )


def find_spread_px(blur: Blur) -> float:
    """Return an upper bound for the standard deviation of the widest blur, to size the edge tables."""
    gauss = np.sqrt(np.max(blur.variance_xx + blur.variance_yy))
    # geometric blur-disc radius of defocus is 4 |W20/lambda| / cut-off pixels
    disc = np.max(4 * np.abs(blur.waves) / blur.cutoff)
    halo = np.sqrt(blur.halo_variance) if blur.halo_frac else 0.0
    motion = np.hypot(*blur.motion_px) / 2
    # the scatter's line spread falls by e in k / (2 pi)
    scatter = blur.scatter_px / np.pi if blur.scatter_frac else 0.0
    # standard deviation of the geometric coma along its axis
    comet = np.max(np.sqrt(2) * blur.coma_waves / blur.cutoff)
    return float(np.hypot(np.hypot(gauss, comet), np.hypot(halo, scatter)) + disc + motion)
