"""Simulated results of the stages: true values with measurement noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_rehearsal.faults.shaking import HEALTHY_STOPS
from glasswright_rehearsal.frames.ramp import SCATTER_UM
from glasswright_rehearsal.frames.truth import CORNERS
from glasswright_rehearsal.history.results import (
    RehearsedAperture,
    RehearsedApertureScatter,
    RehearsedBreathing,
    RehearsedCentring,
    RehearsedContrast,
    RehearsedDisplacement,
    RehearsedDistortion,
    RehearsedFalloff,
    RehearsedFocus,
    RehearsedFringing,
    RehearsedGlare,
    RehearsedLockedChange,
    RehearsedOffset,
    RehearsedPlane,
    RehearsedSharpness,
    RehearsedSpots,
    RehearsedStabiliser,
    RehearsedTransmission,
    RehearsedZone,
    RehearsedZoneContrast,
)
from glasswright_rehearsal.optics.blur import find_blur, find_mtf50
from glasswright_rehearsal.scene.models import set_lens, stop_focus

if TYPE_CHECKING:
    from collections.abc import Callable

    from glasswright import Artefact, Setting
    from glasswright_rehearsal.history.truth import Facts
    from glasswright_rehearsal.scene.geometry import Frame
    from glasswright_rehearsal.scene.lens import Lens
    from glasswright_rehearsal.scene.models import Copy

    Draw = Callable[[], float]

SHARPNESS_U: Final = 0.004
"""Relative standard uncertainty that a stage would report; the next values are in the field's unit."""
LOSS_U_EV: Final = 0.004
BEND_U_PCT: Final = 0.004
FRINGE_U_PX: Final = 0.008
SIDES_U: Final = 0.002
GLARE_U_PCT: Final = 0.4
"""Mostly the uncertainty of the print's contrast, which is common to all lenses."""
OFFSET_U_UM: Final = 0.4
KEPT_U: Final = 0.005
LOCKED_U_UM: Final = 0.7
BREATHING_U: Final = 0.02
"""With that of the step's size, which is common to all lenses."""
STOPS_U: Final = 0.1
STEP_U_EV: Final = 0.02
LAMP_EV: Final = 0.002
SOURCE_U_EV: Final = 0.03
"""Change of the diffuse source from night to night."""
CONTRAST_U: Final = 0.006
FAINTEST_PCT: Final = 0.4
FILL_FRAC: Final = 0.89
"""Fraction of the frame between the centres of the outermost discs."""
REMOUNT_FRAC: Final = 0.01
"""Relative standard deviation of MTF50 by remounting the lens; the next values are in the field's unit. The shipped
stand file declares similar values."""
REMOUNT_EV: Final = 0.008
REMOUNT_PCT: Final = 0.008
REMOUNT_PX: Final = 0.008
REMOUNT_SIDES: Final = 0.004
REMOUNT_GLARE_PCT: Final = 0.1


def simulate_results(
    facts: Facts,
    setting: Setting,
    chart: str,
    magnification_frac: float,
    height_px: int,
    draw: Draw,
    mount: Draw | None = None,
) -> dict[str, Artefact]:
    """Return simulated results of a lens at one setting, by step.

    Parameters
    ----------
    height_px
        Height of the frame.
    draw
        Returns standard normal numbers, for measurement noise.
    mount
        The same, for the effects of mounting, which are equal within a fitting. None: the lens is mounted for each
        result.
    """
    return {
        "measure_mtf50": RehearsedSharpness(
            setting=setting,
            caveats=("single_focus",),
            green=_simulate_plane(facts, draw, mount or draw),
            chart=chart,
            magnification_frac=magnification_frac,
            fill_frac=FILL_FRAC,
        ),
        "measure_vignetting": _simulate_falloff(facts, setting, draw, mount or draw),
        "measure_distortion": RehearsedDistortion(
            setting=setting,
            picture_height_worst_pct=facts.height_bend_pct + _scatter(BEND_U_PCT, REMOUNT_PCT, draw, mount),
            picture_height_worst_pct_u=BEND_U_PCT,
        ),
        "measure_fringing": _simulate_fringing(facts, setting, height_px, draw, mount),
        "measure_centring": RehearsedCentring(
            setting=setting,
            soft_sides_frac=abs(facts.soft_sides_frac + _scatter(SIDES_U, REMOUNT_SIDES, draw, mount)),
            soft_sides_frac_u=SIDES_U,
            corner_softening_frac=facts.corner_softening_frac + _scatter(SIDES_U, REMOUNT_SIDES, draw, mount),
            corner_softening_frac_u=SIDES_U,
        ),
        "measure_glare": _simulate_glare(setting, facts.veil_share_pct + REMOUNT_GLARE_PCT * (mount or draw)()),
    }


def _simulate_glare(setting: Setting, glare_pct: float) -> RehearsedGlare:
    """Return glare measured on the chart only."""
    return RehearsedGlare(
        setting=setting,
        chart_glare_pct=glare_pct,
        chart_glare_pct_u=GLARE_U_PCT,
        glare_pct=glare_pct,
        glare_pct_u=GLARE_U_PCT,
    )


