from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera.chart.faults import find_other_extent, list_layout_nodes, sort_out
from glasswright_camera.chart.marks import find_upright_turn, read_marks
from glasswright_camera.chart.walk import measure_unevenness, predict_place, walk_lattices
from glasswright_camera.stand import Mark, RampLayout
from support import CONFIGS
from support.chart_drawing import make_layout

LAYOUT = make_layout()
NODES = list_layout_nodes(LAYOUT)


def view(nodes, angle, k, perspective, scale=30.0):
    """A lattice rotated, in perspective and distorted; the scale does not matter."""
    x, y = ((nodes - (6, 4)) / 7.2).T
    w = 1 + perspective * x
    x, y = x / w, y / w
    r2 = x**2 + y**2
    bent = np.stack([x, y]) * (1 + k * r2)
    c, s = np.cos(angle), np.sin(angle)
    return (np.array([[c, -s], [s, c]]) @ bent).T * 7.2 * scale


@settings(max_examples=30, deadline=None)
@given(
    angle=st.floats(0, 2 * np.pi),
    k=st.floats(-0.2, 0.3),
    perspective=st.floats(-0.05, 0.05),
    seed=st.integers(0, 1000),
    strays=st.integers(0, 60),
    lost=st.integers(0, 10),
)
def test_a_walk_finds_the_lattice_among_strays(angle, k, perspective, seed, strays, lost):
    rng = np.random.default_rng(seed)
    kept = NODES[np.sort(rng.permutation(len(NODES))[lost:])]
    place = view(kept, angle, k, perspective) + rng.normal(0, 0.3, (len(kept), 2))
    # strays are outside the lattice, like knobs and screws
    far = rng.uniform(-600, 600, (400, 2))
    far = far[np.hypot(*far.T) > 340][:strays]
    order = rng.permutation(len(place) + len(far))
    mixed = np.concatenate([place, far])[order]
    lattice = next(walk_lattices(mixed, np.full(len(mixed), 6.0), 117))
    source = order[lattice.index]
    true = source < len(kept)
    assert true.sum() >= 0.97 * len(kept)
    # the walk's own columns and rows are the layout's but for a turn and a shift
    node, layout_node = lattice.node[true], kept[source[true]]
    step = np.linalg.lstsq(np.column_stack([node, np.ones(len(node))]), layout_node.astype(float), rcond=None)[0]
    np.testing.assert_allclose(step, np.rint(step), atol=1e-9)
    assert np.linalg.det(step[:2]) == pytest.approx(1.0)


def test_a_prediction_is_exact_where_the_lattice_bends_evenly():
    def place(column, row):
        return complex(30 * column + 0.8 * column**2, 28 * row + 0.5 * column * row)

    at = {(c, r): place(c, r) for c in range(-3, 1) for r in range(-2, 3)}
    found = predict_place((1, 0), at)
    assert found is not None
    assert abs(found[0] - place(1, 0)) < 1e-9


def test_nothing_is_predicted_from_nothing():
    assert predict_place((5, 5), {(0, 0): 0j}) is None
    assert list(walk_lattices(np.zeros((3, 2)), np.ones(3), 117)) == []


def test_blobs_by_chance_are_uneven_and_a_bent_lattice_is_not():
    assert measure_unevenness(NODES, view(NODES, 0.3, -0.25, 0.1)) < 0.08
    chance = NODES * 30.0 + np.random.default_rng(3).uniform(-6, 6, (117, 2))
    assert measure_unevenness(NODES, chance) > 0.3


TURNS = [np.array(turn) for turn in ([[1, 0], [0, 1]], [[0, -1], [1, 0]], [[-1, 0], [0, -1]], [[0, 1], [-1, 0]])]
MIRROR = np.array([[-1, 0], [0, 1]])


UPRIGHT = TURNS[0]


def mark_scores(nodes, at):
    score = np.array([1.0 if node in at else 0.02 for node in map(tuple, nodes.tolist())])
    return {"ring": score, "large": np.zeros(len(nodes))}


@pytest.mark.parametrize("turn", TURNS)
def test_marks_fix_turn_and_origin(turn):
    seen = NODES @ turn.T + (-3, 11)
    marks = {tuple((turn @ (mark.column, mark.row) + (-3, 11)).tolist()) for mark in LAYOUT.marks}
    reading = read_marks(seen, mark_scores(seen, marks), LAYOUT, UPRIGHT)
    np.testing.assert_array_equal(reading.to_layout(seen), NODES)


@pytest.mark.parametrize("turn", TURNS)
def test_marks_identify_the_mirror_image(turn):
    turn = turn @ MIRROR
    seen = NODES @ turn.T
    marks = {tuple((turn @ (mark.column, mark.row)).tolist()) for mark in LAYOUT.marks}
    with pytest.raises(Unmeasurable, match="read mirrored"):
        read_marks(seen, mark_scores(seen, marks), LAYOUT, UPRIGHT)


