"""A limit is valid for results of its card's plan; any other is UNKNOWN, with the difference named."""

import json
import re

import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_plan
from glasswright.config.plan.method import describe_method, method_text
from glasswright.config.schema.plugins import load_plugins
from glasswright.judging.cards import load_cards
from glasswright.judging.method import why_made_otherwise
from support import ROOT
from support.ledger_tampering import tamper
from support.night_bench import ADOPTED, CARD, PLAN

BOUND = "combine_chart.mean_dn at f/2: not made as the card's plan `toy` makes it: "


@pytest.fixture
def gate(bench, capsys):
    """Measure a ticket by a plan, judge it by a card, and return the gate's code and output."""
    bench.add_ticket(1, shots_of_three_repeats())

    def ask(plan=PLAN, card=CARD, afresh=False):
        bench.write("plan.yaml", plan)
        bench.write("cards/corvane.yaml", card)
        judging = ("--cards", str(bench.folder / "cards"))
        code, _ = bench.run(capsys, "--serial", *judging)
        assert code in (0, 13)
        more = (*judging, "--stand", str(bench.folder / "stand.yaml")) if afresh else ()
        code = run_command(["gate", "T-0001", "--ledger", str(bench.folder / "bench.ledger"), *more])
        return code, capsys.readouterr().out

    return ask


def shots_of_three_repeats():
    return {
        f"{role}/f{stop}_{repeat}.txt": f"{base}.{stop}{repeat} {base + 2}"
        for role, base in (("flat", 10), ("chart", 20), ("panel", 12))
        for stop in (2, 4)
        for repeat in range(3)
    }


PANELS = """\
  read_panel: {stage: toy.read_numbers, inputs: {shot: role.panel}}
  average_panel: {stage: toy.average, inputs: {numbers: read_panel, stand: stand.toy}}
  combine_panel: {stage: toy.combine, inputs: {means: average_panel}, per: setting}
"""
COMBINED = "combine_chart: {stage: toy.combine, inputs: {means: average_chart}, per: setting, at_least: 2}"
OTHERWISE = {
    "a setting": (
        ("inputs: {means: average_chart}", "settings: {weight_ratio: 0.01}, inputs: {means: average_chart}"),
        "`combine_chart.weight_ratio` is 0.01, the card's plan has 1",
    ),
    "a setting upstream": (
        ("read_chart: {stage", "read_chart: {settings: {scale_ratio: 1000000}, stage"),
        "`read_chart.scale_ratio` is 1000000, the card's plan has 1",
    ),
    "a setting of what is upstream of an input beside the shots": (
        ("average_flat: {stage", "average_flat: {settings: {shift_dn: 7}, stage"),
        "`average_flat.shift_dn` is 7, the card's plan has 0",
    ),
    "without the flat": (
        (", even: combine_flat", ""),
        "input `even` of `average_chart` takes nothing, in the card's plan `combine_flat`",
    ),
    "the stand's own section wired as another role": (
        ("inputs: {shot: role.chart}", "inputs: {shot: role.panel}"),
        "input `shot` of `read_chart` takes `role.panel`, in the card's plan `role.chart`",
    ),
    "another step as input": (
        ("even: combine_flat", "even: combine_panel"),
        "input `shot` of `read_panel` takes `role.panel`, in the card's plan `role.flat`",
    ),
    "one more input": (
        ("inputs: {means: average_chart}", "inputs: {means: average_chart, series: average_chart}"),
        "input `series` of `combine_chart` takes `average_chart`, in the card's plan nothing",
    ),
    "a step of that name with another stage": (
        (COMBINED, "combine_chart: {stage: toy.compare, inputs: {own: combine_flat, whole: combine_flat}}"),
        "`combine_chart` is made by `toy.compare`, in the card's plan by `toy.combine`",
    ),
    "fewer members": (
        ("at_least: 2", "at_least: 1"),
        "`combine_chart` needs at least 1, in the card's plan 2",
    ),
    "any member upstream": (
        ("inputs: {means: average_flat}, per: setting", "inputs: {means: average_flat}, per: setting, at_least: 0"),
        "`combine_flat` needs at least 0, in the card's plan all members",
    ),
}


