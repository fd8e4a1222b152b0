"""Scopes and gathers: members of groups, and missing members."""

from importlib import import_module

import pytest

from glasswright.intake.checksums import hash_file
from glasswright.ledger.records import ShotUse
from support.night_bench import shots_of

HEAD = """\
plan: toy
settings: {focal_length_mm: [50], f_number: [2, 4]}
stages:
  read_chart: {stage: toy.read_numbers, inputs: {shot: role.chart}}
  average_chart: {stage: toy.average, inputs: {numbers: read_chart, stand: stand.toy}}
"""
ONE_EACH = {"chart/f2_0.txt": "20", "chart/f2_1.txt": "22", "chart/f4_0.txt": "30"}


def run(bench, capsys, plan, expected=0, *options):
    bench.write("plan.yaml", HEAD + plan)
    code, summary = bench.run(capsys, "--serial", *options)
    assert code == expected, summary
    return bench.outcomes()


def value(bench, step, thing, path="mean_dn"):
    ticket, _, where = thing.partition(" ")
    with bench.ledger() as ledger:
        (state,) = ledger.latest_tickets([ticket])
        (kept,) = [
            each for each in state.outcomes if each.step == step and (each.shot or str(each.setting or "")) == where
        ]
        return kept.measured[path].value


@pytest.mark.parametrize(
    ("per", "thing", "members", "mean"),
    [("setting", "T-0001 50 mm f/2", 2, 22.0), ("ticket", "T-0001", 3, 25.0)],
)
def test_a_gather_takes_the_members_of_its_group(bench, capsys, per, thing, members, mean):
    bench.add_ticket(1, ONE_EACH)
    bench.add_ticket(2)
    run(bench, capsys, f"  combine: {{stage: toy.combine, inputs: {{means: average_chart}}, per: {per}}}\n")
    # the stand's offset of 1 DN is on every mean
    assert value(bench, "combine", thing) == mean
    assert value(bench, "combine", thing, "members_count") == members


def test_a_gather_of_the_night_takes_every_ticket_and_its_value_comes_back_to_each(bench, capsys, monkeypatch):
    bench.add_ticket(1, ONE_EACH)
    bench.add_ticket(2, {"chart/f2_0.txt": "40", "chart/f4_0.txt": "50"})
    plan = """\
  combine: {stage: toy.combine, inputs: {means: average_chart}, per: ticket}
  combine_night: {stage: toy.combine_all, inputs: {combined: combine}, per: night}
  compare: {stage: toy.compare, inputs: {own: combine, whole: combine_night}}
  gather_again: {stage: toy.combine_all, inputs: {combined: compare}, per: night}
"""
    read = []
    monkeypatch.setattr("glasswright.intake.index.hash_file", lambda path: read.append(path) or hash_file(path))
    run(bench, capsys, plan)
    assert len(read) == len(set(read)) == 5  # the later rounds read no file again
    means = [25.0, 46.0]
    night = sum(means) / 2
    assert value(bench, "compare", "T-0001") == 25.0 / night
    assert value(bench, "compare", "T-0002") == 46.0 / night
    with bench.ledger() as ledger:
        rows = ledger.database.rows("SELECT step, address FROM outcome WHERE ticket = ''")
        found = {step: ledger.load_artefact(address).mean_dn for step, address in rows}
    assert found == {"combine_night": night, "gather_again": (25.0 / night + 46.0 / night) / 2}
    before = bench.content()
    _, summary = bench.run(capsys, "--serial")
    assert summary["measured"] == 0
    assert summary["night_wide"]["found"] == 2
    assert bench.content() == before
    _, summary = bench.run(capsys, "--workers", "1", ledger="dask.ledger")
    assert bench.content("dask.ledger") == before


def test_a_step_of_the_night_counts_the_shots_of_every_ticket_and_says_which_results_it_lacks(bench, capsys):
    bench.add_ticket(1, {"chart/f2_0.txt": "20", "chart/f4_0.txt": "blank"})
    bench.add_ticket(2, {"chart/f2_0.txt": "22"})
    plan = """\
  all: {stage: toy.combine, inputs: {means: average_chart}, per: night}
  shots: {stage: toy.count_shots, inputs: {shots: role.chart}, per: night}
"""
    bench.write("plan.yaml", HEAD + plan)
    code, summary = bench.run(capsys, "--serial")
    assert code == 13
    (refused,) = summary["night_wide"]["refusals"]
    assert (refused["step"], refused["status"]) == ("all", "skipped")
    assert refused["reason"].startswith("`means` has 2 of the 3 it needs because read_chart of ")
    with bench.ledger() as ledger:
        ((address,),) = ledger.database.rows("SELECT address FROM outcome WHERE ticket = '' AND step = 'shots'")
        assert ledger.load_artefact(address).members_count == 3


