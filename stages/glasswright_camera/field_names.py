"""Names of the camera's measures in reports."""

from typing import Final

from glasswright import FieldMap

NAMES: Final = {
    "measure_mtf50.green.worst_cy_per_px": "lowest sharpness",
    "measure_mtf50.green.corner_mean_cy_per_px": "sharpness of the corners",
    "measure_mtf50.green.corner_imbalance_frac": "difference of sharpness between the corners",
    "measure_mtf50.green.*.mean_cy_per_px": "sharpness, {0}",
    "measure_mtf50.green.*.mean_lp_per_mm": "sharpness in line pairs, {0}",
    "measure_mtf50.green.*.sagittal_cy_per_px": "sharpness along the radius, {0}",
    "measure_mtf50.green.*.tangential_cy_per_px": "sharpness across the radius, {0}",
    "measure_mtf50.green.*.direction_difference_frac": "difference of sharpness along and across the radius, {0}",
    "measure_mtf50.*.worst_cy_per_px": "lowest sharpness, in {0}",
    "measure_mtf50.*.corner_imbalance_frac": "difference of sharpness between the corners, in {0}",
    "measure_mtf50.*.*.mean_cy_per_px": "sharpness, {1}, in {0}",
    "measure_mtf50.chart": "the chart",
    "measure_mtf50.magnification_frac": "the magnification",
    "measure_mtf50.fill_frac": "how much of the frame the chart fills",
    "measure_vignetting.worst_corner_loss_ev": "light lost in the darkest corner (mean of its box)",
    "measure_vignetting.mean_corner_loss_ev": "light lost in the corners (mean of their boxes)",
    "measure_vignetting.extreme_corner_loss_ev": "light lost at the very end of the darkest corner",
    "measure_vignetting.asymmetry_ev": "difference of light between the corners",
    "measure_aperture.aperture_step_error_ev": "light at a stop against its marking",
    "measure_aperture.aperture_common_error_ev": "light at all stops against wide open",
    "measure_aperture_scatter.aperture_scatter_ev": "light at one stop from shot to shot",
    "measure_transmission.transmission_ev": "light through the lens",
    "measure_focus_shift.focus_shift_um": "change of focus on stopping down",
    "measure_focus_shift.kept_sharpness_frac": "sharpness kept on stopping down",
    "measure_focus_shift.parfocal_um": "change of focus on zooming",
    "measure_breathing.breathing_pct": "change of the image's size with focus",
    "measure_distortion.picture_height_worst_pct": "bending of straight lines",
    "measure_fringing.red_green.worst_pct": "red colour fringe",
    "measure_fringing.blue_green.worst_pct": "blue colour fringe",
    "measure_fringing.red_green.uniform_x_px": "red image shifted sideways",
    "measure_fringing.red_green.uniform_y_px": "red image shifted up or down",
    "measure_fringing.blue_green.uniform_x_px": "blue image shifted sideways",
    "measure_fringing.blue_green.uniform_y_px": "blue image shifted up or down",
    "measure_fringing.red_green.corner_radial_pct": "lateral colour of red in the corners",
    "measure_fringing.blue_green.corner_radial_pct": "lateral colour of blue in the corners",
    "measure_centring.soft_sides_frac": "one side softer than the other",
    "measure_centring.corner_softening_frac": "corners softer than the centre",
    "measure_centring.focus_tilt_arcmin": "tilt of the sharp plane",
    "measure_glare.glare_pct": "stray light within the field",
    "measure_glare.chart_glare_pct": "stray light on the chart's discs",
    "measure_glare.spot_glare_pct": "stray light on the black patch",
    "measure_glare.*_pct": "stray light ({0})",
    "find_spots.lens_deepest_pct": "darkest spot in the lens",
    "find_spots.lens_dust_count": "flecks in the lens",
    "measure_focus_offset.green.shift_um": "focus beside the mark",
    "measure_focus_offset.green.kept_sharpness_frac": "sharpness kept at the focus mark",
    "measure_focus_offset.*.shift_um": "focus beside the mark, in {0}",
    "measure_focus_offset.red_green_um": "focus of red against green",
    "measure_focus_offset.blue_green_um": "focus of blue against green",
    "measure_contrast.*.mean_at_10_frac": "contrast at 10 line pairs/mm, {0}",
    "measure_contrast.*.mean_at_30_frac": "contrast at 30 line pairs/mm, {0}",
    "measure_stabiliser.benefit_stops": "gain of the stabiliser",
    "measure_stabiliser.*_stops": "gain of the stabiliser ({0})",
    "measure_autofocus.*": "repeatability of autofocus ({0})",
    "combine_darks.black_error_dn": "black level of the body",
    "locate_chart.rotation_deg": "rotation of the chart",
    "measure_gain.white_count": "electrons at white level of the body",
    "reduce_flat.median_light_frac": "light of the diffuse source",
}
"""`step.field` -> name; steps as in the shipped plans."""
FIELD_NAMES: Final = NAMES | {
    name.replace("measure_mtf50", "measure_best_focus"): f"{text}, at best focus"
    for name, text in NAMES.items()
    if name.startswith("measure_mtf50.")
}