@pytest.mark.parametrize("name", OTHERWISE)
def test_a_result_of_another_plan_is_unknown_and_the_difference_named(gate, name):
    (old, new), difference = OTHERWISE[name]
    plan = PLAN.replace(old, new) + PANELS
    assert plan != PLAN + PANELS
    assert gate()[0] == 0
    for afresh in (False, True):
        code, out = gate(plan, afresh=afresh)
        assert (code, out.splitlines()[0]) == (12, "T-0001: INCOMPLETE")
        assert f"  - {BOUND}{difference}\n" in out, out
    assert gate()[0] == 0


def test_a_plan_with_another_gathering_is_another_plan(gate):
    code, out = gate(PLAN.replace("{means: average_flat}, per: setting", "{means: average_flat}, per: ticket"))
    assert code == 12
    assert f"{BOUND}`combine_flat` gathers per ticket, in the card's plan per setting" in out


def test_a_plan_that_leaves_out_shots_is_another_plan(gate):
    code, out = gate(PLAN.replace("f_number: [2, 4]", "f_number: [2]"))
    assert code == 12
    assert "shots at f_number 2 alone are taken, in the card's plan 2, 4" in out
    card = CARD.replace("  settings: {focal_length_mm: [50], f_number: [2, 4]}\n", "")
    code, out = gate(card=card)
    assert code == 12
    assert "shots at focal_length_mm 50 alone are taken, in the card's plan any" in out


def swap_blocks(plan):
    head, *steps = re.split(r"(?m)^(?=  \w+:(?! \[))", plan.partition("stages:\n")[2])
    assert head == ""
    return plan.partition("stages:\n")[0] + "stages:\n" + "".join(reversed(steps))


SAME = {
    "a comment": PLAN.replace("stages:\n", "stages:\n  # how it is measured\n"),
    "another order": swap_blocks(PLAN),
    "defaults written out": PLAN.replace(
        "{means: average_chart}", "{means: average_chart}, settings: {weight_ratio: 1}"
    ),
    "an unrelated stage more": PLAN + PANELS,
    "an unrelated stage less": re.sub(r"  combine_ticket: .*\n", "", PLAN),
    "an unrelated stage changed": PLAN + PANELS.replace("per: setting", "per: setting, at_least: 1"),
    "another name": PLAN.replace("plan: toy", "plan: new_toy"),
    "other names of steps upstream": PLAN.replace("read_chart", "open_chart").replace("combine_flat", "join_flats"),
    "more settings listed": PLAN.replace("f_number: [2, 4]", "f_number: [2, 4, 8]"),
}


@pytest.mark.parametrize("name", SAME)
def test_a_change_without_effect_on_results_needs_no_adoption(gate, name):
    assert SAME[name] != PLAN
    code, out = gate(SAME[name])
    assert code == 0, out


def test_the_gate_prints_plan_card_and_stand(gate):
    _, out = gate()
    short = r"\([0-9a-f]{12}\)"
    assert re.search(rf"\n  measured by plan `toy` {short}\n", out)
    assert re.search(rf"\n  by card `Corvane 50 mm f/2` {short} and stand file `toy-bench` {short}\n", out)
    assert "of the program" not in out


def test_another_version_of_the_program_is_named_and_accepted(gate, monkeypatch):
    monkeypatch.setattr("glasswright.ledger.records.version", lambda _: "0.0.1")
    code, out = gate()
    assert code == 0
    assert "  note: measured by version 0.0.1 of the program (this is " in out


def test_a_card_without_a_plan_passes_nothing_and_check_says_so(gate, bench, capsys):
    code, out = gate(card=CARD.replace(ADOPTED, ""))
    assert (code, out.splitlines()[0]) == (12, "T-0001: INCOMPLETE")
    assert "the card has no plan, so its limits apply to no number: run `glasswright adopt`" in out
    words = ["check", str(bench.folder / "plan.yaml"), "--cards", str(bench.folder / "cards")]
    assert run_command(words) == 0
    assert "corvane.yaml:1: the card has no plan" in capsys.readouterr().err