def test_shots_themselves_can_be_gathered_and_a_ticket_measured_without_shots(bench, capsys):
    bench.add_ticket(1, ONE_EACH)
    plan = """\
  count: {stage: toy.count_shots, inputs: {shots: role.chart}, per: setting}
  remark: {stage: toy.read_ticket, inputs: {ticket: ticket}}
"""
    outcomes = run(bench, capsys, plan)
    assert value(bench, "count", "T-0001 50 mm f/2", "members_count") == 2
    assert outcomes["remark", "T-0001"] == ("done", "")


def test_a_planned_setting_that_was_not_shot_is_skipped_with_the_reason(bench, capsys):
    bench.add_ticket(1, {"chart/f2_0.txt": "20"})
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: setting}\n"
    outcomes = run(bench, capsys, plan)
    assert outcomes["combine", "T-0001 50 mm f/2"] == ("done", "")
    assert outcomes["combine", "T-0001 50 mm f/4"] == ("skipped", "no chart shot at 50 mm f/4")


@pytest.mark.parametrize(
    ("at_least", "status"), [("", "skipped"), (", at_least: 3", "done"), (", at_least: 4", "skipped")]
)
def test_an_odd_shot_is_named_and_counts_as_missing(bench, capsys, at_least, status):
    shots = {f"chart/f2_{number}.txt": f"{20 + number}" for number in range(3)} | {"chart/f2_3.txt": "200"}
    bench.add_ticket(1, shots)
    plan = f"  combine: {{stage: toy.combine, inputs: {{means: average_chart}}, per: setting{at_least}}}\n"
    bench.write("plan.yaml", HEAD + plan)
    code, summary = bench.run(capsys, "--serial")
    found, reason = bench.outcomes()["combine", "T-0001 50 mm f/2"]
    assert found == status
    odd = "average_chart of chart/f2_3.txt (201 DN where the others are about 22.5)"
    if status == "done":
        assert value(bench, "combine", "T-0001 50 mm f/2") == 22.0
        assert code == 13
        assert summary["tickets"][0]["reshoot"] == [
            {"what": "50 mm f/2", "reason": f"left out as an outlier: {odd}", "lost": True}
        ]
    else:
        assert reason == f"`means` has 3 of the 4 it needs because {odd} is an outlier"


def test_of_two_members_none_is_odd(bench, capsys):
    bench.add_ticket(1, {"chart/f2_0.txt": "20", "chart/f2_1.txt": "200"})
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: setting}\n"
    assert run(bench, capsys, plan)["combine", "T-0001 50 mm f/2"] == ("done", "")


@pytest.mark.parametrize(
    ("at_least", "expected"),
    [
        (
            1,
            (
                "skipped",
                "`series` has 0 of the 1 it needs because read_series of focus_series/f2_0.txt is unmeasurable",
            ),
        ),
        (0, ("done", "made without read_series of focus_series/f2_0.txt is unmeasurable: the file holds no numbers")),
    ],
)
def test_a_step_may_omit_optional_inputs(bench, capsys, at_least, expected):
    bench.add_ticket(1, {**ONE_EACH, "focus_series/f2_0.txt": "blank"})
    plan = """\
  read_series: {stage: toy.read_numbers, inputs: {shot: role.focus_series}}
  average_series: {stage: toy.average, inputs: {numbers: read_series, stand: stand.toy}}
  combine: {stage: toy.combine, inputs: {means: average_chart, series: average_series}, per: ticket, at_least: LEAST}
""".replace("LEAST", str(at_least))
    status, reason = run(bench, capsys, plan, 13)["combine", "T-0001"]
    with bench.ledger() as ledger:
        (state,) = ledger.latest_tickets(["T-0001"])
        (kept,) = (each for each in state.outcomes if each.step == "combine")
    notes = kept.notes
    # so that a limit on it is REVIEW at best
    assert ("made_without" in kept.caveats) is (at_least == 0)
    assert status == expected[0]
    assert any(text.startswith(expected[1]) for text in (reason, *notes)), (reason, notes)


