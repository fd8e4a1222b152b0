"""Edge profiles of a blurred disc, one for each direction: what the fast renderer looks up.

A disc of radius R blurred by a round transfer function H(f) has, exactly, the radial profile
``D(r) = 2 pi R int H(f) J1(2 pi R f) J0(2 pi r f) df``. Where H depends on direction, the profile in direction phi is
that of the slice H(f, phi), plus, to first order in 1/R, ``1/(8 pi^2 R)`` times the inverse transform of
``(d^2 H / d phi^2) / f^2`` (the transfer function's curvature across the slice is ``H_f / f + H_phiphi / f^2``; the
first part is in the disc's own profile). Local radius of curvature is served by tables at two radii, taken linearly
in 1/R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc, j0, j1, y0, y1

from glasswright_rehearsal.blur import Blur, transfer

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Tables for some places."""

    near: Array32
    """(places, 2, DIRECTIONS + 3, distances): coverage by signed distance, outside positive, one direction of
    margin before and two after."""
    tail: Array32
    """(places, 2, tail distances)."""


def build_kernels(least_radius_px: float, greatest_radius_px: float, spread_px: float, top: float) -> Kernels:
    """Prepare the integrals for discs whose local radius lies between two bounds.

    Parameters
    ----------
    least_radius_px, greatest_radius_px
        Bounds of the local radius of curvature.
    spread_px
        Standard deviation of the widest blur.
    top
        Highest frequency that any transfer function reaches, cycles per pixel.
    """
    radii = (least_radius_px * 0.999, greatest_radius_px * 1.001)
    near_px = min(10 + 4 * spread_px, 0.9 * radii[0])
    far_px = radii[1] + near_px
    split = SPLIT_CYCLES / radii[0]
    whole = radii[0] < WHOLE_BELOW_PX or split > top
    low, low_weight = _nodes(top if whole else split, 2 * radii[1] + far_px)
    distance = np.arange(-near_px, near_px + 3 * STEP_PX, STEP_PX) - STEP_PX
    tail_distance = np.arange(0.0, radii[0] + far_px + 3.0)
    share = np.ones_like(low) if whole else _share(low / split)
    near = [_disc_kernel(low, r, distance + r) * (low_weight * share)[:, None] for r in radii]
    tail = [_disc_kernel(low, r, tail_distance + (r - radii[0])) * (low_weight * share)[:, None] for r in radii]
    turn = [_turn_kernel(low, r, distance) * low_weight[:, None] for r in radii]
    frequency = low
    if not whole:
        high, high_weight = _nodes(top, max(near_px, HIGH_REACH_PX))
        rest = 1 - _share(high / split)
        near_high = [_near_side_kernel(high, r, distance + r) * (high_weight * rest)[:, None] for r in radii]
        turn_high = [_turn_kernel(high, r, distance) * (high_weight * rest)[:, None] for r in radii]
        turn = [_turn_kernel(low, r, distance) * (low_weight * share)[:, None] for r in radii]
        near = [np.concatenate(pair) for pair in zip(near, near_high, strict=True)]
        turn = [np.concatenate(pair) for pair in zip(turn, turn_high, strict=True)]
        is_close = np.abs(tail_distance - radii[0]) < HIGH_REACH_PX
        tail_high = [np.zeros((len(high), len(tail_distance))) for _ in radii]
        for part, r in zip(tail_high, radii, strict=True):
            closely = _near_side_kernel(high, r, tail_distance[is_close] + (r - radii[0]))
            part[:, is_close] = closely * (high_weight * rest)[:, None]
        tail = [np.concatenate(pair) for pair in zip(tail, tail_high, strict=True)]
        frequency = np.concatenate([low, high])
    return Kernels(
        radius_px=radii,
        near_px=near_px,
        far_px=far_px,
        frequency=frequency,
        near=np.concatenate(near, axis=1).astype(np.float32),
        turn=np.concatenate(turn, axis=1).astype(np.float32),
        tail=np.concatenate(tail, axis=1).astype(np.float32),
    )


def tabulate(blur: Blur, kernels: Kernels) -> Profiles:
    """Work out the edge profiles of discs under each place's blur."""
    angle = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    slices = transfer(blur, kernels.frequency, np.cos(angle)[None, :], np.sin(angle)[None, :])
    places, count = len(blur), len(kernels.frequency)
    second = np.einsum("de,pef->pdf", _second_derivative(), slices) / kernels.frequency**2
    flat = slices.reshape(-1, count).astype(np.float32) @ kernels.near
    flat += second.reshape(-1, count).astype(np.float32) @ kernels.turn
    near = np.swapaxes(flat.reshape(places, DIRECTIONS, 2, -1), 1, 2)
    wrapped = np.concatenate([near[:, :, -1:], near, near[:, :, :2]], axis=2)
    tail = slices.mean(axis=1).astype(np.float32) @ kernels.tail
    return Profiles(near=np.ascontiguousarray(wrapped), tail=tail.reshape(places, 2, -1))


def _share(relative: Array) -> Array:
    """Give the first share's weight at a frequency over the split."""
    middle, width = HAND_OVER
    return np.asarray(0.5 * erfc((relative - middle) / (width * np.sqrt(2))), dtype=np.float64)


def _nodes(top: float, reach_px: float) -> tuple[Array, Array]:
    """Give Gauss-Legendre nodes and weights on 0..top for kernels that swing with `reach_px`."""
    node, weight = np.polynomial.legendre.leggauss(int(2.6 * top * reach_px) + 40)
    return (node + 1) * top / 2, weight * top / 2


def _disc_kernel(frequency: Array, radius: float, distance: Array) -> Array:
    """Give ``2 pi R J1(2 pi R f) J0(2 pi r f)``, (frequencies, distances)."""
    first = 2 * np.pi * radius * j1(2 * np.pi * radius * frequency)
    return np.asarray(first[:, None] * j0(2 * np.pi * frequency[:, None] * np.abs(distance)), dtype=np.float64)


def _near_side_kernel(frequency: Array, radius: float, distance: Array) -> Array:
    """Give the part of `_disc_kernel` that does not swing with the far side: half of J1 J0 + Y1 Y0."""
    a = 2 * np.pi * radius * frequency
    b = 2 * np.pi * frequency[:, None] * distance
    product = j1(a)[:, None] * j0(b) + y1(a)[:, None] * y0(b)
    return np.asarray(np.pi * radius * product, dtype=np.float64)


def _turn_kernel(frequency: Array, radius: float, distance: Array) -> Array:
    """Give the kernel of the direction term."""
    return np.asarray(np.cos(2 * np.pi * frequency[:, None] * distance) / (4 * np.pi**2 * radius), dtype=np.float64)


def _second_derivative() -> Array:
    """Give the matrix that takes samples over half a turn to their second derivative, by Fourier series."""
    order = np.fft.fftfreq(DIRECTIONS, 1 / DIRECTIONS) * 2
    spectrum = np.fft.fft(np.eye(DIRECTIONS), axis=0)
    return np.asarray(np.fft.ifft(-(order**2)[:, None] * spectrum, axis=0).real, dtype=np.float64)