CAVEATS: Final = {
    "single_focus": "sharpness was measured at the focus the lens was set to, not at the best of a series",
    "chart_not_parallel": "the chart was not parallel to the sensor",
    "pose_not_separable": "the chart's tilt could not be separated from the lens's own distortion",
    "above_diffraction_limit": "a number lies above the diffraction limit: the measurement is wrong",
    "print_blur_unknown": "the chart is so small that its ink blurs the edges, by an amount that was not measured",
    "wide_halo": "there is a wide weak halo (haze, spherical aberration, scatter): MTF50 may be wrong by a few percent",
    "halo_unseen": "the discs are too small for a wide weak halo to show: MTF50 may be wrong by a few percent",
    "ticket_stand_or_body": "the results indicate a fault of the stand or the shooting, not of the lens",
    "level_change": "the light changed between the shots",
    "light_moved": "the light on the chart moved between the shots",
    "beyond_nyquist": "the image is sharper than the sensor can resolve",
    "unlike_edges": "in a part of the field the edges differ from those that the measurement assumes",
    "coarse_focus_steps": "the steps of the focus series are so coarse that the peak may lie between them",
    "odd_focus_step": "a step of the focus series did not fit the others and was left out",
    "short_of_corner": "the chart does not reach the corners, whose numbers are extrapolated",
    "flats_left_out": "some flats could not be used for the search for spots",
    "flats_too_open": "the flats were shot at too wide an aperture to show small spots",
    "print_contrast": "the stated contrast of the print is wrong, so stray light cannot be calculated from it",
    "body_tilt_unknown": "the tilt may be that of the body, not of the lens",
    "shots_lost": "some shots with the shaker were too blurred to be measured",
    "beyond_measured_blur": "the gain of the stabiliser is extrapolated beyond the exposure times shot",
}
"""Explanations of caveats in reports."""

IN_ORDER: Final = {
    "measure_mtf50.green.centre.mean_cy_per_px": "sharp in the centre",
    "measure_mtf50.green.worst_cy_per_px": "sharp in all corners",
    "measure_mtf50.green.corner_imbalance_frac": "all corners equally sharp",
    "measure_vignetting.worst_corner_loss_ev": "corners not too dark",
    "measure_vignetting.extreme_corner_loss_ev": "corners not too dark",
    "measure_vignetting.asymmetry_ev": "light the same on all sides",
    "measure_aperture.aperture_step_error_ev": "correct light at each f-number",
    "measure_aperture.aperture_common_error_ev": "correct light at each f-number",
    "measure_aperture_scatter.aperture_scatter_ev": "the aperture closes equally in all shots",
    "measure_transmission.transmission_ev": "as much light as it should pass",
    "measure_focus_shift.focus_shift_um": "holds its focus on stopping down",
    "measure_focus_shift.kept_sharpness_frac": "loses hardly any sharpness on stopping down",
    "measure_focus_shift.parfocal_um": "holds its focus on zooming",
    "measure_breathing.breathing_pct": "the image's size hardly changes with focus",
    "measure_contrast.centre.mean_at_10_frac": "good contrast of coarse detail in the centre",
    "measure_contrast.centre.mean_at_30_frac": "good contrast of fine detail in the centre",
    "measure_contrast.corner.mean_at_10_frac": "good contrast of coarse detail in the corners",
    "measure_contrast.corner.mean_at_30_frac": "good contrast of fine detail in the corners",
    "measure_fringing.red_green.uniform_x_px": "red and blue images not shifted against green",
    "measure_fringing.red_green.uniform_y_px": "red and blue images not shifted against green",
    "measure_fringing.blue_green.uniform_x_px": "red and blue images not shifted against green",
    "measure_fringing.blue_green.uniform_y_px": "red and blue images not shifted against green",
    "measure_distortion.picture_height_worst_pct": "straight lines are straight enough",
    "measure_fringing.red_green.worst_pct": "hardly any colour fringes",
    "measure_fringing.blue_green.worst_pct": "hardly any colour fringes",
    "measure_fringing.red_green.corner_radial_pct": "colour fringes in the corners as they should be",
    "measure_fringing.blue_green.corner_radial_pct": "colour fringes in the corners as they should be",
    "measure_centring.soft_sides_frac": "no side softer than the other",
    "measure_centring.corner_softening_frac": "corners not much softer than the centre",
    "measure_glare.glare_pct": "little stray light",
    "measure_glare.chart_glare_pct": "little stray light",
    "find_spots.lens_deepest_pct": "no dark spot in the lens",
    "measure_focus_offset.green.shift_um": "focuses where it should",
    "measure_focus_offset.red_green_um": "red and blue are sharp where green is",
    "measure_focus_offset.blue_green_um": "red and blue are sharp where green is",
    "measure_focus_offset.green.kept_sharpness_frac": "loses hardly any sharpness by its focusing",
    "measure_stabiliser.benefit_stops": "the stabiliser works",
}
"""Sentences for the owner of a lens that meets a limit, printed beside the value."""
CORNERS: Final = {
    "upper_left": (-0.78, -0.7),
    "upper_right": (0.78, -0.7),
    "lower_left": (-0.78, 0.7),
    "lower_right": (0.78, 0.7),
}
ZONES: Final = {"centre": (0.0, 0.0), **CORNERS}
FIELD_MAPS: Final = {
    step: FieldMap(
        title="Sharpness over the picture",
        note="MTF50 in cycles/pixel: larger is sharper",
        places={f"green.{zone}.mean_cy_per_px": place for zone, place in ZONES.items()},
    )
    for step in ("measure_best_focus", "measure_mtf50")
}
"""Step -> values at the five places shown to an owner."""
