"""From tilt, offset, curvature and coma to the bench's moves, and whether a rehearsed repair did what was asked."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Setting, Ticket
from glasswright_camera.centring.stage import measure_centring
from glasswright_camera.field import clock_time
from glasswright_camera.focus.result import ColourOffset, FocusOffset
from glasswright_camera.moves.drawing import CENTRE, RADIUS, _on_front, draw_moves
from glasswright_camera.moves.sentences import compare_moves, describe_moves
from glasswright_camera.moves.stage import find_shim, suggest_moves
from glasswright_camera.sharpness.stage import measure_best_focus
from glasswright_camera.stand import Seat
from glasswright_rehearsal.faults.repair import shim_lens
from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from support.centring_traces import HEIGHT, PITCH_UM, WIDTH, make_body, make_field_trace, make_series, make_stand
from support.chart_drawing import make_layout
from support.chart_traces import make_shots

LAYOUT = make_layout()
FRAME = Frame(width_px=WIDTH, height_px=HEIGHT, pitch_um=PITCH_UM)
TICKET = Ticket(number="T-1", model="Corvane 50 mm f/2", serial="C", phase="release", body="Ostrel D7")
STAND = make_stand(reference_tilt=make_body(0.0, 0.0), seats=(Seat(diameter_mm=44.0),))


@pytest.fixture(scope="module")
def chart():
    from glasswright_camera.distortion.stage import measure_distortion

    use = replace(STAND.charts[0], layout=LAYOUT)
    return measure_distortion(make_shots(layout=LAYOUT), replace(STAND, charts=(use,)))


def centre(chart, lens, noise=0.0, coma=(0.0, 0.0), stand=STAND):
    """Tilt and curvature as the stages read them from a focus series of a rehearsed lens."""
    a = lens.aberrations
    field = {"tilt_um": a.tilt_um, "field_curvature_um": a.field_curvature_um, "noise": noise}
    series = make_series(LAYOUT, steps=9, **field)
    focus = replace(measure_best_focus(series, stand), setting=series[0].setting)
    trace = make_field_trace(LAYOUT, coma=coma, noise=max(noise, 1e-3))
    return replace(measure_centring((trace,), (focus,), None, chart, stand), setting=series[0].setting), focus


def move(chart, lens, offset_um=None, **how):
    centred, focus = centre(chart, lens, **how)
    return suggest_moves(TICKET, (centred,), (focus,), offset_of(offset_um), STAND)


def offset_of(shift_um, u=0.8):
    if shift_um is None:
        return None
    zero = dict.fromkeys(ColourOffset.__dataclass_fields__, 0.0)
    green = ColourOffset(**zero | {"shift_um": shift_um, "shift_um_u": u})
    rest = dict.fromkeys(("red_green_um", "red_green_um_u", "blue_green_um", "blue_green_um_u"), 0.0)
    setting = Setting(focal_length_mm=50, f_number=2)
    return (
        FocusOffset(
            red=green,
            green=green,
            blue=green,
            depth_of_focus_um=60.0,
            ramp="ramp",
            magnification_frac=0.02,
            shot_count=5,
            setting=setting,
            **rest,
        ),
    )


def test_five_arc_minutes_over_44_mm_are_0_064_mm(chart):
    # 44 mm x tan(5/60 degrees) = 0.0640 mm (closed form)
    centred, _ = centre(chart, Lens())
    tilted = replace(centred, focus_tilt_x_arcmin=0.0, focus_tilt_y_arcmin=-5.0)
    x, y, shim = find_shim(tilted, Seat(diameter_mm=44.0), 0.0)
    assert y[0] == pytest.approx(-0.0640, abs=5e-5)
    assert x[0] == 0
    assert shim.size == pytest.approx(0.0640, rel=0.02)
    assert clock_time(shim.deg) == "6:00"
    # the object plane leans the other way for the tilted lens: at 1:1 half as much is enough (Scheimpflug)
    assert find_shim(tilted, Seat(diameter_mm=44.0), 1.0)[1][0] == pytest.approx(-0.0320, abs=5e-5)


@pytest.mark.parametrize("tilt_um", [(14.0, 0.0), (0.0, 14.0), (-9.0, 11.0), (8.0, -12.0)])
def test_a_rehearsed_repair_removes_the_tilt(chart, tilt_um):
    lens = Lens(aberrations=Aberrations(tilt_um=tilt_um))
    before = move(chart, lens)
    at = clock_time(before.shim_deg)
    mended = shim_lens(lens, FRAME, thickness_mm=before.shim_mm, at=at, magnification_frac=0.0225)
    after = move(chart, mended)
    # clock positions are rounded to half hours: an error of 7.5 degrees leaves 13 %
    assert after.shim_mm < 0.15 * before.shim_mm
    # in the wrong direction the tilt doubles, and the comparison reports it
    reversed_shim = move(
        chart, shim_lens(lens, FRAME, thickness_mm=before.shim_mm, at=clock_time(before.shim_deg + 180))
    )
    assert reversed_shim.shim_mm == pytest.approx(2 * before.shim_mm, rel=0.1)
    (wrong,) = compare_moves(before, reversed_shim)
    assert "it was moved in the wrong direction" in wrong


def test_a_repair_is_reported_as_done_or_in_part(chart):
    lens = Lens(aberrations=Aberrations(tilt_um=(16.0, 0.0)))
    before = move(chart, lens)
    assert clock_time(before.shim_deg) == "3:00"
    how = {"at": "3:00", "magnification_frac": 0.0225}
    done = move(chart, shim_lens(lens, FRAME, thickness_mm=before.shim_mm, **how))
    half = move(chart, shim_lens(lens, FRAME, thickness_mm=before.shim_mm / 2, **how))
    (sentence,) = compare_moves(before, done)
    assert sentence.startswith(f"Tilt: a shim of {before.shim_mm:.3f} mm at 3:00 was suggested (50 mm f/2); it is done")
    (sentence,) = compare_moves(before, half)
    assert "50 % of it was done" in sentence
    assert compare_moves(done, before) == []  # nothing was suggested
    unknown = replace(done, shim_x_mm=float("nan"))
    assert "it was not measured again" in compare_moves(before, unknown)[0]


def test_a_focus_offset_is_a_change_of_flange_distance_and_a_rehearsed_one_removes_it(chart):
    # the band's image lies 16 um behind the sensor (back focus): the lens comes forward by as much
    lens = Lens(aberrations=Aberrations(defocus_um=16.0))
    before = move(chart, lens, offset_um=16.0)
    assert before.flange_um == 16.0
    (sentence,) = describe_moves(before)
    assert "increase the flange distance by 16.0 ± 1.6 µm" in sentence
    assert "a hint under the maker's service documents" in sentence
    mended = shim_lens(lens, FRAME, flange_um=before.flange_um)
    assert mended.aberrations.defocus_um == 0
    (sentence,) = compare_moves(before, move(chart, mended, offset_um=mended.aberrations.defocus_um))
    assert "+16.0 µm was suggested (50 mm f/2); it is done" in sentence


def test_field_curvature_is_shared_and_not_flattened(chart):
    found = move(chart, Lens(aberrations=Aberrations(field_curvature_um=24.0)))
    assert found.share_um == pytest.approx(12.0, abs=0.5)
    (sentence,) = describe_moves(found)
    assert "the field stays curved" in sentence


def test_coma_gives_a_line_and_no_sense(chart):
    found = move(chart, Lens(), coma=(0.5, 0.0))
    (sentence,) = describe_moves(found)
    assert "along the line from 3:00 to 9:00; the sense depends on the lens" in sentence
    (picture,) = draw_moves(found)
    assert "seen from the front of the lens" in picture.svg


def test_a_sound_lens_is_left_alone(chart):
    assert describe_moves(move(chart, Lens(), offset_um=1.0, noise=2e-3)) == []
    assert draw_moves(move(chart, Lens(), offset_um=1.0)) == []


def test_the_stated_u_of_a_shim_covers_its_error(chart):
    lens, stand = Lens(aberrations=Aberrations(tilt_um=(9.0, -6.0))), STAND
    truth = 44 * np.array([9.0, -6.0]) / (FRAME.half_diagonal_px * PITCH_UM) / 1.0225
    quiet, focus = centre(chart, lens, noise=3e-3)
    rng = np.random.default_rng(2)
    hits = []
    for _ in range(400):
        x_u, y_u = quiet.focus_tilt_x_arcmin_u, quiet.focus_tilt_y_arcmin_u
        per_um = 60 * 180 / np.pi / (FRAME.half_diagonal_px * PITCH_UM)
        drawn = replace(
            quiet,
            focus_tilt_x_arcmin=9 * per_um + x_u * rng.standard_normal(),
            focus_tilt_y_arcmin=-6 * per_um + y_u * rng.standard_normal(),
        )
        found = suggest_moves(TICKET, (drawn,), (focus,), None, stand)
        hits += [
            abs(found.shim_x_mm - truth[0]) < 1.96 * found.shim_x_mm_u,
            abs(found.shim_y_mm - truth[1]) < 1.96 * found.shim_y_mm_u,
        ]
    assert np.mean(hits) == pytest.approx(0.95, abs=0.025)


def test_a_seat_of_the_model_goes_before_the_flange():
    own = Seat(diameter_mm=31.0, name="rear group's seat", model="corvane 50mm F/2")
    stand = replace(STAND, seats=(Seat(diameter_mm=44.0), own))
    assert stand.find_seat("Corvane 50 mm f/2") is own
    assert stand.find_seat("Halden 85 mm f/1.8").diameter_mm == 44.0
    assert replace(STAND, seats=()).find_seat("Halden 85 mm f/1.8") is None


def test_without_series_and_ramp_there_is_nothing_to_move():
    found = suggest_moves(TICKET, None, None, None, STAND)
    assert np.isnan([found.shim_mm, found.flange_um, found.share_um, found.coma_ratio]).all()
    assert describe_moves(found) == []
    assert draw_moves(found) == []


def test_without_a_seat_there_is_no_shim_and_no_sentence(chart):
    centred, focus = centre(chart, Lens(aberrations=Aberrations(tilt_um=(9.0, 0.0))))
    found = suggest_moves(TICKET, (centred,), (focus,), None, replace(STAND, seats=()))
    assert np.isnan(found.shim_mm)
    assert describe_moves(found) == []


@pytest.mark.parametrize(("deg", "right", "up"), [(0, 1, 0), (90, 0, -1), (180, -1, 0), (270, 0, 1)])
@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_direction_in_the_file_is_drawn_upside_down_on_the_lens_and_at_its_share_of_the_radius(deg, right, up, share):
    x, y = _on_front(deg, share)
    assert (x - CENTRE[0], y - CENTRE[1]) == pytest.approx((share * RADIUS * right, share * RADIUS * up), abs=1e-9)