@pytest.mark.parametrize(
    ("marks", "symmetry"),
    [
        (((3, 4), (4, 4), (5, 4)), "turned by 180 degrees"),
        (((8, 5), (16, 5), (8, 12), (16, 12)), "turned by 180 degrees"),
        (((2, 2), (4, 2), (2, 4), (4, 4)), "turned by 90 degrees"),
        (((3, 3), (5, 3), (4, 5)), "mirrored left to right"),
        (((3, 3), (3, 5), (4, 4)), "mirrored top to bottom"),
        (((3, 3), (5, 3), (3, 5)), "mirrored about a diagonal"),
        (((3, 3), (5, 3), (5, 5)), "mirrored about the other diagonal"),
    ],
)
def test_symmetric_marks_need_an_upright_print(marks, symmetry):
    with pytest.raises(ValueError, match=f"they look the same {symmetry}, .* or write `orientation: upright`"):
        make_layout(25, 18, marks=marks)
    make_layout(25, 18, marks=marks, orientation="upright")


RECTANGLE = ((8, 5), (16, 5), (8, 12), (16, 12))


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("degrees", [-40, 0, 40])
def test_an_upright_print_is_read_upright_for_any_walk_axes(turn, degrees):
    layout = make_layout(25, 18, marks=RECTANGLE, orientation="upright")
    nodes = list_layout_nodes(layout)
    seen = nodes @ turn.T + (5, -2)
    angle = np.radians(degrees)
    place = nodes @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) * 30.0
    marks = {tuple((turn @ mark + (5, -2)).tolist()) for mark in np.array(RECTANGLE)}
    reading = read_marks(seen, mark_scores(seen, marks), layout, find_upright_turn(seen, place))
    np.testing.assert_array_equal(reading.to_layout(seen), nodes)


@pytest.mark.parametrize(("turn", "words"), [(1, "on its side"), (2, "upside down"), (3, "on its side")])
def test_an_upright_print_that_is_rotated_is_refused(turn, words):
    layout = make_layout(orientation="upright")
    seen = NODES @ TURNS[turn].T
    marks = {tuple((TURNS[turn] @ (mark.column, mark.row)).tolist()) for mark in layout.marks}
    with pytest.raises(Unmeasurable, match=f"hangs {words}, but its layout says `upright`: turn the print"):
        read_marks(seen, mark_scores(seen, marks), layout, find_upright_turn(seen, seen * 30.0))


def test_marks_of_an_upright_print_on_its_side_are_not_accepted():
    layout = make_layout(25, 18, marks=RECTANGLE, orientation="upright")
    nodes = list_layout_nodes(layout)
    seen = nodes @ TURNS[1].T
    marks = {tuple((TURNS[1] @ mark).tolist()) for mark in np.array(RECTANGLE)}
    with pytest.raises(Unmeasurable, match=r"hangs on its side|is ambiguous"):
        read_marks(seen, mark_scores(seen, marks), layout, find_upright_turn(seen, seen * 30.0))


FOUR = {(5, 3), (8, 3), (5, 5), (8, 5)}
"""Four equal marks where the default layout has three; half a column off the middle of 13 x 9 nodes."""


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), noise=st.floats(0, 0.08))
def test_four_equal_marks_where_the_layout_has_three_are_refused_whatever_the_noise(seed, noise):
    # 14 columns, so that the four lie in the middle: only the marks show the orientation
    layout = make_layout(14, 9, marks=((5, 3), (8, 3), (5, 5)))
    nodes = list_layout_nodes(layout)
    score = mark_scores(nodes, FOUR)
    score["ring"] = score["ring"] + np.random.default_rng(seed).normal(0, noise, len(nodes))
    message = r"the orientation of lattice_14x9 is ambiguous: .* \(4 ring marks seen where lattice_14x9 has 3\)"
    with pytest.raises(Unmeasurable, match=message):
        read_marks(nodes, score, layout, UPRIGHT)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), noise=st.floats(0, 0.4))
def test_noise_never_turns_a_print(seed, noise):
    score = mark_scores(NODES, {(mark.column, mark.row) for mark in LAYOUT.marks})
    score["ring"] = score["ring"] + np.random.default_rng(seed).normal(0, noise, len(NODES))
    try:
        reading = read_marks(NODES, score, LAYOUT, UPRIGHT)
    except Unmeasurable as refused:
        assert noise > 0.05
        assert "is ambiguous" in str(refused) or "were not found" in str(refused)
    else:
        np.testing.assert_array_equal(reading.to_layout(NODES), NODES)