def test_a_card_that_leaves_out_steps_upstream_passes_nothing(gate):
    code, out = gate(card=re.sub(r"    read_chart: .*\n", "", CARD))
    assert code == 12
    assert "the card's plan does not say how `read_chart` is made" in out


def adopt(bench, *lenses, by="K. Moreau", why="thicker glass"):
    words = [str(bench.folder / "plan.yaml"), *lenses, "--cards", str(bench.folder / "cards"), "--by", by, "--why", why]
    return run_command(["adopt", *words])


def test_adopting_a_changed_plan_is_recorded_and_then_it_passes(gate, bench, capsys):
    bare = "# Limits of the toy.\n" + CARD.replace(ADOPTED, "")
    assert gate(card=bare)[0] == 12
    assert adopt(bench, "Corvane 50 mm f/2", why="the first plan") == 0
    path = bench.folder / "cards/corvane.yaml"
    assert "corvane.yaml: plan `toy` adopted; `glasswright judge` applies it" in capsys.readouterr().out
    assert path.read_text().startswith(bare)
    assert path.read_text().count("# The method that the limits are valid for") == 1
    assert gate(card=path.read_text())[0] == 0

    changed = PLAN.replace("read_chart: {stage", "read_chart: {settings: {scale_ratio: 2}, stage")
    assert gate(changed, card=path.read_text())[0] == 12
    assert adopt(bench, "Corvane 50 mm f/2", by="B. Ozols") == 0
    difference = "`read_chart.scale_ratio` is 2, the card's plan has 1"
    assert f"  {difference}\n" in capsys.readouterr().out
    card = load_cards(bench.folder / "cards")["Corvane 50 mm f/2"].card
    assert (card.plan.by, card.plan.why) == ("B. Ozols", "thicker glass")
    (entry,) = card.history
    assert (entry.by, entry.evidence, entry.changed[1:]) == ("B. Ozols", "thicker glass", (difference,))
    assert re.fullmatch(
        r"plan `toy`, adopted by K\. Moreau on \d{4}-\d\d-\d\d \(the first plan\) -> `toy`", entry.changed[0]
    )
    assert path.read_text().startswith(bare)
    assert path.read_text().count("# The method that the limits are valid for") == 1
    assert gate(changed, card=path.read_text())[0] == 0
    before = path.read_bytes()
    assert adopt(bench, "Corvane 50 mm f/2") == 0
    assert "already has this plan: nothing was written" in capsys.readouterr().out
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("lens", "card", "message"),
    [
        ("Corvane 55 mm f/2", CARD, "there is no card for `Corvane 55 mm f/2`; did you mean `Corvane 50 mm f/2`?"),
        ("Corvane 50 mm f/2", CARD.replace("mean_dn", "median_dn"), "the plan measures no `combine_chart.median_dn`"),
        ("Corvane 50 mm f/2", CARD.replace("max: 100", "max: 1e308"), "`max` 1e+308 of `combine_chart.mean_dn` limits"),
    ],
)
def test_a_plan_that_does_not_measure_what_the_card_limits_is_not_adopted(bench, capsys, lens, card, message):
    path = bench.write("cards/corvane.yaml", card)
    assert adopt(bench, lens) == 2
    assert message in capsys.readouterr().err
    assert path.read_text() == card


def test_an_adoption_of_a_plan_needs_a_name_and_a_reason(bench, capsys):
    for words in (["--by", "K. Moreau"], ["--why", "thicker glass"]):
        plan, cards = str(bench.folder / "plan.yaml"), str(bench.folder / "cards")
        assert run_command(["adopt", plan, "Corvane 50 mm f/2", "--cards", cards, *words]) == 2
        assert "Missing option" in capsys.readouterr().err
    assert adopt(bench, "Corvane 50 mm f/2", why=" ") == 2
    assert "'--why': must not be empty" in capsys.readouterr().err


