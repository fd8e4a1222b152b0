"""Measure tilt, decentring and field curvature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from glasswright import stage
from glasswright_camera.centring.field import find_coma, find_shape
from glasswright_camera.centring.focus import NOT_SEPARABLE, Known, Surface, find_surface, find_tilt, flatten_chart
from glasswright_camera.centring.fringing import find_colour_centre
from glasswright_camera.centring.result import Centring
from glasswright_camera.centring.vector import NOWHERE, Pointer, point_along
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.edges.repeats import Repeats, main_name, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.field import clock_time
from glasswright_camera.monochrome import leave_out_colours
from glasswright_camera.sharpness.result import BestFocus
from glasswright_camera.stand import Stand
from glasswright_camera.vignetting.stage import Falloff

NAN = float("nan")
UNKNOWN: Known = (NAN, NAN)
STANDS_OUT = 5.0
"""Standard uncertainties above which a side is named."""


@stage
def measure_centring(
    traces: tuple[Trace, ...],
    focus: tuple[BestFocus, ...] | None,
    falloff: Falloff | None,
    distortion: Distortion | None,
    stand: Stand,
) -> Centring:
    """Measure signs of tilted or decentred elements; no single measure is conclusive (common practice).

    Parameters
    ----------
    traces
        The chart shots of the setting: softer side, coma in the middle, centres of colour.
    focus
        Best focus of each disc, from the setting's focus series: its plane and its curvature. None if it has none.
    falloff
        For the centre of the light's falloff.
    distortion
        For the chart's own tilt, which is subtracted; without it the tilt is `not separable`.
    stand
        For the zones, the focus step's size, and the reference lens's tilt on this body, which is subtracted.

    Returns
    -------
    Centring
        Caveat `pose_not_separable` where the chart's tilt is not known well enough to be subtracted,
        `body_tilt_unknown` where no reference lens is known. A tilt in arc minutes needs the focus step's size.

    Raises
    ------
    Unmeasurable
        Too few discs, or a series in which too few pass through focus.
    """
    repeats = shared_discs(traces, [main_name(traces[0])])
    (best,) = focus or (None,)
    found = read_focus(best, distortion, stand)
    field = read_field(repeats, stand)
    return Centring(
        **field,
        **read_centres(repeats, falloff),
        **found.named(),
        tilt_of=found.tilt_of,
        focus_disc_count=found.surface.discs if found.surface else 0,
        shot_count=len(traces),
        caveats=find_caveats(found.tilt_of),
        notes=name_sides(field, found),
        not_applicable=leave_out_colours(traces[0].planes, "measure_centring"),
    )


def name_sides(field: dict[str, Any], found: FocusReading) -> tuple[str, ...]:
    """Return notes on the significant sides, as clock times on the lens seen from the front."""
    sides = (
        ("the softer side", field["side_slope_frac"], field["side_slope_frac_u"], field["worse_side_deg"]),
        ("the side whose focus lies behind", found.tilt.size, found.tilt.size_u, found.tilt.deg),
        ("the far tails of points in the middle", field["coma_ratio"], field["coma_ratio_u"], field["coma_deg"]),
    )
    return tuple(
        f"{name} is at {clock_time(deg)} on the lens, seen from its front with the camera upright"
        for name, size, u, deg in sides
        if size > STANDS_OUT * u
    )


def read_field(repeats: Repeats, stand: Stand) -> dict[str, Any]:
    """Return the fields measured from the discs' blur, as shot."""
    shape, coma = find_shape(repeats), find_coma(repeats, stand)
    return {
        "side_slope_frac": shape.side.size,
        "side_slope_frac_u": shape.side.size_u,
        "worse_side_deg": shape.side.deg,
        "worse_side_deg_u": shape.side.deg_u,
        "soft_sides_frac": shape.band.size,
        "soft_sides_frac_u": shape.band.size_u,
        "soft_sides_deg": shape.band.deg,
        "soft_sides_deg_u": shape.band.deg_u,
        "corner_softening_frac": -shape.bowl,
        "corner_softening_frac_u": shape.bowl_u,
        "coma_ratio": coma.size,
        "coma_ratio_u": coma.size_u,
        "coma_deg": coma.deg,
        "coma_deg_u": coma.deg_u,
    }


def read_centres(repeats: Repeats, falloff: Falloff | None) -> dict[str, Any]:
    """Return the centres of symmetry of the colours and of the light's falloff."""
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
    """Results of a focus series; NaN without one."""

    surface: Surface | None = None
    tilt: Pointer = NOWHERE
    x_arcmin: Known = UNKNOWN
    y_arcmin: Known = UNKNOWN
    step_um: Known = UNKNOWN
    tilt_of: str = "not measured"

    def named(self) -> dict[str, Any]:
        """Return the measured fields of `Centring`."""
        surface = self.surface
        steps = point_along(surface.slope, surface.slope_covariance) if surface else NOWHERE
        named = {
            "focus_tilt_arcmin": (self.tilt.size, self.tilt.size_u),
            "focus_tilt_x_arcmin": self.x_arcmin,
            "focus_tilt_y_arcmin": self.y_arcmin,
            "focus_tilt_deg": (self.tilt.deg, self.tilt.deg_u),
            "tilt_steps": (steps.size, steps.size_u),
            "field_curvature_steps": surface.medial if surface else UNKNOWN,
            "field_curvature_um": self._to_um(surface.medial if surface else UNKNOWN),
            "sagittal_curvature_um": self._to_um(surface.sagittal if surface else UNKNOWN),
            "tangential_curvature_um": self._to_um(surface.tangential if surface else UNKNOWN),
            "astigmatism_um": self._to_um(surface.apart if surface else UNKNOWN),
        }
        return {f"{name}{end}": pair[k] for name, pair in named.items() for k, end in enumerate(("", "_u"))}

    def _to_um(self, steps: Known) -> Known:
        size, size_u = self.step_um
        return steps[0] * size, float(np.hypot(steps[1] * size, steps[0] * size_u))


def read_focus(focus: BestFocus | None, distortion: Distortion | None, stand: Stand) -> FocusReading:
    """Return plane and curvature of the surface of best focus."""
    if focus is None:
        return FocusReading()
    focus = flatten_chart(focus, stand)
    surface = find_surface(focus)
    step_um = stand.focus_step_um(focus.setting)
    tilt = find_tilt(surface, focus, distortion, stand)
    each_u = np.sqrt(np.diag(tilt.covariance))
    return FocusReading(
        surface=surface,
        tilt=point_along(tilt.arcmin, tilt.covariance) if np.isfinite(step_um[0]) else NOWHERE,
        x_arcmin=(float(tilt.arcmin[0]), float(each_u[0])),
        y_arcmin=(float(tilt.arcmin[1]), float(each_u[1])),
        step_um=step_um,
        tilt_of=tilt.of,
    )


def find_caveats(tilt_of: str) -> tuple[str, ...]:
    """Return the caveats of a tilt that is not the lens's own."""
    return {NOT_SEPARABLE: ("pose_not_separable",), "lens and body": ("body_tilt_unknown",)}.get(tilt_of, ())