def simulate_focus(lens: Lens, setting: Setting, frame: Frame, draw: Draw) -> RehearsedFocus:
    """Return a result of the step `measure_focus_offset` for a healthy autofocus."""
    stop = SCATTER_UM * min(max(draw(), -2.5), 2.5)
    centre, along = np.array([frame.centre_px]), np.array([[1.0]])
    away, best = (
        float(find_mtf50(find_blur(stop_focus(lens, at), frame, centre, "green"), along, 0 * along)[0, 0])
        for at in (stop, -lens.aberrations.defocus_um)
    )
    red, green, blue = lens.aberrations.plane_defocus_um
    return RehearsedFocus(
        setting=setting,
        green=RehearsedOffset(
            shift_um=stop + lens.aberrations.defocus_um + OFFSET_U_UM * draw(),
            shift_um_u=OFFSET_U_UM,
            kept_sharpness_frac=away / best + KEPT_U * draw(),
            kept_sharpness_frac_u=KEPT_U,
        ),
        red_green_um=red - green + OFFSET_U_UM * draw(),
        red_green_um_u=OFFSET_U_UM,
        blue_green_um=blue - green + OFFSET_U_UM * draw(),
        blue_green_um_u=OFFSET_U_UM,
    )


def simulate_locked_change(copy: Copy, lens: Lens, setting: Setting, frame: Frame, draw: Draw) -> RehearsedLockedChange:
    """Return a result of the step `measure_locked_change`."""
    widest = set_lens(copy, lens.focal_length_mm, copy.model.f_numbers[0])
    moved = lens.aberrations.defocus_um - widest.aberrations.defocus_um
    centre, along = np.array([frame.centre_px]), np.array([[1.0]])
    away, best = (
        float(find_mtf50(find_blur(stop_focus(lens, at), frame, centre, "green"), along, 0 * along)[0, 0])
        for at in (-widest.aberrations.defocus_um, -lens.aberrations.defocus_um)
    )
    is_widest = lens.f_number == widest.f_number
    longest = max(design.focal_length_mm for design in copy.model.designs)
    zoomed = copy.zoom_shift_um * (1 - (lens.focal_length_mm / longest) ** 2)
    return RehearsedLockedChange(
        setting=setting,
        focus_shift_um=0.0 if is_widest else moved + LOCKED_U_UM * draw(),
        focus_shift_um_u=LOCKED_U_UM,
        kept_sharpness_frac=1.0 if is_widest else away / best + KEPT_U * draw(),
        kept_sharpness_frac_u=KEPT_U,
        parfocal_um=0.0 if lens.focal_length_mm == longest else zoomed + LOCKED_U_UM * draw(),
        parfocal_um_u=LOCKED_U_UM,
    )


def simulate_breathing(lens: Lens, setting: Setting, draw: Draw) -> RehearsedBreathing:
    """Return a result of the step `measure_breathing`, from seven steps."""
    return RehearsedBreathing(
        setting=setting,
        breathing_ratio=lens.breathing_ratio + BREATHING_U * draw(),
        breathing_ratio_u=BREATHING_U,
        shot_count=7,
    )


def simulate_stabiliser(draw: Draw) -> RehearsedStabiliser:
    """Return a result of the step `measure_stabiliser` for a healthy stabiliser."""
    return RehearsedStabiliser(benefit_stops=HEALTHY_STOPS + STOPS_U * draw(), benefit_stops_u=STOPS_U)


def simulate_aperture(draw: Draw) -> RehearsedAperture:
    """Return a result of the step `measure_aperture` for a healthy aperture."""
    return RehearsedAperture(
        aperture_step_error_ev=STEP_U_EV * draw(),
        aperture_step_error_ev_u=STEP_U_EV,
        aperture_common_error_ev=STEP_U_EV * draw(),
        aperture_common_error_ev_u=STEP_U_EV,
    )


def simulate_aperture_scatter(setting: Setting, draw: Draw) -> RehearsedApertureScatter:
    """Return a result of the step `measure_aperture_scatter` for a healthy aperture: the scatter of the lamps."""
    return RehearsedApertureScatter(
        setting=setting, aperture_scatter_ev=abs(LAMP_EV * draw()), aperture_scatter_ev_u=STEP_U_EV
    )


def simulate_transmission(lens: Lens, setting: Setting, draw: Draw) -> RehearsedTransmission:
    """Return a result of the step `measure_transmission`."""
    return RehearsedTransmission(
        setting=setting,
        transmission_ev=lens.transmission_ev + SOURCE_U_EV * draw(),
        transmission_ev_u=SOURCE_U_EV,
    )


