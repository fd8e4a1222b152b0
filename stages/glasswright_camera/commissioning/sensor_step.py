"""Step `sensor`: measure black, white, gain, read noise, hot pixels and linearity of the sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count
from glasswright_camera.commissioning.frame_pairs import PairLevels, find_clip, reduce_pair
from glasswright_camera.commissioning.photon_transfer import Response, Transfer, fit_response, fit_transfer
from glasswright_camera.commissioning.shots import find_body, find_day, is_rehearsed, list_shots, refuse_copies
from glasswright_camera.commissioning.step_result import StepResult, StepValue
from glasswright_camera.light.combine_darks import find_lasting
from glasswright_camera.light.linearity import Curve
from glasswright_camera.light.reduce_dark import reduce_dark
from glasswright_camera.raw.stage import read_mosaic

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.commissioning.step_result import ShotBody
    from glasswright_camera.light.dark import DarkShot
    from glasswright_camera.mosaic import Mosaic
    from glasswright_camera.stand import Sensor, Stand

    Array = NDArray[np.float64]

RESTS: Final = ("measure_vignetting.*", "measure_glare.*", "measure_mtf50.*", "find_spots.*")
HOLDS_DAYS: Final = 365
LIGHT_U_FRAC: Final = 0.003
"""Least relative standard uncertainty of a frame's light: a good lamp within minutes, and an electronic shutter."""
KEEP_CURVE_PCT: Final = 0.5
"""A response that departs more from the straight line is stored, and corrected when frames are read."""
BLACK_APART_DN: Final = 0.5
"""Difference from the file's black level above which the measured one is proposed."""
NEIGHBOUR_LIMIT: Final = 0.02
"""Noise correlation of neighbouring pixels above which the body is said to smooth the image."""
CORNER_GAIN_LIMIT: Final = 0.03
MISSING_LIMIT: Final = 0.01
FEWEST_SPREADS: Final = 3.0
"""Dark values reach further below black than this many noise standard deviations, unless the body cuts them off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorShots:
    """Reduced shots of the step."""

    darks: tuple[DarkShot, ...]
    dark_pairs: tuple[PairLevels, ...]
    pairs: tuple[PairLevels, ...]
    """Flats, the shortest exposure first."""
    clip_dn: float | None
    """Clipping level of the overexposed flats; None if none is overexposed."""
    lowest_dn: float
    """Lowest value in the darks."""
    plane_of_site: NDArray[np.int64]
    planes: tuple[str, ...]
    white_dn: float
    """Declared in the files or in the stand file."""


ROUNDING_U_DN: Final = 0.01 / 12**0.5
"""Standard uncertainty by rounding the black level to 0.01 DN in the stand file."""


def commission_sensor(folder: Path, stand: Stand, today: date) -> StepResult:
    """Measure the constants of the sensor from the folders `dark` and `flat` of a step's folder.

    Parameters
    ----------
    folder
        Contains `dark` (four frames or more with the cap on) and `flat` (pairs of frames of the even source at five
        exposure times or more, one of them overexposed).
    stand
        Its sensor's declared constants are compared with the measured ones.
    today
        Used as the day of the shots if no file has a date.

    Raises
    ------
    Unmeasurable
        If shots are missing or unsuitable.
    """
    dark, flat = list_shots(folder / "dark", "dark"), list_shots(folder / "flat", "flat")
    every = [*dark, *flat]
    refuse_copies(every)
    shots = reduce_shots(dark, flat, stand.sensor)
    found = describe_sensor(shots, find_body(every), find_day(every, today), len(every))
    return replace(found, is_rehearsed=is_rehearsed(every))


def reduce_shots(dark: tuple[Shot, ...], flat: tuple[Shot, ...], sensor: Sensor) -> SensorShots:
    """Read all shots, two at a time, and reduce them."""
    if len(dark) < 4:
        raise Unmeasurable(
            f"{format_count(len(dark), 'dark frame')}, at least 4 are needed: shoot more with the cap on"
        )
    reduced: list[DarkShot] = []
    pairs, lowest = [], float("inf")
    for one, other in zip(dark[::2], dark[1::2], strict=False):
        two = (read_mosaic(one, sensor)[0], read_mosaic(other, sensor)[0])
        reduced += [reduce_dark(each) for each in two]
        pairs.append(reduce_pair(*two, two[0].black_dn))
        lowest = min(lowest, *(float(each.values.min()) for each in two))
        first = two[0]
    flats, clip = _reduce_flats(flat, sensor, np.mean([each.level_dn for each in reduced], axis=0))
    return SensorShots(
        darks=tuple(reduced),
        dark_pairs=tuple(pairs),
        pairs=tuple(flats),
        clip_dn=clip,
        lowest_dn=lowest,
        plane_of_site=first.pattern.ravel(),
        planes=first.planes,
        white_dn=first.white_dn,
    )


def _reduce_flats(flat: tuple[Shot, ...], sensor: Sensor, black_dn: Array) -> tuple[list[PairLevels], float | None]:
    by_time: dict[float, list[Shot]] = {}
    for shot in flat:
        if not shot.facts.exposure_time_s:
            raise Unmeasurable(f"{shot.name} has no exposure time: shoot raw files with EXIF")
        by_time.setdefault(shot.facts.exposure_time_s, []).append(shot)
    pairs: list[PairLevels] = []
    clips: list[float] = []
    for _, shots in sorted(by_time.items()):
        for one, other in zip(shots[::2], shots[1::2], strict=False):
            two: tuple[Mosaic, Mosaic] = (read_mosaic(one, sensor)[0], read_mosaic(other, sensor)[0])
            clip = find_clip(two[0])
            if clip is not None:
                clips.append(clip)
            else:
                pairs.append(reduce_pair(*two, black_dn))
    if not pairs:
        raise Unmeasurable("no two flats have the same exposure time: shoot each exposure time twice")
    return pairs, min(clips, default=None)


def describe_sensor(shots: SensorShots, body: ShotBody | None, measured: date, shot_count: int) -> StepResult:
    """Return the constants, the proposed changes of the stand file, and notes."""
    black = np.mean([each.level_dn for each in shots.darks], axis=0)
    black_u = float(np.std([each.level_dn.mean() for each in shots.darks], ddof=1) / np.sqrt(len(shots.darks)))
    white = shots.white_dn if shots.clip_dn is None else shots.clip_dn
    range_dn = white - float(black.mean())
    usable = [pair for pair in shots.pairs if pair.top_dn < white]
    transfer = fit_pairs(usable, shots.dark_pairs, black.ravel())
    response = fit_pairs_response(usable, black.ravel(), range_dn, shots)
    curve = keep_curve(response)
    if curve is not None:
        transfer = fit_pairs(usable, shots.dark_pairs, black.ravel(), curve, range_dn)
    electrons, electrons_u = transfer.count_electrons(range_dn, black_u)
    noise, noise_u = transfer.count_read_noise()
    hot = len(find_lasting(shots.darks))
    findings = (
        StepValue(name="black_dn", value=float(black.mean()), u=float(np.hypot(black_u, ROUNDING_U_DN)), ceiling_u=0.2,
                meaning="mean black level of all sites"),
        StepValue(name="white_dn", value=white, u=0.29, ceiling_u=1.0, meaning="value from which a pixel is clipped"),
        StepValue(name="electrons_at_white_count", value=electrons, u=electrons_u, ceiling_u=0.01 * electrons,
                meaning="electrons that make white"),
        StepValue(name="read_noise_count", value=noise, u=noise_u, ceiling_u=max(0.05 * noise, 0.1),
                meaning="noise of a pixel without light, in electrons"),
        StepValue(name="nonlinearity_pct", value=response.departure_pct, u=response.departure_pct_u, ceiling_u=0.1,
                meaning="largest departure of the signal from the light, 5 to 95 % of white"),
        StepValue(name="hot_pixel_count", value=float(hot), u=float(np.sqrt(hot)), ceiling_u=float("inf"),
                meaning="pixels hot in most darks"),
    )  # fmt: skip
    return StepResult(
        step="sensor",
        findings=findings,
        changes=propose_sensor(shots, black, curve),
        rests=RESTS,
        holds_days=HOLDS_DAYS,
        body=body,
        measured=measured,
        shot_count=shot_count,
        notes=(*name_levels(shots, black, response), *name_baked(usable, shots, black.ravel(), transfer)),
    )


def fit_pairs(
    pairs: list[PairLevels], dark_pairs: tuple[PairLevels, ...], black: Array, curve: Curve | None = None,
    range_dn: float = 1.0,
) -> Transfer:  # fmt: skip
    """Fit gain and read noise to all sites of all pairs, after correction by the response curve if there is one."""
    every = [*dark_pairs, *pairs]
    # zero, not the dark's mean, which contains hot pixels
    dark = [np.zeros_like(black) for _ in dark_pairs]
    signal = np.concatenate([*dark, *(pair.signal_dn - black for pair in pairs)])
    variance = np.concatenate([pair.variance_dn2 for pair in every])
    if curve is not None:
        light, slope = curve.apply(signal / range_dn)
        signal, variance = light * range_dn, variance * slope**2
    return fit_transfer(signal, variance, np.concatenate([pair.pixel_count for pair in every]))


def fit_pairs_response(pairs: list[PairLevels], black: Array, range_dn: float, shots: SensorShots) -> Response:
    """Fit the response curve to the pairs."""
    planes = len(shots.planes)
    signal, u = np.full((len(pairs), planes), np.nan), np.full((len(pairs), planes), np.nan)
    for row, pair in enumerate(pairs):
        for plane in range(planes):
            sites = shots.plane_of_site == plane
            level = float((pair.signal_dn - black)[sites].mean())
            signal[row, plane] = level / range_dn
            u[row, plane] = np.sqrt(pair.variance_dn2[sites].mean() / pair.pixel_count[sites].sum() / 2) / level
    signal[signal < 0.01] = np.nan
    scatter = np.sqrt(np.mean([pair.level_change_frac**2 for pair in pairs])) / 2
    return fit_response(np.array([pair.exposure_time_s for pair in pairs]), signal, u, max(scatter, LIGHT_U_FRAC))


def keep_curve(response: Response) -> Curve | None:
    """Return the curve to correct; None if the response is linear within uncertainty."""
    surely = abs(response.departure_pct) - 2 * response.departure_pct_u
    if surely <= KEEP_CURVE_PCT:
        return None
    return Curve(float(f"{response.terms[0]:.5g}"), float(f"{response.terms[1]:.5g}"))


def propose_sensor(shots: SensorShots, black: Array, curve: Curve | None) -> dict[tuple[str | int, ...], object]:
    """Return the proposed changes of the stand file."""
    place = ("camera", "sensor")
    changes: dict[tuple[str | int, ...], object] = {}
    if np.abs(black - shots.darks[0].declared_black_dn).max() > BLACK_APART_DN:
        changes[*place, "black_dn"] = [[round(float(each), 2) for each in row] for row in black[0]]
    if shots.clip_dn is not None and shots.clip_dn != shots.white_dn:
        changes[*place, "white_dn"] = shots.clip_dn
    changes[*place, "linearity"] = None if curve is None else list(curve)
    return changes


def name_levels(shots: SensorShots, black: Array, response: Response) -> tuple[str, ...]:
    """Return notes on wrong levels and on those not determined."""
    notes = []
    off = np.abs(black - shots.darks[0].declared_black_dn)
    if off.max() > BLACK_APART_DN:
        notes.append(f"the declared black level is up to {off.max():.2f} DN off: the measured levels are proposed")
    if shots.clip_dn is None:
        notes.append("no flat is overexposed, so the clipping level was not measured: shoot a pair at twice white")
    elif shots.clip_dn < shots.white_dn:
        notes.append(f"pixels clip at {shots.clip_dn:g} DN, below the {shots.white_dn:g} DN declared")
    surely = abs(response.departure_pct) - 2 * response.departure_pct_u
    if surely > KEEP_CURVE_PCT:
        notes.append("the response is not linear: a curve is proposed that corrects it when frames are read")
    notes.append(
        f"light and shutter scatter by {100 * response.light_scatter_frac:.2f} % from frame to frame; a relative error "
        "of the timer that is the same at all exposure times is not detected"
    )
    return tuple(notes)


def name_baked(pairs: list[PairLevels], shots: SensorShots, black: Array, transfer: Transfer) -> tuple[str, ...]:
    """Return notes on processing that the body applied before it wrote the values."""
    notes = []
    neighbour = float(np.mean([pair.neighbour for pair in pairs]))
    if abs(neighbour) > NEIGHBOUR_LIMIT:
        notes.append(f"the body smooths the image: noise of neighbouring pixels is correlated ({neighbour:+.2f})")
    missing = max(pair.missing_frac for pair in pairs)
    if missing > MISSING_LIMIT:
        notes.append(f"the body writes coarse steps: {100 * missing:.0f} % of the values that should occur never do")
    corner = np.mean(
        [
            (pair.corner_variance_dn2 - transfer.read_variance_dn2) / (pair.corner_signal_dn - black)
            / ((pair.variance_dn2 - transfer.read_variance_dn2) / (pair.signal_dn - black))
            for pair in pairs
        ]
    )  # fmt: skip
    if abs(corner - 1) > CORNER_GAIN_LIMIT:
        notes.append(f"the body corrects shading: the corners' gain is {corner:.3f} of the middle's")
    noise = float(np.mean([each.noise_dn.mean() for each in shots.darks]))
    if (float(black.mean()) - shots.lowest_dn) < FEWEST_SPREADS * noise:
        notes.append("the body cuts off values below black, so that faint light is measured too high")
    return tuple(notes)
