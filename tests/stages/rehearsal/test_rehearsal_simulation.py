"""Simulated results of past visits: their stated uncertainties are their scatter."""

import numpy as np
import pytest

from glasswright import Setting
from glasswright.plugin.measurements import read_measurements
from glasswright_rehearsal.history.hand import simulate_hand_checks
from glasswright_rehearsal.history.simulation import simulate_contrast, simulate_results
from glasswright_rehearsal.history.truth import Facts
from glasswright_rehearsal.scene.models import MODELS

F4 = Setting(focal_length_mm=50, f_number=4)
ZONES = ("centre", "mid", "upper_left", "upper_right", "lower_left", "lower_right")
FACTS = Facts(
    zones_cy_per_px=dict.fromkeys(ZONES, (0.30, 0.20)),
    corner_losses_ev=(0.7, 0.8, 0.9, 1.0),
    height_bend_pct=-0.6,
    red_green_px=0.9,
    blue_green_px=0.7,
    corner_radial_px=(0.3, -0.2),
    uniform_px=((0.1, -0.1), (0.05, 0.02)),
    contrast_frac={"centre": (0.8, 0.5), "corner": (0.6, 0.3)},
    extreme_loss_ev=1.3,
    soft_sides_frac=0.2,
    corner_softening_frac=0.3,
    veil_share_pct=2.0,
)
EXTREMES = ("worst_cy", "imbalance", "asymmetry_ev", "worst_corner", "extreme_corner", "glare")
"""Largest of several values, which scatter less than each, and glare, whose scatter is that of mounting."""


def test_the_scatter_of_repeated_results_is_their_stated_uncertainty():
    draw = np.random.default_rng(11).standard_normal
    values, stated = {}, {}
    for _ in range(400):
        results = simulate_results(FACTS, F4, "lattice", 0.02, 4000, draw, mount=lambda: 0.0)
        for artefact in (*results.values(), simulate_contrast(FACTS, F4, draw)):
            for each in read_measurements(artefact):
                if each.u is not None and not any(name in each.path for name in EXTREMES):
                    values.setdefault(each.path, []).append(each.value)
                    stated.setdefault(each.path, []).append(each.u)
    assert len(values) > 35
    ratio = {path: np.std(found) / np.mean(stated[path]) for path, found in values.items()}
    # stated as if both directions had one error
    assert 0.6 < ratio.pop("green.corner_mean_cy_per_px") < 1
    assert ratio == {path: pytest.approx(1, abs=0.15) for path in ratio}
    corners = [values["green.corner_mean_cy_per_px"], values["green.upper_left.sagittal_cy_per_px"]]
    assert np.mean(corners, axis=1) == pytest.approx([0.25, 0.30], rel=0.01)
    assert np.mean(values["centre.mean_at_30_frac"]) == pytest.approx(0.5, abs=0.002)
    assert np.mean(values["red_green.worst_pct"]) == pytest.approx(100 * 0.9 / 4000, rel=0.01)


def test_a_faultless_lens_passes_every_hand_check_that_it_has():
    measured = read_measurements(simulate_hand_checks(MODELS["Corvane 50 mm f/2"]))
    passed = {each.path: each.value for each in measured if each.path.endswith(".passed")}
    assert passed["mount.passed"] == 1
    assert passed["zoom_creep_up.passed"] is None  # not applicable to this lens
    assert set(passed.values()) == {1, None}
