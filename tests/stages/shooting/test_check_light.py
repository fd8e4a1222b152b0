"""Changes of light between shots: level, and gradient between chart and panel."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import check_light
from glasswright_camera.field import image_radius
from support.chart_traces import make_trace
from support.frames import make_flat_field, make_stand

SIZE = (6000, 4000)


def lamps(x, y):
    return 1 - 0.2 * (x**2 + y**2)


def lit_shots(*levels, slope=0.0, noise=0.0, light=0.6):
    rng = np.random.default_rng(6)
    shots = []
    node = np.stack(np.meshgrid(np.arange(13), np.arange(9)), axis=-1).reshape(-1, 2)
    for level in levels:
        trace = make_trace(node, node * 440.0 + 300)
        field = image_radius(trace.centre_px[1], *SIZE)
        x, y = (field.unit * field.fraction[:, None]).T
        paper = light * level * lamps(x, y) * (1 + slope * x) * (1 + noise * rng.standard_normal(len(x)))
        edges = np.full_like(trace.mtf50, 0.25)
        shots.append(replace(trace, paper_light=np.tile(paper, (3, 1)), mtf50=edges))
    return tuple(shots)


def panel(**options):
    return make_flat_field(lamps, size=SIZE, role="panel", **options)


def check(traces, with_panel=True, flat=None):
    return check_light(traces, panel() if with_panel else None, flat, make_stand())


def test_steady_light():
    found = check(lit_shots(1, 1, 1))
    assert found.chart_level_change_pct == pytest.approx(0, abs=1e-9)
    assert found.chart_to_panel_ratio == pytest.approx(0.6 / 0.5, rel=1e-4)
    assert found.chart_to_panel_slope_pct < 0.05  # the coarse map is read between its points
    assert (found.caveats, found.notes) == ((), ())


def test_a_change_of_level_is_a_caveat():
    found = check(lit_shots(1, 1.04))
    assert found.chart_level_change_pct == pytest.approx(100 * 0.04 / 1.02, abs=1e-6)
    assert found.caveats == ("level_change",)
    assert found.notes == (
        "the chart's light changes by 3.9 % between the shots, more than 2 %: let the lamps warm up, do not move them, "
        "shoot again",
    )


def test_lamps_that_moved_are_a_caveat():
    found = check(lit_shots(1, slope=0.03, noise=1e-3))
    assert found.chart_to_panel_slope_pct == pytest.approx(6, abs=4 * found.chart_to_panel_slope_pct_u + 0.05)
    assert found.chart_to_panel_slope_pct_u == pytest.approx(200 * 1e-3 / np.sqrt(117) / 0.45, rel=0.3)
    assert found.caveats == ("light_moved",)
    assert found.notes[0].startswith(
        "the light's slope across the chart differs from the panel's by 6.0 %, more than 2 %"
    )


@settings(max_examples=10, deadline=None)
@given(st.floats(0.1, 1.5), st.floats(-0.05, 0.05))
def test_exposure_does_not_matter_but_for_the_ratio(factor, slope):
    one, other = check(lit_shots(1, 1.01, slope=slope)), check(lit_shots(1, 1.01, slope=slope, light=0.6 * factor))
    assert other.chart_level_change_pct == pytest.approx(one.chart_level_change_pct, rel=1e-9)
    assert other.chart_to_panel_slope_pct == pytest.approx(one.chart_to_panel_slope_pct, rel=1e-9)
    assert other.chart_to_panel_ratio == pytest.approx(factor * one.chart_to_panel_ratio, rel=1e-9)


def test_results_without_shots_are_nan():
    found = check(lit_shots(1), with_panel=False, flat=replace(panel(), role="flat", level_change_pct=0.7))
    assert np.isnan([found.panel_level_change_pct, found.chart_to_panel_slope_pct, found.chart_to_panel_ratio]).all()
    assert found.flat_level_change_pct == 0.7
    assert found.caveats == ()


def test_too_few_common_discs_are_refused():
    trace = lit_shots(1)[0]
    few = replace(
        trace, centre_px=np.where(np.arange(trace.mtf50.shape[1])[None, :, None] < 4, trace.centre_px, np.nan)
    )
    with pytest.raises(Unmeasurable, match=r"^only 4 discs placed in all of 2 chart shots$"):
        check((trace, few))
