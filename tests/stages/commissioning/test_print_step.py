"""A print is commissioned from rehearsed raw files: nodes, heights, and distortion without its errors."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import yaml
from click.testing import CliRunner

from glasswright import Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera import measure_distortion
from glasswright_camera.chart.pose import to_lattice
from glasswright_camera.commissioning.command import commission
from glasswright_camera.commissioning.print_geometry import ShotCentres
from glasswright_camera.commissioning.print_step import (
    commission_print,
    fill_unknown,
    find_known,
    list_design,
    trace_shot,
)
from glasswright_camera.commissioning.shots import list_shots
from glasswright_camera.stand import ChartLayout, Mark, Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.print_shots import write_print_shots
from glasswright_rehearsal.scene.layout import list_designed_nodes
from glasswright_rehearsal.scene.printing import PrintErrors, draw_print
from support.print_world import align

TODAY = date(2026, 3, 3)
HEIGHTS = np.array([0.3, 0.6, 0.9])
CHART = {
    "name": "lattice_9x7", "columns": 9, "rows": 7, "pitch_mm": 150.0, "disc_diameter_mm": 60.0,
    "marks": [{"column": 3, "row": 2, "kind": "ring"}, {"column": 6, "row": 2, "kind": "ring"},
              {"column": 3, "row": 4, "kind": "ring"}],
    "ring_hole_diameter_mm": 24.0, "large_diameter_mm": 84.0, "contrast_ratio": 15.0,
}  # fmt: skip
LAYOUT = ChartLayout(
    **{**CHART, "marks": tuple(Mark(**mark) for mark in CHART["marks"])}  # type: ignore[arg-type]
)
MEGAPIXELS, PITCH_UM = 0.5, 41.0
"""Few large pixels: the field of a 36 mm sensor, without which heights are poorly determined."""


def read_stand(path):
    stand, problems = check(scan_yaml(path), Stand, "camera")
    assert problems == ()
    return stand


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("print")
    source = folder / "source"
    (source / "charts").mkdir(parents=True)
    (source / "stands").mkdir()
    (source / "charts" / "lattice_9x7.yaml").write_text(yaml.safe_dump(CHART))
    data = yaml.safe_load(find_shipped("glasswright_camera", "stands", "north_bench.yaml").read_text(encoding="utf-8"))
    data["camera"] = {
        "sensor": {"pixel_pitch_um": PITCH_UM},
        "charts": [{"layout": "../charts/lattice_9x7.yaml"}],
    }
    (source / "stands" / "small.yaml").write_text(yaml.safe_dump(data))
    bench = open_bench(source / "stands" / "small.yaml", folder, MEGAPIXELS, seed=2)
    printed = draw_print(bench.layout, PrintErrors(bow_mm=1.2), bench.draw(9))
    write_print_shots(replace(bench, printed=printed))
    return folder, folder / "stands" / "small.yaml"


@pytest.fixture(scope="module")
def measured(rehearsed):
    """The stand before and after the command wrote the measured layout, and its output."""
    folder, path = rehearsed
    before = read_stand(path)
    result = CliRunner().invoke(commission, ["print", str(path), str(folder), "--by", "K. Moreau", "--yes"])
    assert result.exit_code == 0, result.output
    assert f"written: {path}" in result.output
    return before, read_stand(path), result.output


def test_nodes_and_heights_are_those_of_the_print(rehearsed, measured):
    true = np.array(json.loads((rehearsed[0] / "truth" / "print.json").read_text())["nodes_mm"])
    layout = measured[1].charts[0].layout
    found = np.array(layout.nodes_mm)
    off = align(found, true) - true
    across, down, height = np.sqrt(np.mean(off**2, axis=0)) / layout.pitch_mm
    # of a pitch of 60 mm: 2 um and 6 um
    assert max(across, down) < 2 / 60_000
    assert height < 6 / 60_000
    # the size is that of the rule, which is read to 0.1 of 8 x 60 mm
    assert np.ptp(found[:, 0]) / np.ptp(true[:, 0]) == pytest.approx(1, abs=3 * 0.1 / 480)
    assert "shoot more" not in measured[2]


def test_wander_and_bow_are_those_of_the_print(rehearsed, measured):
    true = np.array(json.loads((rehearsed[0] / "truth" / "print.json").read_text())["nodes_mm"])
    flat, design = true - true.mean(axis=0), list_design(measured[1].charts[0].layout)
    stretched = np.column_stack([design, np.ones(len(design))])
    wander = flat[:, :2] - stretched @ np.linalg.lstsq(stretched, flat[:, :2], rcond=None)[0]
    values = yaml.safe_load(rehearsed[1].read_text())["constants"]["print"]["values"]
    assert values["wander_mm"]["value"] == pytest.approx(np.sqrt(np.mean(wander**2)), rel=0.1)
    assert values["bow_mm"]["value"] == pytest.approx(flat[:, 2].std(), rel=0.05)
    assert "shot with body Ostrel D7; the print is valid for every body" in measured[2]


def test_distortion_is_without_the_errors_of_the_print(rehearsed, measured):
    folder, _ = rehearsed
    truth = json.loads((folder / "truth" / "print.json").read_text())
    first = list_shots(folder / "print" / "mounting_1", "chart")[0]
    off, u = [], []
    for stand in measured[:2]:
        found = measure_distortion((trace_shot(first, stand),), stand)
        radial, radial_u = (
            np.interp(HEIGHTS, found.curve_height_frac, curve)
            for curve in (found.curve_radial_pct, found.curve_radial_pct_u)
        )
        off.append(np.abs(radial - 100 * (truth["k1"] * HEIGHTS**2 + truth["k2"] * HEIGHTS**4)).max())
        u.append(radial_u.max())
    assert off[0] > 0.02
    assert off[1] < 0.01
    assert off[1] < 3 * u[1]
    assert u[1] < 0.005


def test_a_node_outside_the_lattice_has_its_designed_place(measured):
    layout = measured[1].charts[0].layout
    flat = replace(layout, nodes_mm=())
    outside = np.array([[-1, 0], [layout.columns, 3]])
    assert np.array_equal(to_lattice(outside, layout), to_lattice(outside, flat))
    assert not np.array_equal(to_lattice(np.array([[2, 3]]), layout), to_lattice(np.array([[2, 3]]), flat))


def test_measured_nodes_of_another_print_are_refused():
    nodes = tuple((float(x), float(y), 0.0) for x, y in list_design(LAYOUT))
    with pytest.raises(ValueError, match="62 nodes, but the lattice has 9 x 7: measure the print again"):
        replace(LAYOUT, nodes_mm=nodes[1:])
    moved = ((nodes[0][0] + LAYOUT.pitch_mm, *nodes[0][1:]), *nodes[1:])
    with pytest.raises(ValueError, match=r"column 0, row 0 is 150\.00 mm off its designed place"):
        replace(LAYOUT, nodes_mm=moved)


def test_the_designed_nodes_are_the_same_in_both_packages():
    drawn = list_designed_nodes(LAYOUT)  # type: ignore[arg-type]
    assert np.allclose(drawn[:, :2], list_design(LAYOUT))


def test_a_mark_is_placed_between_its_neighbours():
    design = np.column_stack([list_design(LAYOUT), np.zeros(63)])
    stretched = design * [1.002, 0.999, 1.0] + [0.0, 0.0, 0.5]
    known = np.ones(63, bool)
    known[[21, 24]] = False
    assert np.abs(fill_unknown(stretched[known], known, LAYOUT) - stretched).max() < 0.2 * 0.002 * 150 * 4


def test_a_disc_that_most_shots_lack_is_refused():
    nodes = np.arange(63)
    shots = [ShotCentres(mounting=0, node=nodes[k:], place=np.zeros((63 - k, 2)), u=np.ones((63 - k, 2)))
             for k in (0, 0, 1, 1)]  # fmt: skip
    with pytest.raises(Unmeasurable, match=r"1 discs \(first: column 0, row 0\) are in fewer than 3 shots"):
        find_known(shots, LAYOUT)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{from: [0, 3], to: [9, 3], length_mm: 1200, length_u_mm: 0.1}", "column 9, row 3 is no node of 9 x 7"),
        ("{from: [0, 3], to: [0, 3], length_mm: 1200, length_u_mm: 0.1}", "are the same node"),
        ("{from: [3, 2], to: [8, 2], length_mm: 1200, length_u_mm: 0.1}", "is a mark: choose two plain discs"),
        (None, "shots do not determine the print's size, so lay a steel rule"),
    ],
)
def test_a_missing_or_wrong_reading_of_the_rule_is_refused(tmp_path, rehearsed, text, message):
    (tmp_path / "mounting_1").mkdir()
    if text is not None:
        (tmp_path / "rule.yaml").write_text(text)
    with pytest.raises(Unmeasurable, match=message):
        commission_print(tmp_path, read_stand(rehearsed[1]), TODAY)