def simulate_contrast(facts: Facts, setting: Setting, draw: Draw) -> RehearsedContrast:
    """Return a result of the step `measure_contrast`."""
    centre, corner = (
        RehearsedZoneContrast(
            mean_at_10_frac=facts.contrast_frac[zone][0] + CONTRAST_U * draw(),
            mean_at_10_frac_u=CONTRAST_U,
            mean_at_30_frac=facts.contrast_frac[zone][1] + CONTRAST_U * draw(),
            mean_at_30_frac_u=CONTRAST_U,
        )
        for zone in ("centre", "corner")
    )
    return RehearsedContrast(setting=setting, caveats=("single_focus",), centre=centre, corner=corner)


def simulate_spots() -> RehearsedSpots:
    """Return a result of the step `find_spots` for clean glass."""
    return RehearsedSpots(lens_deepest_pct=0.0, lens_deepest_pct_u=FAINTEST_PCT)


def _scatter(own_u: float, remount_u: float, draw: Draw, mount: Draw | None) -> float:
    """Return the sum of measurement noise and mounting effect; one draw for both if `mount` is None."""
    if mount is None:
        return float(np.hypot(own_u, remount_u)) * draw()
    return own_u * draw() + remount_u * mount()


def _simulate_plane(facts: Facts, draw: Draw, mount: Draw) -> RehearsedPlane:
    mounted = 1 + REMOUNT_FRAC * mount()
    zones = {name: _simulate_zone(pair, mounted, draw) for name, pair in facts.zones_cy_per_px.items()}
    worst = min(min(zone.sagittal_cy_per_px, zone.tangential_cy_per_px) for zone in zones.values())
    corners = [zones[corner].mean_cy_per_px for corner in CORNERS]
    mean = float(np.mean(corners))
    return RehearsedPlane(
        **zones,
        worst_cy_per_px=worst,
        worst_cy_per_px_u=SHARPNESS_U * worst,
        corner_mean_cy_per_px=mean,
        corner_mean_cy_per_px_u=SHARPNESS_U * mean / 2,
        corner_imbalance_frac=(max(corners) - min(corners)) / mean,
        corner_imbalance_frac_u=SHARPNESS_U,
    )


def _simulate_zone(pair: tuple[float, float], mounted: float, draw: Draw) -> RehearsedZone:
    sagittal, tangential = (value * mounted * (1 + SHARPNESS_U * draw()) for value in pair)
    mean = (sagittal + tangential) / 2
    return RehearsedZone(
        sagittal_cy_per_px=sagittal,
        sagittal_cy_per_px_u=SHARPNESS_U * sagittal,
        tangential_cy_per_px=tangential,
        tangential_cy_per_px_u=SHARPNESS_U * tangential,
        mean_cy_per_px=mean,
        mean_cy_per_px_u=SHARPNESS_U * mean / float(np.sqrt(2)),
    )


def _simulate_falloff(facts: Facts, setting: Setting, draw: Draw, mount: Draw) -> RehearsedFalloff:
    mounted = REMOUNT_EV * mount()
    losses = [loss + mounted + LOSS_U_EV * draw() for loss in facts.corner_losses_ev]
    return RehearsedFalloff(
        setting=setting,
        worst_corner_loss_ev=max(losses),
        worst_corner_loss_ev_u=LOSS_U_EV,
        mean_corner_loss_ev=float(np.mean(losses)),
        mean_corner_loss_ev_u=LOSS_U_EV / 2,
        asymmetry_ev=max(losses) - min(losses),
        asymmetry_ev_u=LOSS_U_EV * float(np.sqrt(2)),
        extreme_corner_loss_ev=facts.extreme_loss_ev + max(losses) - max(facts.corner_losses_ev),
        extreme_corner_loss_ev_u=LOSS_U_EV,
    )


def _simulate_fringing(
    facts: Facts, setting: Setting, height_px: int, draw: Draw, mount: Draw | None
) -> RehearsedFringing:
    red, blue = (
        RehearsedDisplacement(
            worst_px=value,
            worst_px_u=FRINGE_U_PX,
            worst_pct=100 * value / height_px,
            worst_pct_u=100 * FRINGE_U_PX / height_px,
            # the noise is that of the largest displacement
            uniform_x_px=uniform[0] + (value - true) / 4,
            uniform_x_px_u=FRINGE_U_PX / 4,
            uniform_y_px=uniform[1] + (value - true) / 4,
            uniform_y_px_u=FRINGE_U_PX / 4,
            corner_radial_pct=100 * (radial + value - true) / height_px,
            corner_radial_pct_u=100 * FRINGE_U_PX / height_px,
        )
        for value, true, radial, uniform in (
            (abs(true + _scatter(FRINGE_U_PX, REMOUNT_PX, draw, mount)), true, radial, uniform)
            for true, radial, uniform in zip(
                (facts.red_green_px, facts.blue_green_px), facts.corner_radial_px, facts.uniform_px, strict=True
            )
        )
    )
    return RehearsedFringing(
        setting=setting,
        red_green=red,
        blue_green=blue,
        worst_red_green_px=red.worst_px,
        worst_red_green_px_u=FRINGE_U_PX,
        worst_blue_green_px=blue.worst_px,
        worst_blue_green_px_u=FRINGE_U_PX,
    )
