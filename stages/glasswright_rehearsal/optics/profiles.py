"""Edge profiles of a blurred disc, one for each direction: what the fast renderer looks up.

A disc of radius R blurred by a round transfer function H(f) has, exactly, the radial profile
``D(r) = 2 pi R int H(f) J1(2 pi R f) J0(2 pi r f) df``. Where H depends on direction, the profile in direction phi is
that of the slice H(f, phi), plus, to first order in 1/R, ``1/(8 pi^2 R)`` times the inverse transform of
``(d^2 H / d phi^2) / f^2`` (the transfer function's curvature across the slice is ``H_f / f + H_phiphi / f^2``; the
first part is in the disc's own profile). Where coma makes H complex, its imaginary part gives the lopsided part of the
edge, the other way round on the disc's other side. For what turns once with the direction the profile is
``-2 pi R int Im H J1(2 pi R f) J1(2 pi r f) df``, exactly; the rest is again of first order in 1/R. Local radius of
curvature is served by tables at two radii, taken linearly in 1/R.
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
"""Over half a turn."""
STEP_PX = 1 / 16
"""Of the near tables."""
SPLIT_CYCLES = 32.0
"""The kernel's share that knows the far side of the disc ends at this many cycles per radius."""
HAND_OVER = (0.55, 0.12)
"""Middle and width of the smooth hand-over to the share that does not, of that frequency."""
HIGH_REACH_PX = 22.0
"""The second share has died out this far from the edge (six widths of the hand-over's transform, for 88 px discs)."""
LEAST_OF_CUTOFF = 0.02
FADE_PX = 3.0
"""Over which the lopsided tables end."""
WHOLE_BELOW_PX = 40.0
"""Discs smaller than this are integrated whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernels:
    """The integrals over frequency for one class of disc sizes, as matrices."""

    radius_px: tuple[float, float]
    """The two radii of curvature that are tabulated."""
    near_px: float
    """Half width of the near tables."""
    far_px: float
    """How far outside the edge the tail is drawn."""
    frequency: Array
    near: Array32
    """(frequencies, 2 x distances): slice to near profile at either radius."""
    turn: Array32
    """(frequencies, 2 x distances): second derivative of the slice over the direction to near profile."""
    tail: Array32
    """(frequencies, 2 x tail distances): slice to the profile from the disc's middle outwards, in pixel steps."""
    odd: Array32
    odd_turn: Array32
    """As `near` and `turn`, for the imaginary part; empty unless asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Tables for some places."""

    near: Array32
    """(places, 2, DIRECTIONS + 3, distances): coverage by signed distance, outside positive, one direction of
    margin before and two after."""
    tail: Array32
    """(places, 2, tail distances)."""
    odd: Array32
    """As `near`: what is added in these directions and taken away in the opposite ones; without distances if no blur
    is lopsided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """Frequencies and their weights in the integrals; the lower band knows the far side of the disc."""

    frequency: Array
    weight: Array
    knows_far: bool


def build_kernels(
    least_radius_px: float, greatest_radius_px: float, spread_px: float, top: float, *, lopsided: bool = False
) -> Kernels:
    """Prepare the integrals for discs whose local radius lies between two bounds.

    Parameters
    ----------
    least_radius_px, greatest_radius_px
        Bounds of the local radius of curvature.
    spread_px
        Standard deviation of the widest blur.
    top
        Highest frequency that any transfer function reaches, cycles per pixel.
    lopsided
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
        odd=fill(_odd_kernel, distance) if lopsided else nothing,
        odd_turn=fill(_odd_turn_kernel, distance) if lopsided else nothing,
    )


