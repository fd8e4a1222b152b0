"""A rehearsed night of the reference lens: the plan measures every monitored field."""

import json

import pytest

from glasswright.commands.main import run_command

WATCH = """
watch:
  baseline: {from: 2026-02-01, to: 2026-03-31}
  fields:
    measure_mtf50.green.centre.mean_cy_per_px: {at: {f_number: 5.6}}
    locate_chart.rotation_deg: {at: {f_number: 5.6}}
    locate_chart.magnification_frac: {at: {f_number: 5.6}}
    reduce_flat.median_light_frac: {at: {f_number: 5.6}}
    combine_darks.black_error_dn: {}
    measure_gain.white_count: {at: {f_number: 5.6}}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reference")
    options = ["--tickets", "1", "--megapixels", "1", "--seed", "5", "--fault", "none", "--f-number", "5.6"]
    assert run_command(["rehearse", str(folder), *options, "--flats-per-setting", "2", "--dark"]) == 0
    stand = folder / "stands" / "north_bench.yaml"
    stand.write_text(stand.read_text() + WATCH)
    (ticket,) = (folder / "tickets").glob("*/ticket.yaml")
    ticket.write_text(ticket.read_text().replace("phase: release", "phase: reference"))
    arguments = ["--stand", str(stand), "--tickets", str(folder / "tickets"), "--ledger", str(folder / "l.ledger")]
    assert run_command(["run", "configs/plans/reference.yaml", *arguments, "--serial"]) == 0
    return folder


def test_every_watched_field_has_a_point(night, capsys):
    files = ["--ledger", str(night / "l.ledger"), "--stand", str(night / "stands" / "north_bench.yaml")]
    capsys.readouterr()
    assert run_command(["watch", *files, "--night", "2026-03-01", "--json"]) == 11
    report = json.loads(capsys.readouterr().out)
    points = {chart["measure"]: chart["points"][0] for chart in report["charts"]}
    assert {point["night"] for point in points.values()} == {
        "2026-03-01"
    }  # the rehearsed camera's clock is just past midnight
    assert [name for name, point in points.items() if point["value"] is None] == []
    assert len(points) == 6
    assert all(
        "the baseline has 1 night with a value; at least 8 are needed" in reason
        for reason in report["out_of_control"]["Ostrel D7"]
    )
    assert report["rehearsed"]
    # electrons at white of the rehearsed body
    assert points["measure_gain.white_count"]["value"] == pytest.approx(45_000, rel=0.1)