def test_no_step_may_omit_required_inputs(bench, capsys):
    bench.add_ticket(1, {"chart/f2_0.txt": "blank", "chart/f4_0.txt": "blank"})
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: ticket, at_least: 0}\n"
    status, reason = run(bench, capsys, plan, 13)["combine", "T-0001"]
    assert (status, reason.split(" because ")[0]) == ("skipped", "`means` has 0 of the 1 it needs")


def test_omitted_shots_are_named_with_a_caveat_where_declared(bench, capsys, monkeypatch):
    bench.add_ticket(1, {**ONE_EACH, "chart/f2_1.txt": "blank"})
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: setting, at_least: 1}\n"
    run(bench, capsys, plan, 13)
    monkeypatch.setattr(import_module("glasswright_toy").Mean, "left_out_caveat", "means_left_out")
    bench.run(capsys, "--serial", ledger="asked.ledger")
    for name, caveats in (("bench.ledger", ()), ("asked.ledger", ("means_left_out",))):
        with bench.ledger(name) as ledger:
            (state,) = ledger.latest_tickets(["T-0001"])
        combined = {str(each.setting): each for each in state.outcomes if each.step == "combine"}
        assert combined["50 mm f/2"].notes == (
            "left out: read_chart of chart/f2_1.txt is unmeasurable: the file holds no numbers",
        )
        assert combined["50 mm f/2"].caveats == (*caveats, "unverified_copy")
        assert (combined["50 mm f/4"].notes, combined["50 mm f/4"].caveats) == ((), ("unverified_copy",))


EVEN = """\
  read_panel: {stage: toy.read_numbers, inputs: {shot: role.panel}}
  average_panel: {stage: toy.average, inputs: {numbers: read_panel, stand: stand.toy}}
  combine_panel: {stage: toy.combine, inputs: {means: average_panel}, per: setting}
  even_chart: {stage: toy.average, inputs: {numbers: read_chart, stand: stand.toy, even: combine_panel}}
"""


def test_an_optional_input_is_none_if_the_ticket_has_no_such_shot(bench, capsys):
    bench.add_ticket(1, ONE_EACH)
    outcomes = run(bench, capsys, EVEN)
    assert value(bench, "even_chart", "T-0001 chart/f4_0.txt") == 31.0
    assert outcomes["combine_panel", "T-0001 50 mm f/2"] == ("skipped", "no panel shot at 50 mm f/2")


def test_an_optional_input_that_failed_skips_its_step(bench, capsys):
    bench.add_ticket(1, {**ONE_EACH, "panel/f2_0.txt": "blank", "panel/f4_0.txt": "9"})
    outcomes = run(bench, capsys, EVEN, 13)
    assert value(bench, "even_chart", "T-0001 chart/f4_0.txt") == 3.1
    status, reason = outcomes["even_chart", "T-0001 chart/f2_0.txt"]
    assert status == "skipped"
    assert reason == "`even` is missing because read_panel of panel/f2_0.txt is unmeasurable: the file holds no numbers"


def test_an_optional_single_input_shot_at_other_settings_only_is_missing_not_none(bench, capsys):
    bench.add_ticket(1, {**ONE_EACH, "panel/f4_0.txt": "9"})
    outcomes = run(bench, capsys, EVEN)
    assert outcomes["even_chart", "T-0001 chart/f2_0.txt"] == (
        "skipped",
        "`even` is missing because no panel shot at 50 mm f/2",
    )


SERIES = """\
  read_series: {stage: toy.read_numbers, inputs: {shot: role.focus_series}}
  average_series: {stage: toy.average, inputs: {numbers: read_series, stand: stand.toy}}
  combine: {stage: toy.combine, inputs: {means: average_chart, series: average_series}, per: setting}
"""


def test_an_optional_gather_is_none_at_the_settings_it_was_not_shot_at(bench, capsys):
    bench.add_ticket(1, {**ONE_EACH, "focus_series/f2_0.txt": "41", "focus_series/f2_1.txt": "43"})
    run(bench, capsys, SERIES)
    assert value(bench, "combine", "T-0001 50 mm f/2", "members_count") == 4
    assert value(bench, "combine", "T-0001 50 mm f/4", "members_count") == 1


