"""Photon transfer: gain, read noise and linearity of a sensor from pairs of evenly lit frames. Pure mathematics.

Shot noise makes a pixel's variance between frames grow linearly with its signal; the slope is the gain. Half the
variance of the difference of two frames is free of fixed-pattern noise (Janesick, "Photon Transfer", 2007; EMVA 1288
release 4, 6.6).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SWEEPS: Final = 3
LINEAR_FROM, LINEAR_TO = 0.05, 0.95
"""Part of the range over which the linearity error is evaluated (EMVA 1288 release 4, 6.7)."""
SMALLEST_SIGNAL_U: Final = 1e-4
"""Smallest relative uncertainty of a mean over a million pixels: the light's distribution changes too."""
HEIGHTS: Final = np.linspace(LINEAR_FROM, LINEAR_TO, 91)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """Photon transfer line: variance over signal, with the gain as slope."""

    gain_dn: float
    """DN for each electron."""
    read_variance_dn2: float
    covariance: Array
    """(2, 2): covariance of gain and read variance."""
    scatter_ratio: float
    """Scatter about the line over that of shot noise; included in the covariance where above 1."""

    def count_electrons(self, range_dn: float, range_dn_u: float = 0.0) -> tuple[float, float]:
        """Return the number of electrons for a range in DN and its standard uncertainty."""
        count = range_dn / self.gain_dn
        relative = np.hypot(np.sqrt(self.covariance[0, 0]) / self.gain_dn, range_dn_u / range_dn)
        return count, float(count * relative)

    def count_read_noise(self) -> tuple[float, float]:
        """Return the read noise in electrons and its standard uncertainty (JCGM 100, 5.2)."""
        noise = float(np.sqrt(max(self.read_variance_dn2, 0.0))) / self.gain_dn
        if noise == 0.0:
            return 0.0, float(np.sqrt(np.sqrt(self.covariance[1, 1]))) / self.gain_dn
        slope = np.array([-noise / self.gain_dn, 1 / (2 * noise * self.gain_dn**2)])
        return noise, float(np.sqrt(slope @ self.covariance @ slope))


