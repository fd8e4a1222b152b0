"""The stabiliser's benefit: closed forms, coverage of its interval, properties, poor data, rehearsed shots."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from glasswright import Setting, Shot, Unmeasurable
from glasswright.plugin.artefact import CaptureFacts
from glasswright_camera.edges.repeats import main_plane
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stabiliser.growth import Lengths, choose_length, fit_growth
from glasswright_camera.stabiliser.motion import _read_disc, average_rest, find_discs, find_motion, length_of
from glasswright_camera.stabiliser.stage import measure_stabiliser, share_interval
from glasswright_camera.stand import Shaker
from support.edge_traces import make_stand, make_trace

PITCH = 5.0
STAND = replace(make_stand(pitch_um=PITCH), shaker=Shaker(name="north-bench shaker, programme 2"))
AT = Setting(focal_length_mm=50.0, f_number=4.0)
STILL_PX = 0.8
SIGMA = float(np.sqrt(np.log(2) / 2) / np.pi)  # MTF50 of a Gaussian times its standard deviation


def half_of(still_px, length_px) -> float:
    """MTF50 of a Gaussian blur and an even movement: their transfer functions multiply (closed form)."""

    def miss(frequency: float) -> float:
        return float(np.exp(-2 * (np.pi * still_px * frequency) ** 2) * np.sinc(length_px * frequency)) - 0.5

    return float(brentq(miss, 1e-6, SIGMA / still_px))


def blurred(still_px, motion_um=0.0, **options) -> Trace:
    """A trace with a Gaussian still blur and an even movement along the first of both directions."""
    half = [half_of(still_px, motion_um / PITCH), SIGMA / still_px]
    return make_trace(lambda place, _: np.tile(half, (len(place), 1)), u=1e-4, **options)


def shaken(role, name, time, motion_um) -> tuple[Shot, Trace | None]:
    setting = replace(AT, exposure_time_s=time)
    shot = Shot(
        ticket="T-0001", role=role, name=name, path="", sha256="", sequence=0, facts=CaptureFacts(), setting=setting
    )
    if not np.isfinite(motion_um):
        return shot, None
    return shot, replace(blurred(STILL_PX, motion_um, shot=name, role=role), setting=setting)


def side(role, times, speed_um_s, *, scatter=0.0, repeats=3, lost_above=np.inf, seed=1):
    """Shots whose motion is proportional to time."""
    rng = np.random.default_rng(seed)
    taken = []
    for index, time in enumerate(np.repeat(times, repeats)):
        motion = speed_um_s * time * np.exp(scatter * rng.standard_normal())
        name = f"{role}/{index:04d}.dng"
        taken.append(shaken(role, name, float(time), motion if motion < lost_above else np.inf))
    return tuple(trace for _, trace in taken if trace is not None), tuple(shot for shot, _ in taken)


OFF_TIMES, ON_TIMES = (1 / 80, 1 / 60, 1 / 40, 1 / 30), (1 / 30, 1 / 8, 1 / 5, 1 / 4)


def measure(*, stops=3.0, speed=1000.0, stand=STAND, still=None, sharp=30.0, lost_above=np.inf, **options):
    off, off_shots = side("shake_off", OFF_TIMES, speed, lost_above=lost_above, **options)
    on, on_shots = side("shake_on", ON_TIMES, speed / 2**stops, lost_above=lost_above, **options)
    still = (blurred(STILL_PX),) if still is None else still
    return measure_stabiliser(off, on, off_shots, on_shots, still, stand, sharp_motion_um=sharp)


@pytest.mark.parametrize("length_um", [0.0, 5.0, 40.0])
def test_motion_is_the_blur_beyond_the_still_one(length_um):
    square, square_u = find_motion(blurred(STILL_PX, length_um), average_rest([blurred(STILL_PX)]))
    assert PITCH * length_of(square) == pytest.approx(length_um, rel=1e-3, abs=1e-3)
    assert square_u < 0.12  # square pixels, of up to 64


@pytest.mark.parametrize("stops", [0.5, 3.0, 5.0])
def test_the_benefit_in_stops_is_measured_exactly(stops):
    found = measure(stops=stops, scatter=0.05, repeats=2)
    assert found.benefit_low_stops < stops < found.benefit_high_stops
    assert found.benefit_stops == pytest.approx(stops, abs=0.25)
    assert found.off.growth_ratio == pytest.approx(1.0, abs=0.1)
    assert found.on.growth_ratio == pytest.approx(1.0, abs=0.2)
    # what both sides measured: 12 to 33 um off; five stops leave 1 to 8 um on, which is near enough to be drawn on
    assert found.caveats == (() if stops < 5 else ("beyond_measured_blur",))
    assert found.excitation == "north-bench shaker, programme 2"
    assert found.still_blur_px == pytest.approx(STILL_PX, rel=1e-6)
    # sigma is as 1 / MTF50; the mean of 117 discs in two directions
    each = STILL_PX * 1e-4 / (SIGMA / STILL_PX)
    assert found.still_blur_px_u == pytest.approx(each / np.sqrt(2 * 117), rel=1e-6)
    # 1000 um/s: half of the shots are sharp until 30 um / 1000 um/s
    assert found.off.sharp_until_s == pytest.approx(0.030, rel=0.1)


@pytest.mark.parametrize(
    ("off", "on", "stops"), [(1 / 60, 1 / 4, 3.907), (1 / 125, 1 / 2, 5.966), (1 / 50, 1.0, 5.644)]
)
def test_stops_are_doublings_of_the_exposure_time_at_equal_blur(off, on, stops):
    # log2(t_on / t_off), the form of ISO 20954-1:2019; the values by arithmetic
    times = np.array([off, 2 * off, on, 2 * on])
    lengths = Lengths(
        log_time=np.log(times),
        log_length=np.log([10.0, 20.0, 10.0, 20.0]),
        kind=np.zeros(4, dtype=int),
        is_on=np.array([False, False, True, True]),
    )
    benefit, _ = fit_growth(lengths).benefit(choose_length(lengths)[0])
    assert benefit / np.log(2) == pytest.approx(stops, abs=2e-3)


def test_the_confidence_interval_has_its_coverage():
    # 100 series of known benefit, scatter of a third, the longest movements lost: 95 of 100 intervals should hold it;
    # fewer than 88 has a chance under 1 in 200
    held = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        time = np.log(np.repeat([*OFF_TIMES, *ON_TIMES], 3))
        is_on = np.repeat([False, True], 12)
        length = np.log(1000 / 2.0 ** (3 * is_on)) + time + 0.33 * rng.standard_normal(24)
        lost = length > np.log(45)
        kind = np.where(lost, 1, 0)
        log_length = np.where(lost, length[~lost].max(), length)
        lengths = Lengths(log_time=time, log_length=log_length, kind=kind, is_on=is_on)
        growth = fit_growth(lengths)
        benefit, benefit_u = (value / np.log(2) for value in growth.benefit(choose_length(lengths)[0]))
        held += abs(benefit - 3) < 2.08 * benefit_u  # Student's t for 21 degrees of freedom
    assert held >= 88


def test_shots_lost_to_blur_count_as_not_sharp():
    found = measure(stops=0.5, scatter=0.1, lost_above=60.0)
    assert found.on.lost_count == 9  # all but the shortest time
    assert found.caveats == ("shots_lost",)
    assert found.notes == ("9 shaken shots could not be traced and count as the most blurred",)
    assert found.benefit_stops < 2
    assert found.on.sharp_frac == pytest.approx(1.0)


def test_the_fraction_of_sharp_shots_uses_common_exposure_times():
    found = measure(scatter=0.01, sharp=25.0)
    # at 1/30 s, the one common time, 33 um off and 4 um on
    assert (found.off.sharp_frac, found.on.sharp_frac) == (0.0, 1.0)
    assert (found.off.sharp_low_frac, found.on.sharp_high_frac) == (0.0, 1.0)


def test_intervals_of_shares():
    # exact in the ends: 1 - 0.025 ** (1 / n) for none of n
    assert share_interval(0, 10) == (0.0, pytest.approx(1 - 0.025**0.1))
    assert share_interval(10, 10) == (pytest.approx(0.025**0.1), 1.0)
    assert share_interval(1, 10)[0] == pytest.approx(1 - 0.975**0.1)
    low, high = share_interval(5, 10)
    # 0.187 to 0.813 for 5 of 10, as tables of the binomial distribution have it (from memory)
    assert (low, high) == (pytest.approx(0.187, abs=5e-4), pytest.approx(0.813, abs=5e-4))


@settings(max_examples=10, deadline=None)
@given(st.floats(1.0, 4.0), st.integers(0, 1000))
def test_the_shakers_strength_does_not_change_the_benefit(stops, seed):
    one = measure(stops=stops, scatter=0.1, repeats=2, seed=seed)
    other = measure(stops=stops, scatter=0.1, repeats=2, seed=seed, speed=1400.0)
    assert other.benefit_stops == pytest.approx(one.benefit_stops, abs=0.03)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: measure(stand=replace(STAND, shaker=None)), "the stand file names no shaker: add `shaker: {name: ..."),
        (
            lambda: measure(still=(replace(blurred(0.8), setting=replace(AT, f_number=8.0)),)),
            "no chart shot at 50 mm f/4 shows the lens at rest: shoot one with the shaker still",
        ),
        (lambda: measure(still=(blurred(0.8, lost=tuple(range(115))),)), "shares only 2 discs with the chart shots"),
        (lambda: measure(speed=1e-3), "no shot with the stabiliser off shows a movement that could be measured"),
    ],
)
def test_unmeasurable_shots_are_refused_with_the_reason(call, message):
    with pytest.raises(Unmeasurable) as error:
        call()
    assert message in str(error.value)


def test_two_settings_do_not_mix():
    off, off_shots = side("shake_off", OFF_TIMES, 1000.0)
    on, on_shots = side("shake_on", ON_TIMES, 125.0)
    on = tuple(replace(each, setting=replace(each.setting, f_number=8.0)) for each in on)
    with pytest.raises(Unmeasurable, match="the shaken shots are of 50 mm f/4 and 50 mm f/8: shoot them at one"):
        measure_stabiliser(off, on, off_shots, on_shots, (blurred(0.8),), STAND)


def test_motion_that_does_not_grow_with_time_is_refused():
    off, off_shots = side("shake_off", OFF_TIMES, 1000.0)
    still = replace(off[0], mtf50=off[5].mtf50)
    off = tuple(replace(still, shot=each.shot, setting=each.setting) for each in off)
    on = tuple(replace(still, shot=shot.name, setting=shot.setting) for shot in side("shake_on", ON_TIMES, 1.0)[1])
    with pytest.raises(Unmeasurable, match="the movement does not grow with the exposure time"):
        measure_stabiliser(off, on, off_shots, side("shake_on", ON_TIMES, 1.0)[1], (blurred(0.8),), STAND)


def test_shots_on_the_shaker_are_never_odd():
    off, _ = side("shake_off", OFF_TIMES, 1000.0)
    assert Trace.find_outliers(off) == {}


def swing(times, amplitude_um, hz, rng, repeats=4):
    """Motion lengths on a sinusoidal shaker, from the path's variance, at random phase."""
    shots = []
    for time in np.repeat(times, repeats):
        path = amplitude_um * np.sin(2 * np.pi * (hz * np.linspace(0, time, 200) + rng.uniform()))
        shots.append((time, np.sqrt(12 * path.var())))
    return np.log(np.array(shots)).T


