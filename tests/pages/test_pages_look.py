"""Drawings and texts of pages: places of values on their scale, wording, distinguishable colours."""

import math
import re
from datetime import date
from importlib import resources
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from glasswright import Setting
from glasswright.judging.decision import guard_band
from glasswright.ledger.records import KeptOutcome
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.drawing import LINE_KINDS, Plot
from glasswright.plugin.measurements import Measured
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.reports.pages.formats import (
    format_limits,
    format_measure,
    format_middle,
    format_seconds,
    format_step,
    format_time,
    format_value,
    name_pages,
)
from glasswright.reports.pages.strip import draw_sign, draw_strip, lay_scale
from glasswright.reports.pages.sweep import _half_width, draw_sweeps
from glasswright.reports.pages.trend import draw_control_chart
from glasswright.watch.chart import Chart, ChartPoint
from support.page_toys import verdict

SVG = "{http://www.w3.org/2000/svg}"


def find(svg, name, class_):
    return [each for each in ElementTree.fromstring(svg).iter(SVG + name) if each.get("class") == class_]


def test_a_strip_puts_value_uncertainty_limit_and_guard_band_on_one_scale():
    guard = guard_band(0.95, 0.005, 6)
    each = verdict(value=0.30, u=0.005, lower=0.28, guard=guard)
    scale = lay_scale([each])
    svg = draw_strip(each, scale, with_axis=True)
    (sign,) = find(svg, "circle", "sign pass")
    assert float(sign.get("cx")) == pytest.approx(scale(0.30), abs=0.06)
    bars = [float(bar.get(key)) for bar in find(svg, "line", "bar pass") for key in ("x1", "x2")]
    assert min(bars) == pytest.approx(scale(0.29), abs=0.06)
    assert max(bars) == pytest.approx(scale(0.31), abs=0.06)
    (band,) = find(svg, "rect", "guard")
    assert float(band.get("x")) == pytest.approx(scale(0.28), abs=0.06)
    assert float(band.get("width")) == pytest.approx(scale(0.28 + guard) - scale(0.28), abs=0.11)
    (allowed,) = find(svg, "rect", "allowed")
    assert float(allowed.get("x")) == pytest.approx(scale(0.28), abs=0.06)
    assert float(allowed.get("x")) + float(allowed.get("width")) == pytest.approx(scale.end, abs=0.11)


def test_strips_of_one_measure_share_a_scale_that_holds_them_all():
    scale = lay_scale([verdict(value=value, u=0.01, lower=0.2, upper=0.6) for value in (0.1, 0.7)])
    for value in (0.1 - 0.02, 0.7 + 0.02, 0.2, 0.6):
        assert scale.start < scale(value) < scale.end
    assert scale(0.2) < scale(0.6)


def test_the_guard_band_of_a_value_far_outside_stays_within_the_strip():
    each = verdict(Verdict.FAIL, value=0.674, u=0.009, lower=0.7, guard=0.02)
    scale = lay_scale([each])
    (band,) = find(draw_strip(each, scale, with_axis=False), "rect", "guard")
    assert float(band.get("x")) + float(band.get("width")) <= scale.end


def test_a_strip_without_a_value_is_marked():
    each = verdict(Verdict.UNKNOWN, value=None, u=None)
    svg = draw_strip(each, lay_scale([each]), with_axis=False)
    assert ">not measured</text>" in svg
    assert "UNKNOWN" in ElementTree.fromstring(svg).get("aria-label")


def test_each_verdict_has_its_own_shape_besides_its_colour():
    shapes = {each: re.sub(r'class="[^"]*"', "", draw_sign(10, 10, each)) for each in Verdict}
    assert len(set(shapes.values())) == len(Verdict)


def test_an_error_bar_is_two_uncertainties_long_where_there_is_one():
    bars = {u: _half_width(Measured(path="sharp_px", value=3.0, text=None, u=u, unit="px")) for u in UNCERTAINTIES}
    assert bars == {None: 0.0, 0.0: 0.0, 0.25: 0.5, -0.1: 0.0, math.inf: 0.0}
    assert _half_width(Measured(path="sharp_px", value=3.0, text=None, u=math.nan, unit="px")) == 0.0


