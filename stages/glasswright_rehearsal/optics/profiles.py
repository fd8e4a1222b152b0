"""Edge profiles of a blurred disc by direction: the tables of the fast renderer.

A disc of radius R blurred by a rotationally symmetric transfer function H(f) has, exactly, the radial profile
``D(r) = 2 pi R int H(f) J1(2 pi R f) J0(2 pi r f) df``. If H depends on direction, the profile in direction phi is that
of the slice H(f, phi), plus, to first order in 1/R, ``1/(8 pi^2 R)`` times the inverse transform of
``(d^2 H / d phi^2) / f^2``. (The curvature of H across the slice is ``H_f / f + H_phiphi / f^2``; the first term is in
the disc's profile.) Coma makes H complex. Its imaginary part is the odd part of the edge, with opposite sign on the
disc's opposite side. The first angular harmonic of Im H has exactly the profile
``-2 pi R int Im H J1(2 pi R f) J1(2 pi r f) df``; the others are again of first order in 1/R. For the local radius of
curvature, tables at two radii are interpolated linearly in 1/R.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc, j0, j1, y0, y1

from glasswright_rehearsal.optics.blur import Blur, pick_places, transfer
from glasswright_rehearsal.optics.quadrature import legendre_nodes

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Complex = NDArray[np.complex128]

DIRECTIONS = 24
"""Number of directions over half a turn."""
STEP_PX = 1 / 16
"""Step of the near tables."""
SPLIT_CYCLES = 32.0
"""End of the low band, whose kernels include the far side of the disc, in cycles per radius."""
HAND_OVER = (0.55, 0.12)
"""Middle and width of the smooth transition to the high band, over `SPLIT_CYCLES`."""
HIGH_REACH_PX = 22.0
"""Distance from the edge at which the high band vanishes (six widths of the transition's transform, 88 px discs)."""
LEAST_OF_CUTOFF = 0.02
FADE_PX = 3.0
"""Width over which the odd tables fade out."""
WHOLE_BELOW_PX = 40.0
"""Smaller discs are integrated in one band."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernels:
    """Integrals over frequency for one disc size, as matrices."""

    radius_px: tuple[float, float]
    """The two tabulated radii of curvature."""
    near_px: float
    """Half width of the near tables."""
    far_px: float
    """Distance outside the edge to which the tail is drawn."""
    frequency: Array
    near: Array32
    """(frequencies, 2 x distances): maps a slice to the near profile at both radii."""
    turn: Array32
    """(frequencies, 2 x distances): maps the slice's second derivative by direction to the near profile."""
    tail: Array32
    """(frequencies, 2 x tail distances): maps a slice to the profile from the disc's centre outwards, in pixel
    steps."""
    odd: Array32
    odd_turn: Array32
    """As `near` and `turn`, for the imaginary part; empty if not required."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Profile tables for some places."""

    near: Array32
    """(places, 2, DIRECTIONS + 3, distances): coverage by signed distance, outside positive; one margin direction
    before, two after."""
    tail: Array32
    """(places, 2, tail distances)."""
    odd: Array32
    """As `near`: added in these directions and subtracted in the opposite ones; without distances if all blurs are
    symmetric."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """Frequencies and their weights in the integrals."""

    frequency: Array
    weight: Array
    includes_far_side: bool
    """Whether the kernels include the far side of the disc: only at low frequencies."""


def build_kernels(
    least_radius_px: float, greatest_radius_px: float, spread_px: float, top: float, *, is_asymmetric: bool = False
) -> Kernels:
    """Prepare the integrals for discs with local radii between two bounds.

    Parameters
    ----------
    least_radius_px, greatest_radius_px
        Bounds of the local radius of curvature.
    spread_px
        Standard deviation of the widest blur.
    top
        Highest frequency of all transfer functions, cycles per pixel.
    is_asymmetric
        Whether the transfer functions may be complex.
    """
    radii = (least_radius_px * 0.999, greatest_radius_px * 1.001)
    near_px = min(10 + 4 * spread_px, 0.9 * radii[0])
    far_px = radii[1] + near_px
    bands = _split_bands(radii, near_px, far_px, top)
    distance = np.arange(-near_px, near_px + 3 * STEP_PX, STEP_PX) - STEP_PX
    tail_distance = np.arange(0.0, radii[0] + far_px + 3.0)

    def fill(kernel: _Kernel, place: Array) -> Array32:
        sides = [[kernel(band, r, place, r - radii[0]) * band.weight[:, None] for band in bands] for r in radii]
        return np.concatenate([np.concatenate(side) for side in sides], axis=1).astype(np.float32)

    nothing = np.zeros((0, 0), dtype=np.float32)
    return Kernels(
        radius_px=radii,
        near_px=near_px,
        far_px=far_px,
        frequency=np.concatenate([band.frequency for band in bands]),
        near=fill(_even_kernel, distance),
        turn=fill(_even_turn_kernel, distance),
        tail=fill(_tail_kernel, tail_distance),
        odd=fill(_odd_kernel, distance) if is_asymmetric else nothing,
        odd_turn=fill(_odd_turn_kernel, distance) if is_asymmetric else nothing,
    )


def _split_bands(radii: tuple[float, float], near_px: float, far_px: float, top: float) -> tuple[_Band, ...]:
    """Split the frequencies into bands: the far side of a large disc matters only to low frequencies."""
    split = SPLIT_CYCLES / radii[0]
    whole = radii[0] < WHOLE_BELOW_PX or split > top
    low, low_weight = _nodes(top if whole else split, 2 * radii[1] + far_px)
    if whole:
        return (_Band(frequency=low, weight=low_weight, includes_far_side=True),)
    high, high_weight = _nodes(top, max(near_px, HIGH_REACH_PX))
    return (
        _Band(frequency=low, weight=low_weight * _weigh_low_band(low / split), includes_far_side=True),
        _Band(frequency=high, weight=high_weight * (1 - _weigh_low_band(high / split)), includes_far_side=False),
    )


def tabulate(blur: Blur, kernels: Kernels) -> Profiles:
    """Compute the edge profiles of discs under each place's blur."""
    angle = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    slices, differences = _slice(blur, kernels.frequency, np.cos(angle), np.sin(angle))
    even = np.ascontiguousarray(slices.real)
    # division by the square of a low frequency would amplify interpolation errors of the pupil's tables
    is_plain = differences is None and not np.iscomplexobj(slices)
    least = 0.0 if is_plain else LEAST_OF_CUTOFF * float(blur.cutoff.min())
    slowest = int(np.searchsorted(kernels.frequency, least))
    near = _tabulate_part(even, _second_derivative(0), kernels.near, kernels.turn, kernels.frequency, slowest)
    odd = np.zeros((*near.shape[:3], 0), dtype=np.float32)
    if np.iscomplexobj(slices):
        # without the first harmonic, which the kernel contains exactly
        derivative = _second_derivative(1) + np.eye(DIRECTIONS)
        imaginary = np.ascontiguousarray(slices.imag)
        odd = _tabulate_part(imaginary, derivative, kernels.odd, kernels.odd_turn, kernels.frequency, slowest)
    if differences is not None:
        # the blur differs between the two sides of the disc, each with a real transfer function
        sides = _tabulate_part(
            differences, _second_derivative(1), kernels.near, kernels.turn, kernels.frequency, slowest
        )
        odd = sides + odd if odd.shape == sides.shape else sides
    tail = even.mean(axis=1).astype(np.float32) @ kernels.tail
    return Profiles(near=_wrap(near, 1), tail=tail.reshape(len(blur), 2, -1), odd=_wrap(_fade(odd), -1))


def _slice(blur: Blur, frequency: Array, cos: Array, sin: Array) -> tuple[Array | Complex, Array | None]:
    """Return the transfer function (places, directions, frequencies): mean of the disc's two sides, and half their
    difference, the side in the direction minus the other; None if the sides are equal."""
    if blur.side_waves is None:
        return transfer(blur, frequency, cos[None, :], sin[None, :]), None
    more = blur.side_waves[:, :1] * cos + blur.side_waves[:, 1:] * sin
    places, directions = more.shape
    each = np.repeat(np.arange(places), directions)
    unit = np.tile(cos, places)[:, None], np.tile(sin, places)[:, None]

    def evaluate(waves: Array) -> Array | Complex:
        values = transfer(replace(pick_places(blur, each), waves=waves.ravel(), side_waves=None), frequency, *unit)
        return values.reshape(places, directions, len(frequency))

    ahead, behind = evaluate(blur.waves[:, None] + more), evaluate(blur.waves[:, None] - more)
    return (ahead + behind) / 2, np.ascontiguousarray((ahead - behind).real) / 2


def _tabulate_part(
    slices: Array, derivative: Array, kernel: Array32, turn: Array32, frequency: Array, slowest: int
) -> Array32:
    """Integrate the real or the imaginary parts (places, directions, frequencies): (places, 2, directions, ...).

    The second derivative over f^2 is constant at low frequencies, and is set so below index `slowest`.
    """
    places, directions, count = slices.shape
    second = np.matmul(derivative, slices) / frequency**2
    second[..., :slowest] = second[..., slowest, None]
    flat = slices.reshape(-1, count).astype(np.float32) @ kernel
    flat += second.reshape(-1, count).astype(np.float32) @ turn
    return np.swapaxes(flat.reshape(places, directions, 2, -1), 1, 2)


def _wrap(table: Array32, sign: int) -> Array32:
    """Add margin directions from the other half turn, where odd parts change sign."""
    before, after = table[:, :, -1:] * np.float32(sign), table[:, :, :2] * np.float32(sign)
    return np.ascontiguousarray(np.concatenate([before, table, after], axis=2))


def _fade(table: Array32) -> Array32:
    """Fade out an odd part at the ends of the tables: it is not drawn beyond them."""
    count = table.shape[3]
    from_end = np.minimum(np.arange(count), np.arange(count)[::-1]) * STEP_PX
    share = np.clip(from_end / FADE_PX, 0, 1)
    return np.asarray(table * (share**2 * (3 - 2 * share)), dtype=np.float32)


def _weigh_low_band(relative: Array) -> Array:
    """Return the weight of the low band at a frequency over the split."""
    middle, width = HAND_OVER
    return np.asarray(0.5 * erfc((relative - middle) / (width * np.sqrt(2))), dtype=np.float64)


def _nodes(top: float, reach_px: float) -> tuple[Array, Array]:
    """Return Gauss-Legendre nodes and weights on 0..top for kernels that oscillate with `reach_px`."""
    node, weight = legendre_nodes(int(2.6 * top * reach_px) + 40)
    return (node + 1) * top / 2, weight * top / 2


class _Kernel(Protocol):
    """Contribution of each frequency to the light at each place."""

    def __call__(self, band: _Band, radius: float, place: Array, shift: float, /) -> Array:
        """Return (frequencies, places) for one of the two radii; `shift` is its excess over the smaller one."""


def _even_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    return _disc_kernel(band, radius, distance + radius, 0)


def _odd_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    return -_disc_kernel(band, radius, distance + radius, 1)


def _tail_kernel(band: _Band, radius: float, place: Array, shift: float) -> Array:
    if band.includes_far_side:
        return _disc_kernel(band, radius, np.abs(place + shift), 0)
    is_close = np.abs(place + shift - radius) < HIGH_REACH_PX
    kernel = np.zeros((len(band.frequency), len(place)))
    kernel[:, is_close] = _disc_kernel(band, radius, place[is_close] + shift, 0)
    return kernel


def _even_turn_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    wave = np.cos(2 * np.pi * band.frequency[:, None] * distance)
    return np.asarray(wave / (4 * np.pi**2 * radius), dtype=np.float64)


def _odd_turn_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    wave = np.sin(2 * np.pi * band.frequency[:, None] * distance)
    return np.asarray(-wave / (4 * np.pi**2 * radius), dtype=np.float64)


def _disc_kernel(band: _Band, radius: float, distance: Array, order: int) -> Array:
    """Return ``2 pi R J1(2 pi R f) Jm(2 pi r f)``, (frequencies, distances), for angular order m = 0 or 1.

    The high band takes the part ``(J1 Jm + Y1 Ym) / 2``, which does not oscillate with the far side.
    """
    a = 2 * np.pi * radius * band.frequency
    b = 2 * np.pi * band.frequency[:, None] * distance
    bessel, neumann = ((j0, y0), (j1, y1))[order]
    product = j1(a)[:, None] * bessel(b)
    if not band.includes_far_side:
        product = (product + y1(a)[:, None] * neumann(b)) / 2
    return np.asarray(2 * np.pi * radius * product, dtype=np.float64)


def _second_derivative(parity: int) -> Array:
    """Return the matrix of the second derivative for samples over half a turn, by Fourier series.

    Over the other half turn, the samples are the same (parity 0) or change sign (1).
    """
    whole = 2 * DIRECTIONS
    order = np.fft.fftfreq(whole, 1 / whole)
    sign = -1 if parity else 1
    spectrum = np.fft.fft(np.concatenate([np.eye(DIRECTIONS), sign * np.eye(DIRECTIONS)]), axis=0)
    derivative = np.fft.ifft(-(order**2)[:, None] * spectrum, axis=0).real
    return np.asarray(derivative[:DIRECTIONS], dtype=np.float64)
