"""Results in a rehearsed history: the fields of the measuring stages that the cards use."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedZone:
    """Sharpness of one zone."""

    sagittal_cy_per_px: float
    sagittal_cy_per_px_u: float
    tangential_cy_per_px: float
    tangential_cy_per_px_u: float
    mean_cy_per_px: float
    mean_cy_per_px_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedPlane:
    """Sharpness of one colour plane."""

    centre: RehearsedZone
    mid: RehearsedZone
    upper_left: RehearsedZone
    upper_right: RehearsedZone
    lower_left: RehearsedZone
    lower_right: RehearsedZone
    worst_cy_per_px: float
    worst_cy_per_px_u: float
    corner_mean_cy_per_px: float
    corner_mean_cy_per_px_u: float
    corner_imbalance_frac: float
    corner_imbalance_frac_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedSharpness(Artefact):
    """Result of the step `measure_mtf50`."""

    green: RehearsedPlane
    chart: str
    magnification_frac: float
    fill_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedFalloff(Artefact):
    """Result of the step `measure_vignetting`."""

    worst_corner_loss_ev: float
    worst_corner_loss_ev_u: float
    mean_corner_loss_ev: float
    mean_corner_loss_ev_u: float
    asymmetry_ev: float
    asymmetry_ev_u: float
    extreme_corner_loss_ev: float
    extreme_corner_loss_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedAperture(Artefact):
    """Result of the step `measure_aperture`."""

    aperture_step_error_ev: float
    aperture_step_error_ev_u: float
    aperture_common_error_ev: float
    aperture_common_error_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedApertureScatter(Artefact):
    """Result of the step `measure_aperture_scatter`."""

    aperture_scatter_ev: float
    aperture_scatter_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedTransmission(Artefact):
    """Result of the step `measure_transmission`."""

    transmission_ev: float
    transmission_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedZoneContrast:
    """Contrast of one zone at 10 and 30 line pairs/mm."""

    mean_at_10_frac: float
    mean_at_10_frac_u: float
    mean_at_30_frac: float
    mean_at_30_frac_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedContrast(Artefact):
    """Result of the step `measure_contrast`."""

    centre: RehearsedZoneContrast
    corner: RehearsedZoneContrast


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedCentring(Artefact):
    """Result of the step `measure_centring`."""

    soft_sides_frac: float
    soft_sides_frac_u: float
    corner_softening_frac: float
    corner_softening_frac_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedGlare(Artefact):
    """Result of the step `measure_glare`."""

    chart_glare_pct: float
    chart_glare_pct_u: float
    glare_pct: float
    glare_pct_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedOffset:
    """Best focus of one colour relative to the camera's focus."""

    shift_um: float
    shift_um_u: float
    kept_sharpness_frac: float
    kept_sharpness_frac_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedFocus(Artefact):
    """Result of the step `measure_focus_offset`."""

    green: RehearsedOffset
    red_green_um: float
    red_green_um_u: float
    blue_green_um: float
    blue_green_um_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedLockedChange(Artefact):
    """Result of the step `measure_locked_change`."""

    focus_shift_um: float
    focus_shift_um_u: float
    kept_sharpness_frac: float
    kept_sharpness_frac_u: float
    parfocal_um: float
    parfocal_um_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedBreathing(Artefact):
    """Result of the step `measure_breathing`."""

    breathing_ratio: float
    breathing_ratio_u: float
    shot_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedStabiliser(Artefact):
    """Result of the step `measure_stabiliser`."""

    benefit_stops: float
    benefit_stops_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedSpots(Artefact):
    """Result of the step `find_spots`: no spots."""

    lens_deepest_pct: float
    lens_deepest_pct_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedDistortion(Artefact):
    """Result of the step `measure_distortion`."""

    picture_height_worst_pct: float
    picture_height_worst_pct_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedDisplacement:
    """Displacement of one colour from green."""

    worst_px: float
    worst_px_u: float
    worst_pct: float
    worst_pct_u: float
    corner_radial_pct: float
    corner_radial_pct_u: float
    uniform_x_px: float
    uniform_x_px_u: float
    uniform_y_px: float
    uniform_y_px_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedFringing(Artefact):
    """Result of the step `measure_fringing`."""

    red_green: RehearsedDisplacement
    blue_green: RehearsedDisplacement
    worst_red_green_px: float
    worst_red_green_px_u: float
    worst_blue_green_px: float
    worst_blue_green_px_u: float