def _split_bands(radii: tuple[float, float], near_px: float, far_px: float, top: float) -> tuple[_Band, ...]:
    """Share the frequencies out: the far side of a large disc matters to the low ones alone."""
    split = SPLIT_CYCLES / radii[0]
    whole = radii[0] < WHOLE_BELOW_PX or split > top
    low, low_weight = _nodes(top if whole else split, 2 * radii[1] + far_px)
    if whole:
        return (_Band(frequency=low, weight=low_weight, knows_far=True),)
    high, high_weight = _nodes(top, max(near_px, HIGH_REACH_PX))
    return (
        _Band(frequency=low, weight=low_weight * _share(low / split), knows_far=True),
        _Band(frequency=high, weight=high_weight * (1 - _share(high / split)), knows_far=False),
    )


def tabulate(blur: Blur, kernels: Kernels) -> Profiles:
    """Work out the edge profiles of discs under each place's blur."""
    angle = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    slices, differences = _slice(blur, kernels.frequency, np.cos(angle), np.sin(angle))
    even = np.ascontiguousarray(slices.real)
    # a pupil drawn out of tables has errors that the square of a low frequency would blow up
    is_plain = differences is None and not np.iscomplexobj(slices)
    least = 0.0 if is_plain else LEAST_OF_CUTOFF * float(blur.cutoff.min())
    slowest = int(np.searchsorted(kernels.frequency, least))
    near = _tabulate_part(even, _second_derivative(0), kernels.near, kernels.turn, kernels.frequency, slowest)
    odd = np.zeros((*near.shape[:3], 0), dtype=np.float32)
    if np.iscomplexobj(slices):
        # less the part that turns with the direction once, which the kernel has exactly
        bend = _second_derivative(1) + np.eye(DIRECTIONS)
        lean = np.ascontiguousarray(slices.imag)
        odd = _tabulate_part(lean, bend, kernels.odd, kernels.odd_turn, kernels.frequency, slowest)
    if differences is not None:
        # the two sides of the disc are blurred otherwise, each evenly
        sides = _tabulate_part(
            differences, _second_derivative(1), kernels.near, kernels.turn, kernels.frequency, slowest
        )
        odd = sides + odd if odd.shape == sides.shape else sides
    tail = even.mean(axis=1).astype(np.float32) @ kernels.tail
    return Profiles(near=_wrap(near, 1), tail=tail.reshape(len(blur), 2, -1), odd=_wrap(_fade(odd), -1))


def _slice(blur: Blur, frequency: Array, cos: Array, sin: Array) -> tuple[Array | Complex, Array | None]:
    """Return the transfer function in each direction (places, directions, frequencies), the mean of both sides of the
    disc, and half of what the side in the direction has more than the other; None where the sides are alike."""
    if blur.side_waves is None:
        return transfer(blur, frequency, cos[None, :], sin[None, :]), None
    more = blur.side_waves[:, :1] * cos + blur.side_waves[:, 1:] * sin
    places, directions = more.shape
    each = np.repeat(np.arange(places), directions)
    unit = np.tile(cos, places)[:, None], np.tile(sin, places)[:, None]

    def look(waves: Array) -> Array | Complex:
        seen = transfer(replace(pick_places(blur, each), waves=waves.ravel(), side_waves=None), frequency, *unit)
        return seen.reshape(places, directions, len(frequency))

    ahead, behind = look(blur.waves[:, None] + more), look(blur.waves[:, None] - more)
    return (ahead + behind) / 2, np.ascontiguousarray((ahead - behind).real) / 2


def _tabulate_part(
    slices: Array, bend: Array, kernel: Array32, turn: Array32, frequency: Array, slowest: int
) -> Array32:
    """Integrate the real or the imaginary parts (places, directions, frequencies): (places, 2, directions, ...).

    The direction's term over f^2 is level at low frequencies, and is held from the `slowest` down.
    """
    places, directions, count = slices.shape
    second = np.matmul(bend, slices) / frequency**2
    second[..., :slowest] = second[..., slowest, None]
    flat = slices.reshape(-1, count).astype(np.float32) @ kernel
    flat += second.reshape(-1, count).astype(np.float32) @ turn
    return np.swapaxes(flat.reshape(places, directions, 2, -1), 1, 2)