def test_an_optional_gather_of_results_is_none_at_planned_settings_it_was_not_shot_at(bench, capsys):
    bench.add_ticket(1, {**ONE_EACH, "focus_series/f2_0.txt": "41"})
    plan = (
        SERIES.replace("combine: {", "peak: {").replace("average_chart, series: ", "")
        + """\
  both: {stage: toy.combine_peaks, inputs: {means: average_chart, peaks: peak}, per: setting}
"""
    )
    outcomes = run(bench, capsys, plan)
    assert outcomes["peak", "T-0001 50 mm f/4"] == ("skipped", "no focus_series shot at 50 mm f/4")
    assert value(bench, "both", "T-0001 50 mm f/2", "members_count") == 3
    assert value(bench, "both", "T-0001 50 mm f/4", "members_count") == 1


def test_an_optional_gather_whose_shots_failed_is_not_none(bench, capsys):
    bench.add_ticket(1, {**ONE_EACH, "focus_series/f2_0.txt": "41", "focus_series/f2_1.txt": "blank"})
    status, reason = run(bench, capsys, SERIES, 13)["combine", "T-0001 50 mm f/2"]
    assert status == "skipped"
    assert reason == (
        "`series` has 1 of the 2 it needs because read_series of focus_series/f2_1.txt is unmeasurable: "
        "the file holds no numbers"
    )


def test_a_shot_that_sums_refuse_is_unmeasurable_and_an_absent_one_is_missing_from_its_gather(bench, capsys):
    folder = bench.add_ticket(1, ONE_EACH)
    (folder / "SHA256SUMS").write_text(f"{'0' * 64}  chart/f2_0.txt\n{'1' * 64}  chart/f4_9.txt\n")
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: setting}\n"
    outcomes = run(bench, capsys, plan, 13)
    status, reason = outcomes["read_chart", "T-0001 chart/f2_0.txt"]
    assert status == "unmeasurable"
    assert reason.startswith("SHA256SUMS says 000000000000..., the file has ")
    status, reason = outcomes["combine", "T-0001 50 mm f/4"]
    assert status == "skipped"
    assert reason == (
        "`means` has 1 of the 2 it needs because read_chart of chart/f4_9.txt is unmeasurable: "
        "listed in SHA256SUMS, but the file is not there: copy it again"
    )
    with bench.ledger() as ledger:
        (state,) = ledger.latest_tickets()
    uses = {each.name: each.use for each in state.record.shots}
    assert (uses.pop("chart/f2_0.txt"), uses.pop("chart/f4_9.txt")) == (ShotUse.REJECTED, ShotUse.ABSENT)
    assert set(uses.values()) == {ShotUse.MEASURED}


def test_an_absent_file_of_unknown_setting_is_missing_from_every_gather_of_its_role(bench, capsys):
    folder = bench.add_ticket(1, ONE_EACH)
    (folder / "SHA256SUMS").write_text(f"{'1' * 64}  chart/zz.txt\n")
    plan = "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: setting}\n"
    outcomes = run(bench, capsys, plan, 13)
    for stop in (2, 4):
        status, reason = outcomes["combine", f"T-0001 50 mm f/{stop}"]
        assert status == "skipped"
        assert "chart/zz.txt" in reason


def test_a_result_of_another_class_than_declared_is_a_crash(bench, capsys):
    bench.add_ticket(1, ONE_EACH)
    outcomes = run(bench, capsys, "  lie: {stage: toy.lie, inputs: {means: average_chart}, per: ticket}\n", 13)
    assert outcomes["lie", "T-0001"] == ("crashed", "toy.lie returned Mean, not Combined as its signature says")


def test_caveats_travel_to_everything_downstream(bench, capsys):
    bench.add_ticket(1, shots_of(1))
    run(bench, capsys, "  combine: {stage: toy.combine, inputs: {means: average_chart}, per: ticket}\n")
    with bench.ledger() as ledger:
        (state,) = ledger.latest_tickets(["T-0001"])
    # the bulk itself is not kept, but its caveats are
    assert {each.caveats for each in state.outcomes} == {("unverified_copy",)}


def test_two_focus_distances_take_the_flat_that_was_shot_once(bench, capsys):
    folder = bench.add_ticket(1, {**ONE_EACH, "panel/f2_0.txt": "9", "panel/f4_0.txt": "9 9"})
    text = (folder / "ticket.yaml").read_text()
    (folder / "ticket.yaml").write_text(text + '  - {files: "chart/f2_1*", focus_distance_m: 1.5}\n')
    run(bench, capsys, EVEN + "  combine: {stage: toy.combine, inputs: {means: even_chart}, per: setting}\n")
    assert value(bench, "combine", "T-0001 50 mm f/2 at 1.5 m") == 2.3
    assert value(bench, "combine", "T-0001 50 mm f/2") == 2.1
