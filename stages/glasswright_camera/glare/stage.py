"""Measure glare within the field at one setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_against, format_count, stage
from glasswright_camera.edges.repeats import Repeats, main_name, main_plane, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.field import CORNERS, zone_members
from glasswright_camera.glare.result import BlackSpot, Glare
from glasswright_camera.stand import ChartLayout, Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_DISCS: Final = 6
GREEN_UM: Final = 0.53
"""Wavelength of the main plane, um. Chosen: the middle of a green filter."""
OVER_MIDDLE: Final = 1.07
"""Diffracted light averaged over the disc's middle (0.4 radii) over that in its centre: the mean of
(2 / pi) E(x) / (1 - x^2), E the complete elliptic integral, for light that falls as r^-3 (own integration)."""
CANNOT_BE: Final = 3.0
"""Standard uncertainties below zero glare from which the print's contrast in the layout file must be wrong."""
PRINT_CONTRAST: Final = "print_contrast"


@stage
def measure_glare(traces: tuple[Trace, ...], spots: tuple[BlackSpot, ...] | None, stand: Stand) -> Glare:
    """Measure in-field glare from the chart's dark discs and, if there is one, from a black patch in a bright field.

    A disc of a print of contrast C has ``(1 - v) / C + v`` of the paper's light, where v is the glare, of the paper's
    light as photographed. An MTF is normalised by the edge's own step, so an even veil does not show in it.

    Parameters
    ----------
    traces
        The chart shots of the setting.
    spots
        Shots of a black patch before an even bright field that fills the frame. ISO 9358:1994 requires a source well
        beyond the field: this is not its index.
    stand
        For the print's contrast and its uncertainty, and the zones.

    Returns
    -------
    Glare
        Caveat `print_contrast` where the discs are darker than the layout's contrast allows: glare only adds light.

    Raises
    ------
    Unmeasurable
        Where fewer than six plain discs are in all chart shots.
    """
    repeats = shared_discs(traces, [main_name(traces[0])])
    plain = ~traces[0].is_mark[repeats.rows[0]]
    if plain.sum() < LEAST_DISCS:
        raise Unmeasurable(
            f"only {format_count(int(plain.sum()), 'plain disc')} with an edge in all "
            f"of {format_count(len(traces), 'chart shot')}"
        )
    layout = next(use.layout for use in stand.charts if use.layout.name == traces[0].chart)
    share = _disc_share(repeats, stand)
    zones = zone_members(repeats.places(), traces[0].width_px, traces[0].height_px, stand.zones)
    corners = np.asarray(np.any([zones[name] for name in CORNERS], axis=0))
    whole, centre, corner = (_glare_of(share[plain & part], layout) for part in (plain, zones["centre"], corners))
    seen = share[plain]
    seen_ratio = float(1 / seen.mean())
    spot, spot_u = _spot_glare(spots or ())
    impossible = whole.value < -CANNOT_BE * whole.u
    return Glare(
        chart_glare_pct=whole.value,
        chart_glare_pct_u=whole.u,
        centre_glare_pct=centre.value,
        centre_glare_pct_u=centre.u,
        corner_glare_pct=corner.value,
        corner_glare_pct_u=corner.u,
        spot_glare_pct=spot,
        spot_glare_pct_u=spot_u,
        glare_pct=spot if spots else whole.value,
        glare_pct_u=spot_u if spots else whole.u,
        glare_of="black patch" if spots else "chart",
        seen_contrast_ratio=seen_ratio,
        seen_contrast_ratio_u=float(seen_ratio**2 * seen.std(ddof=1) / np.sqrt(len(seen))),
        disc_count=len(seen),
        shot_count=len(traces),
        spot_shot_count=len(spots or ()),
        caveats=(PRINT_CONTRAST,) if impossible else (),
        notes=(_format_impossible(seen_ratio, layout),) if impossible else (),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Percent:
    value: float
    u: float


def _disc_share(repeats: Repeats, stand: Stand) -> Array:
    """Return each disc's light over its paper's, the mean of the shots, without diffracted light: (discs,).

    It is the light of the disc's middle where that was measured, as the dark level fitted to the edge is extrapolated,
    and a halo moves it. A lens without fault diffracts light into a disc too, which depends on the disc's size.
    """
    traces = repeats.traces
    plane = main_plane(traces[0])
    dark = repeats.stack(lambda trace: trace.dark_light)[:, plane]
    paper = repeats.stack(lambda trace: trace.paper_light)[:, plane]
    if all(trace.middle_light.size for trace in traces):
        radius_um = repeats.stack(lambda trace: trace.radius_px)[:, plane] * stand.sensor.pixel_pitch_um
        setting = traces[0].setting
        f_number = 0.0 if setting is None or setting.f_number is None else setting.f_number
        middle = repeats.stack(lambda trace: trace.middle_light)[:, plane] - diffracted_light(f_number, radius_um)
        dark = dark + np.nan_to_num(middle) * (paper - dark)
    return np.asarray((dark / paper).mean(axis=0))


def diffracted_light(f_number: float, radius_um: Array) -> Array:
    """Return the share of the paper's light that diffraction brings into the middle of a dark disc.

    The energy of an Airy disc outside a circle of radius r is J0(v)^2 + J1(v)^2, v = pi r / (lambda N) (Rayleigh 1881;
    from memory), for large v on average 2 / (pi v).
    """
    return np.asarray(OVER_MIDDLE * 2 * GREEN_UM * f_number / (np.pi**2 * radius_um))


def _glare_of(share: Array, layout: ChartLayout) -> _Percent:
    """Return the glare from discs' light over paper's. The uncertainty of the print's contrast does not average out."""
    if not len(share):
        return _Percent(value=float("nan"), u=float("nan"))
    ink = 1 / layout.contrast_ratio
    mean = float(share.mean())
    scatter = float(share.std(ddof=1) / np.sqrt(len(share))) if len(share) > 1 else 0.0
    from_print = (1 - mean) / (1 - ink) ** 2 * ink * layout.contrast_u_frac
    return _Percent(value=100 * (mean - ink) / (1 - ink), u=100 * float(np.hypot(scatter / (1 - ink), from_print)))


def _spot_glare(spots: tuple[BlackSpot, ...]) -> tuple[float, float]:
    """Return the index, mean of the shots, and its uncertainty."""
    if not spots:
        return float("nan"), float("nan")
    index = np.array([100 * spot.spot_light_frac / spot.field_light_frac for spot in spots])
    own = [
        np.hypot(100 * spot.spot_light_frac_u, value * spot.field_light_frac_u) / spot.field_light_frac
        for spot, value in zip(spots, index, strict=True)
    ]
    # light from the patch's border is common to the shots
    return float(index.mean()), float(np.max(own))


def _format_impossible(seen_ratio: float, layout: ChartLayout) -> str:
    return (
        f"paper to disc is {format_against(seen_ratio, layout.contrast_ratio, '.3g')}:1 as photographed, more than the "
        f"print's {layout.contrast_ratio:g}:1 "
        f"({layout.name}), and glare can only lower it: measure the print's contrast and correct `contrast_ratio`"
    )