def _wrap(table: Array32, sign: int) -> Array32:
    """Add margins of directions from the other half of the turn, where lopsided parts change sign."""
    before, after = table[:, :, -1:] * np.float32(sign), table[:, :, :2] * np.float32(sign)
    return np.ascontiguousarray(np.concatenate([before, table, after], axis=2))


def _fade(table: Array32) -> Array32:
    """Let a lopsided part end smoothly where the tables do: beyond them edges are drawn without."""
    count = table.shape[3]
    from_end = np.minimum(np.arange(count), np.arange(count)[::-1]) * STEP_PX
    share = np.clip(from_end / FADE_PX, 0, 1)
    return np.asarray(table * (share**2 * (3 - 2 * share)), dtype=np.float32)


def _share(relative: Array) -> Array:
    """Return the first share's weight at a frequency over the split."""
    middle, width = HAND_OVER
    return np.asarray(0.5 * erfc((relative - middle) / (width * np.sqrt(2))), dtype=np.float64)


def _nodes(top: float, reach_px: float) -> tuple[Array, Array]:
    """Return Gauss-Legendre nodes and weights on 0..top for kernels that swing with `reach_px`."""
    node, weight = legendre_nodes(int(2.6 * top * reach_px) + 40)
    return (node + 1) * top / 2, weight * top / 2


class _Kernel(Protocol):
    """What a slice at each frequency adds to the light at each place."""

    def __call__(self, band: _Band, radius: float, place: Array, shift: float, /) -> Array:
        """Return (frequencies, places) for one of the two radii, `shift` more than the lesser one."""


def _even_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    return _disc_kernel(band, radius, distance + radius, 0)


def _odd_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    return -_disc_kernel(band, radius, distance + radius, 1)


def _tail_kernel(band: _Band, radius: float, place: Array, shift: float) -> Array:
    if band.knows_far:
        return _disc_kernel(band, radius, np.abs(place + shift), 0)
    is_close = np.abs(place + shift - radius) < HIGH_REACH_PX
    kernel = np.zeros((len(band.frequency), len(place)))
    kernel[:, is_close] = _disc_kernel(band, radius, place[is_close] + shift, 0)
    return kernel


def _even_turn_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    swing = np.cos(2 * np.pi * band.frequency[:, None] * distance)
    return np.asarray(swing / (4 * np.pi**2 * radius), dtype=np.float64)


def _odd_turn_kernel(band: _Band, radius: float, distance: Array, _shift: float) -> Array:
    swing = np.sin(2 * np.pi * band.frequency[:, None] * distance)
    return np.asarray(-swing / (4 * np.pi**2 * radius), dtype=np.float64)


def _disc_kernel(band: _Band, radius: float, distance: Array, times: int) -> Array:
    """Return ``2 pi R J1(2 pi R f) Jm(2 pi r f)``, (frequencies, distances), for what turns m = 0 or 1 times.

    The higher band takes the half of it, ``(J1 Jm + Y1 Ym) / 2``, that does not swing with the far side.
    """
    a = 2 * np.pi * radius * band.frequency
    b = 2 * np.pi * band.frequency[:, None] * distance
    bessel, neumann = ((j0, y0), (j1, y1))[times]
    product = j1(a)[:, None] * bessel(b)
    if not band.knows_far:
        product = (product + y1(a)[:, None] * neumann(b)) / 2
    return np.asarray(2 * np.pi * radius * product, dtype=np.float64)


def _second_derivative(parity: int) -> Array:
    """Return the matrix that takes samples over half a turn to their second derivative, by Fourier series.

    Over the other half the samples are the same (parity 0) or change sign (1).
    """
    whole = 2 * DIRECTIONS
    order = np.fft.fftfreq(whole, 1 / whole)
    sign = -1 if parity else 1
    spectrum = np.fft.fft(np.concatenate([np.eye(DIRECTIONS), sign * np.eye(DIRECTIONS)]), axis=0)
    derivative = np.fft.ifft(-(order**2)[:, None] * spectrum, axis=0).real
    return np.asarray(derivative[:DIRECTIONS], dtype=np.float64)