FORGERIES = {
    "its text": (
        "UPDATE document SET text = replace(text, '1.0', '9.0') WHERE kind = 'method'",
        "the method `toy` does not match its hash",
    ),
    "it is gone": ("DELETE FROM document WHERE kind = 'method'", "a document that run 1 used is missing"),
    "the ticket names another": (
        "UPDATE manifest SET record = replace(record, 'method_sha256', 'method_sha257')",
        "manifest 1 of ticket T-0001 does not match its hash",
    ),
}


@pytest.mark.parametrize("name", FORGERIES)
def test_the_method_in_the_ledger_cannot_be_forged(gate, bench, capsys, name):
    assert gate()[0] == 0
    tamper(bench.folder / "bench.ledger", FORGERIES[name][0])
    for words in (["gate", "T-0001"], ["verify"]):
        assert run_command([*words, "--ledger", str(bench.folder / "bench.ledger")]) == 21
        printed = capsys.readouterr()
        assert FORGERIES[name][1] in printed.err + printed.out or words[0] == "gate"


PLUGINS = load_plugins()
SHIPPED = (ROOT / "configs/plans/fixed_focal.yaml").read_text(encoding="utf-8")
FIND_SPOTS = "    inputs: {maps: map_spots, darks: reduce_dark, flats: combine_flats, stand: stand.camera}\n"
CHANGED = {
    "find_spots: `find_spots.sensor_glass_mm` is 1000000, the card's plan has 4": (
        FIND_SPOTS,
        FIND_SPOTS + "    settings: {sensor_glass_mm: 1000000}\n",
    ),
    "find_spots: `map_spots.least_depth_frac` is 0.5, the card's plan has 0.004": (
        "    inputs: {mosaic: decode_flat}\n  decode_dark:",
        "    inputs: {mosaic: decode_flat}\n    settings: {least_depth_frac: 0.5}\n  decode_dark:",
    ),
    "measure_mtf50: `trace_edges.least_discs_frac` is 0.01, the card's plan has 0.5": (
        "panel: combine_panels, flat: combine_flats}\n\n  decode_series:",
        "panel: combine_panels, flat: combine_flats}\n    settings: {least_discs_frac: 0.01}\n\n  decode_series:",
    ),
}


@pytest.mark.parametrize("change", CHANGED)
def test_the_shipped_card_accepts_no_result_of_a_changed_plan(tmp_path, change):
    plan = tmp_path / "plan.yaml"
    old, new = CHANGED[change]
    plan.write_text(SHIPPED.replace(old, new), encoding="utf-8")
    measured = method_text(describe_method(load_plan(plan, PLUGINS)))
    card = load_cards(ROOT / "configs/cards")["Corvane 50 mm f/2"].card
    found = {step: why_made_otherwise(card, step, measured) for step in sorted(card.steps())}
    step, _, difference = change.partition(": ")
    assert found[step] == f"not made as the card's plan `fixed_focal` makes it: {difference}"
    assert found["read_hand_checks"] == ""
    plan.write_text(SHIPPED, encoding="utf-8")
    sound = method_text(describe_method(load_plan(plan, PLUGINS)))
    assert {why_made_otherwise(card, step, sound) for step in card.steps()} == {""}


def test_a_new_setting_at_its_default_makes_no_other_plan():
    card = load_cards(ROOT / "configs/cards")["Corvane 50 mm f/2"].card
    old = describe_method(load_plan(ROOT / "configs/plans/fixed_focal.yaml", PLUGINS)).model_dump(mode="json")
    old["stages"]["map_spots"]["settings"]["new_frac"] = 0.1
    assert "`map_spots.new_frac` is 0.1, the card's plan does not set it" in why_made_otherwise(
        card, "find_spots", json.dumps(old)
    )
    old["defaults"]["map_spots"].append("new_frac")
    assert why_made_otherwise(card, "find_spots", json.dumps(old)) == ""