UNCERTAINTIES = (None, 0.0, 0.25, -0.1, math.inf)


def test_nothing_measured_at_two_f_numbers_draws_no_sweep():
    assert draw_sweeps([], [verdict()]) == []


def points_of(svg, class_):
    number = r"(-?[\d.]+)"
    paths = [re.findall(f"{number}[ ,]{number}", each.get("d")) for each in find(svg, "path", class_)]
    return [[(float(x), float(y)) for x, y in each] for each in paths]


def test_limits_of_a_sweep_are_brackets_about_what_is_allowed_at_their_setting():
    kept = [
        KeptOutcome(
            step="measure_mtf50",
            scope=Scope.SETTING,
            setting=Setting(focal_length_mm=50.0, f_number=f_number),
            shot="",
            status=Status.DONE,
            reason="",
            caveats=(),
            measured={"sharp_cy_per_px": Measured(path="", value=value, text=None, u=None, unit="cy/px")},
        )
        for f_number, value in ((2.0, 0.2), (4.0, 0.3))
    ]
    (picture,) = draw_sweeps(kept, [verdict(at=str(kept[1].setting), lower=0.2, upper=0.3)])
    first, last = (
        [float(each.get(key)) for key in ("cx", "cy")] for each in find(picture.svg, "circle", f"fill {LINE_KINDS[0]}")
    )
    lower, upper = points_of(picture.svg, "limit")
    for bracket, place, outwards in ((lower, first[1], 1), (upper, last[1], -1)):
        (left, end), (_, y), (_, y_right), (right, end_right) = bracket
        assert (y, end) == (y_right, end_right) == pytest.approx((place, place + outwards * 5), abs=0.11)
        assert (left + right) / 2 == pytest.approx(last[0], abs=0.11)


def test_nights_of_a_control_chart_fill_its_width_with_half_a_day_about_them():
    points = [
        ChartPoint(
            night=date(2026, 1, day),
            value=0.3,
            average=None,
            average_lower=None,
            average_upper=None,
            tickets=(),
            signals=(),
        )
        for day in (5, 6, 8)
    ]
    chart = Chart(
        measure="a.b_px", at=None, body="", unit="px", baseline=None, problem="", rate=0.003, points=tuple(points)
    )
    dots = find(draw_control_chart(chart, "b (px)"), "circle", "fill one")
    shares = [(float(each.get("cx")) - 74) / (545 - 74) for each in dots]
    assert shares == pytest.approx([1 / 8, 3 / 8, 7 / 8], abs=0.001)


WRITTEN = {
    (0.31643, 0.0032): "0.3164 ± 0.0064",
    (-0.345, 0.01): "−0.345 ± 0.020",
    (1234.0, 30.0): "1234 ± 60",
    (0.2, None): "0.2",
    (0.2, 0.0): "0.2",
    (math.nan, 0.1): "not measured",
    (None, 0.1): "not measured",
}


@pytest.mark.parametrize(("value", "u"), WRITTEN)
def test_numbers_are_written_with_two_digits_of_two_standard_uncertainties(value, u):
    assert format_value(value, u) == WRITTEN[value, u]


def test_words():
    assert format_step("measure_mtf50") == "MTF50"
    assert format_measure("measure_mtf50.green.centre.mean_cy_per_px") == "green, centre, mean"
    assert format_measure("measure_fringing.red_green.worst_pct") == "red green, worst"
    assert format_limits(0.3, None) == "at least 0.3"
    assert format_limits(None, 1.35) == "at most 1.35"
    assert format_limits(-0.42, 0.0) == "−0.42 to 0"
    assert format_limits(None, None) == "no limit"
    assert format_seconds(3.21) == "3.2 s"
    assert format_seconds(185) == "3 min 5 s"
    assert format_seconds(7440) == "2 h 4 min"
    assert format_time("2026-03-01T22:05:59+01:00") == "2026-03-01 22:05"
    assert format_time("the night before") == "the night before"
    assert format_middle([0.3, 0.31, 0.9], [0.004, 0.004, None]) == "0.3100"