def swinging(hz, stops, seed, on_times=ON_TIMES):
    rng = np.random.default_rng(seed)
    # 1000 um/s at its fastest; the stabiliser takes off as much of the swing
    amplitude = 1000 / (2 * np.pi * hz)
    off, on = swing(OFF_TIMES, amplitude, hz, rng), swing(on_times, amplitude / 2**stops, hz, rng)
    time, length = np.concatenate([off, on], axis=1)
    is_on = np.repeat([False, True], [off.shape[1], on.shape[1]])
    return Lengths(log_time=time, log_length=length, kind=np.zeros(len(time), dtype=int), is_on=is_on)


def test_a_shaker_that_swings_is_compared_at_one_blur():
    # in 1/8 to 1/4 s with the stabiliser on, a swing of 1 Hz is slightly slower than in the short times off: at
    # equal blur the times show it; a common power law gave more
    rng = np.random.default_rng(0)
    fine = np.geomspace(1 / 100, 1 / 2.2, 60)
    reach = []
    for share in (1, 8):
        lengths = swing(fine, 1000 / (2 * np.pi) / share, 1.0, rng, 200)[1].reshape(60, -1)
        reach.append(np.interp(np.log(18.0), np.median(lengths, axis=1), np.log(fine)))
    truth = (reach[1] - reach[0]) / np.log(2)
    found = []
    for seed in range(6):
        lengths = swinging(1.0, 3.0, seed)
        benefit, benefit_u = fit_growth(lengths).benefit(choose_length(lengths)[0])
        found.append((benefit / np.log(2), benefit_u / np.log(2)))
    value, u = np.array(found).T
    assert value.mean() == pytest.approx(truth, abs=0.35)
    assert (np.abs(value - truth) < 3 * u).all()