@pytest.mark.parametrize("kinds", [("ring", "large"), ("large", "ring")])
@pytest.mark.parametrize("turn", TURNS)
def test_two_marks_of_different_kinds_are_enough(kinds, turn):
    marks = (Mark(column=5, row=3, kind=kinds[0]), Mark(column=7, row=4, kind=kinds[1]))
    layout = replace(LAYOUT, marks=marks)
    seen = NODES @ turn.T
    score = {mark.kind: mark_scores(seen, {tuple((turn @ (mark.column, mark.row)).tolist())})["ring"] for mark in marks}
    np.testing.assert_array_equal(read_marks(seen, score, layout, UPRIGHT).to_layout(seen), NODES)
    with pytest.raises(Unmeasurable, match="read mirrored"):
        mirrored = NODES @ (turn @ MIRROR).T
        read_marks(mirrored, score, layout, UPRIGHT)


def test_the_shipped_marks_have_no_symmetry():

    from glasswright.config import read_config
    from glasswright_camera.stand import ChartLayout

    path = CONFIGS / "charts" / "lattice_13x9.yaml"
    layout = read_config(path, ChartLayout)
    marks = {(mark.column, mark.row) for mark in layout.marks}
    nodes = list_layout_nodes(layout)
    np.testing.assert_array_equal(read_marks(nodes, mark_scores(nodes, marks), layout, UPRIGHT).turn, np.eye(2))


IN_FRAME = np.ones((9, 13), bool)


def test_the_extent_of_the_right_chart_is_accepted():
    assert find_other_extent(NODES, IN_FRAME, LAYOUT) is None
    # single discs lost anywhere, a column out of the frame, a stray beyond
    assert find_other_extent(NODES[5:-7], IN_FRAME, LAYOUT) is None
    assert find_other_extent(np.concatenate([NODES, [[13, 4], [14, 4]]]), IN_FRAME, LAYOUT) is None
    cropped = IN_FRAME.copy()
    cropped[:, :2] = False
    assert find_other_extent(NODES[NODES[:, 0] >= 2], cropped, LAYOUT) is None


def test_the_extent_of_other_charts_is_reported():
    inside = (NODES[:, 0] >= 1) & (NODES[:, 0] < 11) & (NODES[:, 1] < 7)
    assert find_other_extent(NODES[inside], IN_FRAME, LAYOUT) == (10, 7)
    more = np.array([(c, r) for c in range(-1, 14) for r in range(9)])
    assert find_other_extent(more, IN_FRAME, LAYOUT) == (15, 9)
    # columns beyond a gap are not part of the chart
    apart = np.array([(c, r) for c in (15, 16) for r in range(9)])
    assert find_other_extent(np.concatenate([NODES, apart]), IN_FRAME, LAYOUT) is None


def test_a_disc_with_two_faults_is_counted_once():
    first, second = np.zeros(117, bool), np.zeros(117, bool)
    first[:2], second[1:3] = True, True
    good, left_out = sort_out(NODES, {"on clipped paper": first, "too dark": second}, {"outside the frame": NODES[:0]})
    assert good.sum() == 114
    assert left_out.count == 3
    assert left_out.describe() == (
        "2 discs left out, on clipped paper: (0, 0), (1, 0)",
        "1 disc left out, too dark: (2, 0)",
    )


@pytest.mark.parametrize(
    ("marks", "more", "message"),
    [
        (((5, 3), (8, 3), (5, 9)), {}, "marks: column 5, row 9 is no node of 13 x 9: count from 0"),
        (((5, 3), (8, 3), (5, 3)), {}, "marks: two lie at column 5, row 3: move or remove one"),
        (None, {"kind": "large", "large": 1.1}, "a large mark is 1.2 to 3.5 times as wide as a disc, found 1.1 times"),
        (None, {"kind": "large", "large": 3.6}, "a large mark is 1.2 to 3.5 times as wide as a disc, found 3.6 times"),
        (None, {"kind": "large", "large": 3.0, "disc": 60.0}, "a large mark must not touch the next disc"),
    ],
)
def test_a_layout_whose_marks_are_wrong_is_refused(marks, more, message):
    with pytest.raises(ValueError, match=message):
        make_layout(marks=marks, **more)


@pytest.mark.parametrize("ratio", [1.2, 3.5])
def test_large_marks_may_be_as_wide_as_the_message_says(ratio):
    assert make_layout(kind="large", disc=10.0, large=ratio).large_diameter_mm == 10 * ratio


def test_a_ramp_with_symmetric_marks_is_refused():
    board = {"columns": 9, "rows": 17, "pitch_mm": 16.0, "disc_diameter_mm": 9.0, "band_diameter_mm": 11.0}
    board |= {"name": "ramp", "ring_hole_diameter_mm": 4.0, "large_diameter_mm": 12.0, "contrast_ratio": 15.0}
    marks = tuple(Mark(column=column, row=4, kind="ring") for column in (2, 4, 6))
    with pytest.raises(ValueError, match="they look the same turned by 180 degrees"):
        RampLayout(marks=marks, **board)