def test_names_of_pages_are_safe_and_never_shared():
    names = ["T-0412", "t-0412", "a/b", "a b", "../../etc/passwd", "<script>", "", "é", "x" * 200]
    found = name_pages(names)
    assert list(found) == names
    files = [file.casefold() for file in found.values()]
    assert len(set(files)) == len(names)
    assert all(re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,98}\.html", file) for file in found.values())
    assert name_pages(["T-0412"]) == {"T-0412": "T-0412.html"}


CSS = resources.files("glasswright.reports.pages").joinpath("assets/pages.css").read_text(encoding="utf-8")
BLOCKS = {
    "light": re.search(r":root \{(.*?)\n\}", CSS, re.S).group(1),
    "dark": re.search(r':root\[data-light="dark"\] \{(.*?)\n\}', CSS, re.S).group(1),
}
COLOURS = {light: dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", block)) for light, block in BLOCKS.items()}


def linear(colour):
    values = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values]


def luminance(colour):
    red, green, blue = linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("light", COLOURS)
def test_text_stands_out_from_its_ground(light):
    """WCAG 2.2, 1.4.3: at least 4.5 to 1; and 1.4.11: at least 3 to 1 for lines that carry meaning."""
    c = COLOURS[light]
    pairs = [(ink, ground) for ink in ("ink", "soft", "accent") for ground in ("paper", "panel", "faint")]
    pairs += [(kind, f"{kind}-tint") for kind in ("pass", "fail", "review", "unknown", "skipped")]
    pairs += [(kind, "panel") for kind in ("pass", "fail", "review", "unknown")]
    poor = {pair: round(contrast(c[pair[0]], c[pair[1]]), 2) for pair in pairs}
    assert {pair: ratio for pair, ratio in poor.items() if ratio < 4.5} == {}
    lines = {
        name: round(contrast(c[name], c["ground"]), 2) for name in ("one", "two", "three", "four", "five", "limit")
    }
    assert {name: ratio for name, ratio in lines.items() if ratio < 3} == {}


def lightness(colour):
    """CIE 1976 L* of a colour (ISO/CIE 11664-4)."""
    y = luminance(colour)
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


@pytest.mark.parametrize("light", COLOURS)
def test_shades_of_a_map_rise_evenly_in_lightness_so_that_any_eye_can_order_them(light):
    steps = [lightness(COLOURS[light][f"shade{k}"]) for k in range(10)]
    rises = [b - a for a, b in pairwise(steps)]
    assert all(rise < -4 for rise in rises) or all(rise > 4 for rise in rises), rises


VIENOT = {
    "protanope": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "deuteranope": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
}
"""Viénot, Brettel and Mollon 1999 (Color Research and Application 24, 243): what a dichromat sees, in linear RGB."""


@pytest.mark.parametrize("light", COLOURS)
@pytest.mark.parametrize("eye", VIENOT)
def test_red_and_blue_arrows_differ_to_a_colour_blind_eye(light, eye):
    seen = []
    for name in ("one", "two"):
        colour = linear(COLOURS[light][name])
        seen.append([sum(a * b for a, b in zip(row, colour, strict=True)) for row in VIENOT[eye]])
    assert math.dist(*([max(v, 0) ** (1 / 2.4) for v in each] for each in seen)) > 0.25


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(1 / 60, "1/60 s"), (0.017, "1/58.82 s"), (1 / 8000, "1/8000 s"), (0.25, "1/4 s"), (0.3, "0.3 s"), (2.0, "2 s")],
)
def test_an_exposure_time_in_a_setting_reads_as_on_a_dial(time_s, text):
    setting = Setting(focal_length_mm=70.0, f_number=8.0, exposure_time_s=time_s)
    assert str(setting) == f"70 mm f/8 {text}"


def test_the_name_of_an_axis_lies_above_its_numbers_however_wide_they_are():
    plot = Plot.between((0.0, 1.0), (-0.0135, -0.002), left=74, bottom=250)
    texts = {each.text: each for each in ElementTree.fromstring(f"<g>{plot.axes('', 'name', ticks=(0, 6))}</g>")}
    assert "\N{MINUS SIGN}0.0100" in texts
    assert float(texts["name"].get("y")) < plot.y.end
    assert texts["name"].get("text-anchor") == "start"
    assert "0.0" not in texts, "no numbers along the horizontal axis"