def test_a_shaker_that_has_turned_back_is_refused():
    with pytest.raises(Unmeasurable, match=r"(grows only with the power .* the shaker turns back|does not grow)"):
        fit_growth(swinging(5.0, 3.0, 1, on_times=(0.4, 0.6, 0.9, 1.3)))


def test_movements_without_a_length_in_common_are_not_compared():
    with pytest.raises(Unmeasurable) as error:
        measure(stops=7.0, scatter=0.02)
    assert str(error.value) == (
        "the movements measured with the stabiliser off and on have no length in common (13 to 34 um off and 1 to 2 um "
        "on): shoot longer times where they are short, or shorter ones where they are long"
    )


def test_the_u_of_a_squared_movement_is_that_of_the_shot_and_of_the_rest():
    rest_trace, shot = blurred(STILL_PX), blurred(STILL_PX, 12.0)
    (node, rest), *_ = sorted(average_rest([rest_trace]).items())
    disc = find_discs(shot)[node]
    plane = main_plane(shot)

    def read(shot_u, rest_u):
        noisy = replace(shot, mtf50_u=np.full_like(shot.mtf50_u, shot_u))
        return _read_disc(replace(rest, mtf50_u=np.full(2, rest_u)), noisy, plane, disc)

    (square, of_shot), (_, of_rest), (_, both) = read(1e-4, 0.0), read(0.0, 1e-4), read(1e-4, 1e-4)
    assert square == pytest.approx((12.0 / PITCH) ** 2, rel=0.01)
    assert min(of_shot, of_rest) > 0
    assert both == pytest.approx(np.hypot(of_shot, of_rest))
    assert read(0.0, 2e-4)[1] == pytest.approx(2 * of_rest, rel=0.01)
    assert read(2e-4, 0.0)[1] == pytest.approx(2 * of_shot, rel=0.01)
