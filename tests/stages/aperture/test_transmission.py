"""Light through a lens against the reference lens."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Setting, Unmeasurable
from glasswright_camera.aperture.drawing import draw_transmission
from glasswright_camera.aperture.light_level import LightLevel
from glasswright_camera.aperture.transmission import measure_transmission
from glasswright_camera.diagnosis.reference_values import KnownLens, ReferenceValue
from glasswright_camera.diagnosis.rules import DIM, apply_rules
from glasswright_camera.diagnosis.signs import read_signs
from glasswright_camera.stand import ReferenceLight
from support.frames import make_stand

LIGHT = 10.0
"""Light of white per second at f/1 through the reference lens."""
STAND = replace(
    make_stand(), reference_light=ReferenceLight(level_ev=float(np.log2(LIGHT)), u_ev=0.03, iso=100.0, origin="study")
)


def shoot(tau=1.0, number=2.0, exact=4.0, time=0.251, count=3, scatter=0.0, seed=0):
    rng = np.random.default_rng(seed)
    return tuple(
        LightLevel(
            shot=f"flat/{k}.dng",
            role="flat",
            light_frac=float(LIGHT * tau * time / exact * 2 ** (scatter * rng.standard_normal())),
            light_frac_u=1e-4,
            exposure_time_s=time,
            iso=100.0,
            captured_at="",
            setting=Setting(focal_length_mm=50, f_number=number),
        )
        for k in range(count)
    )


@pytest.mark.parametrize("tau", [1.0, 0.8, 1.05])
def test_transmission_is_the_ratio_of_the_lights(tau):
    # pi L tau / (4 N^2): at any f-number the same ratio; 5.6 is marked for the root of 32
    for number, exact, time in ((2.0, 4.0, 0.251), (5.6, 32.0, 1.93)):
        found = measure_transmission(shoot(tau, number, exact, time), STAND)
        assert found.transmission_ev == pytest.approx(np.log2(tau), abs=1e-9)
        assert found.transmission_ev_u == pytest.approx(np.hypot(0.03, STAND.light_step_u_ev))


def test_a_marked_exposure_time_is_read_both_ways():
    found = measure_transmission(shoot(time=1 / 60), STAND)
    assert found.transmission_ev == pytest.approx(np.log2(64 / 60) / 2)
    assert abs(found.transmission_ev) < 1.5 * found.transmission_ev_u


def test_the_scatter_of_the_shots_enters_the_uncertainty():
    found = [measure_transmission(shoot(scatter=0.2, count=6, seed=k), STAND) for k in range(60)]
    inside = np.mean([abs(each.transmission_ev) < 1.96 * each.transmission_ev_u for each in found])
    assert inside > 0.85


def test_without_a_reference_the_level_is_given_and_what_to_do():
    found = measure_transmission(shoot(), replace(STAND, reference_light=None))
    assert np.isnan(found.transmission_ev)
    assert found.level_ev == pytest.approx(np.log2(LIGHT))
    assert found.notes == (
        "the stand file has no `reference_light`: enter `level_ev` of the reference lens, and how much it varies",
    )
    assert draw_transmission(found) == []


def test_poor_data_are_refused():
    first, *rest = shoot()
    with pytest.raises(Unmeasurable, match=r"1 of 3 files have no exposure time .* under `shots`"):
        measure_transmission((replace(first, exposure_time_s=None), *rest), STAND)
    with pytest.raises(
        Unmeasurable, match="shot at ISO 200, the stand's `reference_light` at ISO 100: shoot the flats"
    ):
        measure_transmission((replace(first, iso=200.0),), STAND)
    with pytest.raises(Unmeasurable, match="has no f-number"):
        measure_transmission((replace(first, setting=None),), STAND)


def test_dim_glass_is_named_where_the_model_is_known():
    value = ReferenceValue(measure="measure_transmission.transmission_ev", middle=0.0, scatter=0.02)
    known = KnownLens(model="x", copies=9, origin="test", values=(value,))
    for tau, names in ((0.75, [DIM]), (0.98, [])):
        found = measure_transmission(shoot(tau), STAND)
        findings, _ = apply_rules(read_signs({"measure_transmission": (found,)}, known))
        assert [finding.name for finding in findings] == names


def test_the_drawing_states_the_light():
    (picture,) = draw_transmission(measure_transmission(shoot(0.8), STAND))
    assert "\N{MINUS SIGN}0.32 ± 0.07 EV against the reference lens" in picture.description
