"""Change of the image's size with focus: the thin lens, coverage, poor data."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Setting, Unmeasurable
from glasswright_camera import locate_chart, trace_edges
from glasswright_camera.sharpness.breathing import measure_breathing
from glasswright_camera.sharpness.drawing_focus import draw_breathing
from glasswright_camera.stand import FocusStep
from glasswright_rehearsal.night.tickets import breathe
from support.edge_traces import HEIGHT, WIDTH, make_stand, make_trace
from support.rehearsed_shots import make_lattice_scene, stand_for, take_shot

MIDDLE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
STEP_UM = 30.0
STAND = replace(make_stand(), focus_step=FocusStep(um=STEP_UM))
STEPS = np.arange(-3, 4)


def shoot(sizes, noise=0.0, seed=0, **kinds):
    rng = np.random.default_rng(seed)

    def scale(size):
        return lambda place, _: (place - MIDDLE) * (size - 1) + noise * rng.standard_normal(place.shape)

    return tuple(
        make_trace(shift=scale(size), role="focus_series", sequence=k, shot=f"focus_series/{k}", **kinds)
        for k, size in enumerate(sizes)
    )


def move_thin_lens(focus_um):
    """Return the sizes of the image of a fixed object when a thin lens of 50 mm is moved, by its own equation.

    1/f = 1/s + 1/s' (any textbook); the object stands so that the magnification is 0.0225. For each place of the lens
    the image lies at s', and the sensor's picture of the object has the size of the chief rays.
    """
    f, m = 50.0, 0.0225
    sensor, s = f * (1 + m), f * (1 + 1 / m)  # from the lens

    def focus_behind(move):
        image = 1 / (1 / f - 1 / (s + move))
        return 1000 * (image - (sensor - move))

    sizes = []
    for wanted in focus_um:
        low, high = -2.0, 2.0
        for _ in range(60):
            move = (low + high) / 2
            low, high = (move, high) if focus_behind(move) < wanted else (low, move)
        sizes.append(((sensor - move) / (s + move)) / (sensor / s))
    return sizes


def test_a_lens_moved_as_a_whole_breathes_as_the_thin_lens():
    found = measure_breathing(shoot(move_thin_lens(STEPS * STEP_UM)), STAND)
    assert found.breathing_ratio == pytest.approx(1.0, abs=0.002)
    # from infinity, where the size is f times the angle, to this distance, f (1 + m): 2.25 %
    assert found.breathing_pct == pytest.approx(2.25, abs=0.01)
    assert found.series_change_pct < 0  # later steps focus farther
    # step size and focal length are known to 3 and 2 %
    assert found.breathing_ratio_u == pytest.approx(np.hypot(0.03, 0.02), rel=0.02)


def test_a_lens_of_constant_size_does_not_breathe():
    found = measure_breathing(shoot([1.0] * 7), STAND)
    assert found.breathing_ratio == pytest.approx(0.0, abs=1e-9)
    assert found.series_change_pct == pytest.approx(0.0, abs=1e-9)


def test_the_stated_u_covers_the_noise():
    slope = -2e-6
    errors, stated = [], []
    for seed in range(60):
        found = measure_breathing(shoot(1 + slope * STEPS, noise=0.02, seed=seed), STAND)
        errors.append(found.series_change_pct - 100 * slope * 6)
        stated.append(found.series_change_pct_u)
    assert 0.75 < np.std(errors) / np.sqrt(np.mean(np.square(stated))) < 1.2


def test_rotation_and_shift_of_the_picture_do_not_matter():
    sizes = move_thin_lens(STEPS * STEP_UM)
    plain = measure_breathing(shoot(sizes), STAND)
    turned = []
    for k, trace in enumerate(shoot(sizes)):
        angle = 1e-3 * k
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        turned.append(replace(trace, centre_px=(trace.centre_px - MIDDLE) @ turn.T + MIDDLE + [3.0 * k, -k]))
    assert measure_breathing(tuple(turned), STAND).breathing_ratio == pytest.approx(plain.breathing_ratio, abs=1e-3)


def test_distortion_does_not_matter():
    def distort(place):
        away = (place - MIDDLE) / np.hypot(*MIDDLE)
        return MIDDLE + (place - MIDDLE) * (1 - 0.04 * (away**2).sum(axis=1, keepdims=True))

    traces = []
    for trace in shoot(move_thin_lens(STEPS * STEP_UM)):
        traces.append(replace(trace, centre_px=np.stack([distort(each) for each in trace.centre_px])))
    assert measure_breathing(tuple(traces), STAND).breathing_ratio == pytest.approx(1.0, abs=0.003)


def test_rehearsed_steps_breathe_as_drawn():
    scene = make_lattice_scene()
    scene = replace(scene, lens=replace(scene.lens, focal_length_mm=50.0, breathing_ratio=0.6))
    stand = replace(stand_for(scene), focus_step=STAND.focus_step)
    traces = []
    for number, away in enumerate((-STEP_UM, 0.0, STEP_UM)):
        mosaic = replace(take_shot(replace(scene, pose=breathe(scene, away))), sequence_count=number)
        trace = trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, None)
        traces.append(replace(trace, setting=Setting(focal_length_mm=50.0, f_number=4.0)))
    found = measure_breathing(tuple(traces), stand)
    # without the shares of step size and focal length, which are exact here
    shares = found.breathing_ratio * np.hypot(0.03, 0.02)
    own_u = float(np.sqrt(max(found.breathing_ratio_u**2 - shares**2, 0.0)))
    assert found.breathing_ratio == pytest.approx(0.6, abs=max(3 * own_u, 0.01))


def test_without_the_size_of_a_step_only_the_change_is_known():
    found = measure_breathing(shoot(move_thin_lens(STEPS * STEP_UM)), make_stand())
    assert np.isnan([found.breathing_ratio, found.breathing_pct]).all()
    assert np.isfinite(found.series_change_pct)


def test_too_little_is_refused():
    with pytest.raises(Unmeasurable, match="has 2 steps that can be used; 3 are needed"):
        measure_breathing(shoot([1.0, 1.0]), STAND)
    with pytest.raises(Unmeasurable, match="only 7 discs measured in all steps; 12 are needed"):
        measure_breathing(shoot([1.0] * 5, lost=tuple(range(110))), STAND)


def test_the_drawing_says_how_much_it_breathes():
    (picture,) = draw_breathing(measure_breathing(shoot(move_thin_lens(STEPS * STEP_UM)), STAND))
    assert "+1.00 ± 0.07 times as much as for a lens moved as a whole: +2.25 %" in picture.description
