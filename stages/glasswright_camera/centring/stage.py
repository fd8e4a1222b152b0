"""Measure tilt, decentring and field curvature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from glasswright import stage
from glasswright_camera.centring.field import find_coma, find_imbalance, find_shape
from glasswright_camera.centring.focus import NOT_SEPARABLE, find_step_um, find_surface, find_tilt
from glasswright_camera.centring.fringing import find_colour_centre
from glasswright_camera.centring.result import Centring
from glasswright_camera.centring.vector import NOWHERE, Pointer, point_along
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.edges.repeats import Repeats, main_name, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import Stand
from glasswright_camera.vignetting.stage import Falloff

NAN = float("nan")


@stage
def measure_centring(
    traces: tuple[Trace, ...],
    focus_series: tuple[Trace, ...] | None,
    falloff: Falloff | None,
    distortion: Distortion | None,
    stand: Stand,
) -> Centring:
    """Look for signs that the lens's parts do not stand on one axis: no single measure tells (common practice).

    Parameters
    ----------
    traces
        The chart shots of the setting: corner imbalance, softer side, coma in the middle, centres of colour.
    focus_series
        Traces of a focus series of five steps or more: best focus of each disc, its plane and its bowl.
    falloff
        For the centre of the light's falloff.
    distortion
        For the chart's own tilt, which is taken off; without it the tilt is called `not separable`.
    stand
        For the zones, a focus step's size, and the reference lens's tilt on this body, which is taken off.

    Returns
    -------
    Centring
        Caveat `pose_not_separable` where the chart's tilt is not known well enough to take it off, `body_tilt_unknown`
        where no reference lens is known. A tilt in arc minutes needs a focus step's size.

    Raises
    ------
    Unmeasurable
        Too few discs, or a series in which too few pass through focus.
    """
    repeats = shared_discs(traces, [main_name(traces[0])])
    focus = read_focus(focus_series, distortion, stand)
    return Centring(
        **read_field(repeats, stand),
        **read_centres(repeats, falloff),
        **focus.named(),
        tilt_of=focus.tilt_of,
        focus_disc_count=focus.discs,
        shot_count=len(traces),
        caveats=find_caveats(focus.tilt_of),
    )


def read_field(repeats: Repeats, stand: Stand) -> dict[str, Any]:
    """Read what the discs' blur tells, as shot."""
    imbalance, shape, coma = find_imbalance(repeats, stand), find_shape(repeats), find_coma(repeats, stand)
    return {
        "corner_imbalance_frac": imbalance[0],
        "corner_imbalance_frac_u": imbalance[1],
        "side_slope_frac": shape.side.size,
        "side_slope_frac_u": shape.side.size_u,
        "worse_side_deg": shape.side.deg,
        "worse_side_deg_u": shape.side.deg_u,
        "soft_sides_frac": shape.band.size,
        "soft_sides_frac_u": shape.band.size_u,
        "soft_sides_deg": shape.band.deg,
        "soft_sides_deg_u": shape.band.deg_u,
        "corner_fall_frac": -shape.bowl,
        "corner_fall_frac_u": shape.bowl_u,
        "coma_ratio": coma.size,
        "coma_ratio_u": coma.size_u,
        "coma_deg": coma.deg,
        "coma_deg_u": coma.deg_u,
    }


def read_centres(repeats: Repeats, falloff: Falloff | None) -> dict[str, Any]:
    """Read the centres of symmetry of the colours and of the light's falloff."""
    centres = {name: find_colour_centre(repeats, name) for name in ("red", "blue")}
    named: dict[str, Any] = {}
    for name, centre in centres.items():
        named |= {f"{name}_centre_x_frac": centre.x, f"{name}_centre_x_frac_u": centre.x_u}
        named |= {f"{name}_centre_y_frac": centre.y, f"{name}_centre_y_frac_u": centre.y_u}
    for part in ("centre_x_frac", "centre_x_frac_u", "centre_y_frac", "centre_y_frac_u"):
        named[f"falloff_{part}"] = getattr(falloff, part) if falloff else NAN
    return named


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusReading:
    """What a focus series tells; NaN without one. Pairs are a value and its standard uncertainty."""

    tilt: Pointer = NOWHERE
    steps: Pointer = NOWHERE
    x_arcmin: tuple[float, float] = (NAN, NAN)
    y_arcmin: tuple[float, float] = (NAN, NAN)
    bowl_steps: tuple[float, float] = (NAN, NAN)
    step_um: float = NAN
    tilt_of: str = "not measured"
    discs: int = 0

    def named(self) -> dict[str, Any]:
        """Give the measured fields of `Centring`."""
        return {
            "focus_tilt_arcmin": self.tilt.size,
            "focus_tilt_arcmin_u": self.tilt.size_u,
            "focus_tilt_x_arcmin": self.x_arcmin[0],
            "focus_tilt_x_arcmin_u": self.x_arcmin[1],
            "focus_tilt_y_arcmin": self.y_arcmin[0],
            "focus_tilt_y_arcmin_u": self.y_arcmin[1],
            "focus_tilt_deg": self.tilt.deg,
            "focus_tilt_deg_u": self.tilt.deg_u,
            "tilt_steps": self.steps.size,
            "tilt_steps_u": self.steps.size_u,
            "bowl_steps": self.bowl_steps[0],
            "bowl_steps_u": self.bowl_steps[1],
            "bowl_um": self.bowl_steps[0] * self.step_um,
            "bowl_um_u": self.bowl_steps[1] * self.step_um,
        }


def read_focus(series: tuple[Trace, ...] | None, distortion: Distortion | None, stand: Stand) -> FocusReading:
    """Read plane and bowl of the surface of best focus."""
    if series is None:
        return FocusReading()
    first = series[0]
    surface = find_surface(series)
    step_um = find_step_um(stand, first.setting.f_number if first.setting else None)
    tilt = find_tilt(surface, first, step_um, distortion, stand)
    known = np.isfinite(step_um)
    each_u = np.sqrt(np.diag(tilt.covariance))
    return FocusReading(
        tilt=point_along(tilt.arcmin, tilt.covariance) if known else NOWHERE,
        steps=point_along(surface.slope, surface.slope_covariance),
        x_arcmin=(float(tilt.arcmin[0]), float(each_u[0])),
        y_arcmin=(float(tilt.arcmin[1]), float(each_u[1])),
        bowl_steps=(surface.bowl, surface.bowl_u),
        step_um=step_um,
        tilt_of=tilt.of,
        discs=surface.discs,
    )


def find_caveats(tilt_of: str) -> tuple[str, ...]:
    """Name what keeps the tilt from being the lens's own."""
    return {NOT_SEPARABLE: ("pose_not_separable",), "lens and body": ("body_tilt_unknown",)}.get(tilt_of, ())