def fit_transfer(signal_dn: Array, variance_dn2: Array, pixel_count: Array) -> Transfer:
    """Fit the line of variance over signal.

    Parameters
    ----------
    signal_dn
        (points,): mean above black, near 0 for darks.
    variance_dn2
        (points,): variance of a pixel between frames, rounding noise subtracted.
    pixel_count
        (points,): number of pixels per variance; its relative standard uncertainty is ``sqrt(2 / n)``.

    Raises
    ------
    Unmeasurable
        With fewer than three points, equal signals, or a slope that is not positive.
    """
    if len(signal_dn) < 3 or np.ptp(signal_dn) <= 0:
        raise Unmeasurable("the flats have fewer than three exposure times: shoot pairs at five or more")
    design = np.column_stack([signal_dn, np.ones_like(signal_dn)])
    expected = np.maximum(variance_dn2, 1e-12)
    for _ in range(SWEEPS):
        u = expected * np.sqrt(2 / pixel_count)
        found = np.linalg.lstsq(design / u[:, None], variance_dn2 / u, rcond=None)[0]
        expected = np.maximum(design @ found, 1e-5 * variance_dn2.max())
    if found[0] <= 0:
        raise Unmeasurable(
            "the noise does not grow with the light: the files are copies of each other, or the body removes noise"
        )
    off = (variance_dn2 - design @ found) / u
    ratio = float(np.sqrt(np.sum(off**2) / (len(off) - 2)))
    covariance = np.linalg.inv((design / u[:, None]).T @ (design / u[:, None])) * max(ratio, 1.0) ** 2
    return Transfer(
        gain_dn=float(found[0]), read_variance_dn2=float(found[1]), covariance=covariance, scatter_ratio=ratio
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Response curve: light is ``s (1 + terms[0] s + terms[1] s^2)``, with the signal s as a fraction of white."""

    terms: Array
    covariance: Array
    """(2, 2): covariance of the terms."""
    departure_pct: float
    """Largest departure of the signal from the best line through zero, 5 to 95 % of white."""
    departure_pct_u: float
    light_scatter_frac: float
    """Standard deviation of lamp and shutter together, as fitted."""


def fit_response(time_s: Array, signal_frac: Array, signal_u_frac: Array, light_u_frac: float) -> Response:
    """Fit the response curve to signals over exposure time, all colour planes together.

    Errors of light and shutter are common to all planes of a frame, and the planes' signals differ. So each frame has
    one error term, with the prior standard deviation `light_u_frac`.

    Parameters
    ----------
    time_s
        (frames,): exposure times.
    signal_frac
        (frames, planes): mean signal above black over white; NaN where clipped or not taken.
    signal_u_frac
        Same shape: relative standard uncertainty of `signal_frac`.
    light_u_frac
        Relative standard uncertainty of a frame's light: lamp and shutter.

    Raises
    ------
    Unmeasurable
        With fewer than five exposure times, or signals over less than half of the range.
    """
    used = np.isfinite(signal_frac)
    if len(np.unique(time_s[used.any(axis=1)])) < 5 or np.nanmax(signal_frac) - np.nanmin(signal_frac) < 0.5:
        raise Unmeasurable(
            "linearity needs unclipped flats at five exposure times or more, from a twentieth to nine tenths of white: "
            f"found {len(np.unique(time_s[used.any(axis=1)]))} times, signals from {100 * np.nanmin(signal_frac):.0f} "
            f"to {100 * np.nanmax(signal_frac):.0f} % of white"
        )
    frame, plane = np.nonzero(used)
    s = signal_frac[used]
    frames, planes = signal_frac.shape
    u = np.maximum(signal_u_frac[used], SMALLEST_SIGNAL_U)
    rows = np.zeros((len(s), planes + frames + 2))
    scale = np.array([np.nanmedian(signal_frac[:, p] / time_s) if used[:, p].any() else 1.0 for p in range(planes)])
    rows[np.arange(len(s)), plane] = scale[plane] * time_s[frame] / s
    rows[np.arange(len(s)), planes + frame] = 1.0
    rows[:, -2:] = np.column_stack([-s, -(s**2)])
    priors = np.zeros((frames, rows.shape[1]))
    priors[np.arange(frames), planes + np.arange(frames)] = 1 / light_u_frac
    design = np.vstack([rows / u[:, None], priors])
    target = np.concatenate([1 / u, np.zeros(frames)])
    present = np.abs(design).sum(axis=0) > 0
    inverse = np.linalg.pinv(design[:, present])
    found = inverse @ target
    off = target - design[:, present] @ found
    freedom = len(target) - int(present.sum())
    ratio = float(np.sqrt(np.sum(off**2) / freedom)) if freedom > 0 else 1.0
    covariance = (inverse @ inverse.T)[-2:, -2:] * max(ratio, 1.0) ** 2
    terms = found[-2:]
    departure, slope = measure_departure(terms)
    worst = int(np.abs(departure).argmax())
    errors = found[int(present[:planes].sum()) : -2]
    return Response(
        terms=terms,
        covariance=covariance,
        departure_pct=100 * float(departure[worst]),
        departure_pct_u=100 * float(np.sqrt(slope[worst] @ covariance @ slope[worst])),
        light_scatter_frac=float(np.sqrt(np.mean(errors**2))),
    )


def measure_departure(terms: Array) -> tuple[Array, Array]:
    """Return the signal's relative departure from the best line at `HEIGHTS`, and its derivative by the terms."""

    def depart(values: Array) -> Array:
        signal = 1 / (1 + values[0] * HEIGHTS + values[1] * HEIGHTS**2)
        return np.asarray(signal / signal.mean() - 1)

    step = 1e-6
    slopes = [(depart(terms + step * unit) - depart(terms - step * unit)) / (2 * step) for unit in np.eye(2)]
    return depart(terms), np.column_stack(slopes)
