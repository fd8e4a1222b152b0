"""One good plan, and a list of mutations that each break one thing."""

from types import MappingProxyType

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glasswright.config import load_plan
from glasswright.config.plan.method import MeasuredMethod, Method, find_differences
from glasswright.config.schema.plugins import PluginFailure, Plugins
from glasswright.errors import ConfigError
from glasswright.plugin.stage import Scope
from support.config_toys import GOOD_PLAN, TOYS

GARBAGE = ("9" * 399, *"[]{}:#\t\"'|>%@`", ": ", "- ", "&a ", "*a", "!!int ", "null", ".nan", "1e5", "\\0")


def load(tmp_path, text, plugins=TOYS):
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path, plugins)


def problems_of(tmp_path, text, plugins=TOYS):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text, plugins)
    assert {problem.file for problem in caught.value.problems} == {str(tmp_path / "plan.yaml")}
    return [(problem.line, problem.message) for problem in caught.value.problems]


def test_a_good_plan_is_resolved(tmp_path):
    plan = load(tmp_path, GOOD_PLAN)
    assert plan.name == "toy_plan"
    assert plan.nominal_focal_length_mm == (50.0,)
    assert plan.nominal_f_number == (2.0, 4.0)
    assert {step.name: step.scope for step in plan.steps} == {
        "open_chart": Scope.SHOT,
        "find_chart": Scope.SHOT,
        "refine_chart": Scope.SHOT,
        "average_chart": Scope.SETTING,
        "compare": Scope.SETTING,
        "survey": Scope.NIGHT,
        "open_panel": Scope.SHOT,
        "find_panel": Scope.SHOT,
        "average_panel": Scope.SETTING,
    }
    assert set(plan.chains) == {
        frozenset({"open_chart", "find_chart", "refine_chart"}),
        frozenset({"open_panel", "find_panel"}),
    }
    average = plan.step("average_chart")
    assert (average.at_least, average.role) == (2, None)
    assert plan.step("refine_chart").role == "chart"
    assert str(average.inputs["marks"]) == "refine_chart"
    assert plan.step("open_chart").settings.model_dump() == {"crop_px": 4}
    assert plan.step("find_chart").settings.model_dump() == {"darkness_frac": 0.5}
    assert plan.text == GOOD_PLAN
    assert len(plan.sha256) == 64


def test_steps_may_be_written_in_any_order_and_are_sorted(tmp_path):
    head, _, stages = GOOD_PLAN.partition("stages:\n")
    entries = ("\n" + stages).split("\n  ")
    blocks, current = [], []
    for line in entries[1:]:
        if not line.startswith(" ") and current:
            blocks.append(current)
            current = []
        current.append(line)
    blocks.append(current)
    reversed_text = (
        head + "stages:\n" + "\n".join("\n".join("  " + line.rstrip("\n") for line in block) for block in blocks[::-1])
    )
    plan = load(tmp_path, reversed_text + "\n")
    seen = set()
    for step in plan.steps:
        assert {source.name for source in step.inputs.values() if source.kind == "step"} <= seen
        seen.add(step.name)
    assert len(seen) == 9


def test_an_unused_step_is_allowed(tmp_path):
    extra = "  open_flat:\n    stage: toy.open_picture\n    inputs: {shot: role.flat, bench: stand.toy}\n"
    assert load(tmp_path, GOOD_PLAN + extra).step("open_flat").role == "flat"


def test_a_value_of_wider_scope_is_passed_to_narrower_steps(tmp_path):
    text = GOOD_PLAN.replace("marks: find_chart}", "marks: find_chart, mean: average_panel}")
    plan = load(tmp_path, text)
    assert plan.step("refine_chart").scope is Scope.SHOT
    names = [step.name for step in plan.steps]
    assert names.index("average_panel") < names.index("refine_chart")


def test_a_light_step_between_two_of_a_chain_joins_it(tmp_path):
    text = GOOD_PLAN.replace("marks: find_chart}", "marks: count_chart}") + (
        "  count_chart:\n    stage: toy.count_marks\n    inputs: {marks: find_chart}\n"
    )
    assert frozenset({"open_chart", "find_chart", "count_chart", "refine_chart"}) in load(tmp_path, text).chains


def test_a_light_step_behind_a_chain_is_a_chain_of_its_own(tmp_path):
    text = GOOD_PLAN + "  count_chart:\n    stage: toy.count_marks\n    inputs: {marks: find_chart}\n"
    assert frozenset({"count_chart"}) in load(tmp_path, text).chains


MUTATIONS = MappingProxyType(
    {
        "unknown key at the top": (
            "settings:\n  focal",
            "setings:\n  focal",
            "setings:",
            "unknown key; did you mean `settings`?",
        ),
        "no plan name": ("plan: toy_plan\n", "", "settings:", "`plan` is missing"),
        "a plan name that is no file name": (
            "plan: toy_plan",
            "plan: ../toy",
            "plan: ../toy",
            "must be usable as a file name",
        ),
        "unknown key of a step": (
            "    at_least: 2",
            "    atleast: 2",
            "atleast: 2",
            "unknown key; did you mean `at_least`?",
        ),
        "no stage": ("    stage: toy.compare_means\n", "", "compare:", "`stage` is missing"),
        "unknown stage": (
            "toy.find_marks\n    inputs: {picture: open_chart",
            "toy.find_mark\n    inputs: {picture: open_chart",
            "stage: toy.find_mark",
            "unknown stage `toy.find_mark`; did you mean `toy.find_marks`?",
        ),
        "unknown setting": (
            "      crop_px: 4",
            "      crop: 4",
            "crop: 4",
            "`stages.open_chart.settings.crop`: unknown key; did you mean `crop_px`?",
        ),
        "setting out of range": (
            "crop_px: 4",
            "crop_px: -1",
            "crop_px: -1",
            "must be greater than or equal to 0, found `-1`",
        ),
        "setting of the wrong kind": (
            "crop_px: 4",
            "crop_px: wide",
            "crop_px: wide",
            "must be a whole number, found the text `wide`",
        ),
        "setting that is half a pixel": (
            "crop_px: 4",
            "crop_px: 4.5",
            "crop_px: 4.5",
            "must be a whole number, found `4.5`",
        ),
        "a word that is no choice": (
            "method: ratio",
            "method: share",
            "settings: {method: share}",
            "must be 'ratio' or 'difference'",
        ),
        "a setting without default left out": (
            "    settings: {method: ratio}\n",
            "",
            "compare:",
            "step `compare`: `toy.compare_means` needs settings: `method`",
        ),
        "a setting without default left out of others": (
            "{method: ratio}",
            "{}",
            "settings: {}",
            "`method` is missing",
        ),
        "unknown input": (
            "{mean: average_chart}",
            "{mean: average_chart, referense: average_panel}",
            "inputs: {mean: average_chart, referense: average_panel}",
            "`toy.compare_means` has no input `referense`; did you mean `reference`?",
        ),
        "a setting among the inputs": (
            "{mean: average_chart}",
            "{mean: average_chart, method: average_panel}",
            "inputs: {mean: average_chart, method: average_panel}",
            "it is a setting: write it under `settings`",
        ),
        "an input that is not wired": (
            "{mean: average_chart}",
            "{reference: average_panel}",
            "inputs: {reference: average_panel}",
            "input `mean` of `toy.compare_means` is not wired; it takes Mean",
        ),
        "unknown step": (
            "{mean: average_chart}",
            "{mean: average_chat}",
            "inputs: {mean: average_chat}",
            "did you mean `average_chart`?",
        ),
        "unknown role": (
            "role.panel",
            "role.pannel",
            "inputs: {shot: role.pannel, bench: stand.toy}",
            "unknown role `pannel`; did you mean `panel`?",
        ),
        "unknown stand section": (
            "{shot: role.panel, bench: stand.toy}",
            "{shot: role.panel, bench: stand.toi}",
            "inputs: {shot: role.panel, bench: stand.toi}",
            "no plugin has a stand section `toi`; did you mean `toy`?",
        ),
        "wrong type": (
            "{mean: average_chart}",
            "{mean: find_chart}",
            "inputs: {mean: find_chart}",
            "input `mean` takes Mean, but `find_chart` gives Marks",
        ),
        "shots where marks belong": (
            "{marks: find_panel,",
            "{marks: role.panel,",
            "inputs: {marks: role.panel, ticket: ticket}",
            "takes Marks, but `role.panel`",
        ),
        "the ticket where a shot belongs": (
            "{shot: role.panel",
            "{shot: ticket",
            "inputs: {shot: ticket, bench: stand.toy}",
            "takes Shot, but `ticket` gives",
        ),
        "a cycle": (
            "{picture: open_chart, marks: find_chart}",
            "{picture: open_chart, marks: refine_chart}",
            "refine_chart:",
            "steps take from one another in a cycle: `refine_chart` -> `refine_chart`",
        ),
        "per left out": (
            "    per: night\n",
            "",
            "survey:",
            "step `survey`: `per` is missing: input `comparisons` gathers",
        ),
        "per with nothing to gather": (
            "    settings: {method: ratio}",
            "    settings: {method: ratio}\n    per: ticket",
            "per: ticket",
            "`per` is for steps that gather; `toy.compare_means` does not: remove it",
        ),
        "at_least with nothing to gather": (
            "    settings: {method: ratio}",
            "    settings: {method: ratio}\n    at_least: 2",
            "at_least: 2",
            "`at_least` is for steps that gather",
        ),
        "at_least none": (
            "at_least: 2",
            "at_least: -1",
            "at_least: -1",
            "must be greater than or equal to 0, found `-1`",
        ),
        "per an unknown word": ("per: night", "per: week", "per: week", "must be 'setting', 'ticket' or 'night'"),
        "gathering what is already one": (
            "per: night",
            "per: setting",
            "inputs: {comparisons: compare}",
            "gathers per setting, but there is one `compare` per setting; say per `ticket` or `night`",
        ),
        "different roles in one shot step": (
            "{picture: open_chart, marks: find_chart}",
            "{picture: open_chart, marks: find_panel}",
            "inputs: {picture: open_chart, marks: find_panel}",
            "step `refine_chart` takes from shots of several roles: `open_chart` (chart) and `find_panel`",
        ),
        "bulk gathered": (
            "stage: toy.average_marks\n    inputs: {marks: find_panel, ticket: ticket}",
            "stage: toy.stack_pictures\n    inputs: {pictures: open_panel}",
            "inputs: {pictures: open_panel}",
            "input `pictures` would gather bulk from `open_panel`; reduce each shot first and gather that",
        ),
        "a wider step between two of a chain": (
            "{picture: open_panel, bench: stand.toy}\n  average_panel",
            "{picture: open_panel, bench: stand.toy}\n  refine_panel:\n    stage: toy.refine_marks\n"
            "    inputs: {picture: open_panel, marks: find_panel, mean: average_panel}\n  average_panel",
            "average_panel:",
            "step `average_panel` (per setting) lies between `open_panel`, `find_panel`, `refine_panel`, which share",
        ),
        "a step name with a dot": ("  survey:", "  sur.vey:", "sur.vey:", "cannot name a step"),
        "a step called ticket": ("  survey:", "  ticket:", "ticket:", "`ticket` is taken"),
        "a nominal setting twice": ("[2, 4]", "[2, 2.0]", "f_number: [2, 2.0]", "2 is listed twice"),
        "a nominal setting of nothing": ("[2, 4]", "[0]", "f_number: [0]", "must be greater than 0, found `0`"),
        "no stages": (GOOD_PLAN[GOOD_PLAN.index("stages:") :], "stages: {}\n", "stages: {}", "must have at least 1"),
        "stages a list": (GOOD_PLAN[GOOD_PLAN.index("stages:") :], "stages: []\n", "stages: []", "must be a mapping"),
        "inputs a list": (
            "{comparisons: compare}",
            "[compare]",
            "inputs: [compare]",
            "must be a mapping (`key: value`), found a list",
        ),
    }
)


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_broken_plan_is_refused_for_one_reason(tmp_path, name):
    old, new, where, message = MUTATIONS[name]
    assert GOOD_PLAN.count(old) == 1
    text = GOOD_PLAN.replace(old, new)
    found = problems_of(tmp_path, text)
    assert [(text.splitlines()[line - 1].strip(), message in message_text) for line, message_text in found] == [
        (where, True)
    ], found


def test_five_mistakes_are_five_messages(tmp_path):
    text = (
        GOOD_PLAN.replace("crop_px: 4", "crop_px: four")
        .replace("at_least: 2", "at_last: 2")
        .replace("mean: average_chart", "mean: average_chrt")
        .replace("per: night", "per: ticket\n    scope: night")
        .replace("role.panel", "role.panels")
    )
    found = problems_of(tmp_path, text)
    assert [line for line, _ in found] == [10, 21, 24, 30, 33], found


def test_two_cycles_are_named_once_each(tmp_path):
    loop = "  {0}:\n    stage: toy.count_marks\n    inputs: {{marks: {1}}}\n"
    text = GOOD_PLAN + loop.format("a", "b") + loop.format("b", "a") + loop.format("c", "c") + loop.format("d", "a")
    found = problems_of(tmp_path, text)
    assert [line for line, _ in found] == [40, 46]
    assert found[0][1] == "steps take from one another in a cycle: `a` -> `b` -> `a`"
    assert found[1][1] == "steps take from one another in a cycle: `c` -> `c`"


def test_bulk_of_a_wider_scope_is_refused(tmp_path):
    text = GOOD_PLAN + (
        "  draw:\n    stage: toy.draw_together\n    inputs: {marks: find_chart}\n    per: setting\n"
        "  look:\n    stage: toy.find_marks\n    inputs: {picture: draw, bench: stand.toy}\n"
    )
    expected = "step `draw` would make bulk per setting; bulk lives only inside one shot's task"
    assert problems_of(tmp_path, text) == [(40, expected)]


def test_two_chains_of_one_shot_that_need_each_other_become_one(tmp_path):
    # a's first mark goes to b's second, and b's first to a's second: neither task could run before the other
    chain = (
        "  open_{0}:\n    stage: toy.open_picture\n    inputs: {{shot: role.flat, bench: stand.toy}}\n"
        "  find_{0}:\n    stage: toy.find_marks\n    inputs: {{picture: open_{0}, bench: stand.toy}}\n"
        "  refine_{0}:\n    stage: toy.refine_marks\n    inputs: {{picture: open_{0}, marks: find_{1}}}\n"
    )
    plan = load(tmp_path, GOOD_PLAN + chain.format("a", "b") + chain.format("b", "a"))
    knot = {f"{verb}_{name}" for verb in ("open", "find", "refine") for name in "ab"}
    assert frozenset(knot) in plan.chains
    assert sorted(name for chain in plan.chains for name in chain) == sorted(
        step.name for step in plan.steps if step.scope is Scope.SHOT
    )


@pytest.mark.parametrize("key", ["per: setting", "at_least: 2"])
def test_a_gather_that_is_not_wired_gathers_nothing(tmp_path, key):
    step = "  join:\n    stage: toy.join_marks\n    inputs: {marks: find_chart}\n"
    assert load(tmp_path, GOOD_PLAN + step).step("join").scope is Scope.SHOT
    (problem,) = problems_of(tmp_path, GOOD_PLAN + step + f"    {key}\n")
    expected = f"step `join`: `{key.partition(':')[0]}` is for steps that gather; `others` is not wired: remove it"
    assert problem == (43, expected)


def test_a_narrow_value_does_not_reach_a_wider_step_ungathered(tmp_path):
    text = GOOD_PLAN + (
        "  average_all:\n    stage: toy.average_marks\n"
        "    inputs: {marks: find_chart, ticket: ticket}\n    per: night\n"
    )
    assert problems_of(tmp_path, text) == [
        (
            42,
            "input `ticket` takes one value, but there are several `ticket` per night (one per ticket); gather it "
            "first, or run this step per ticket",
        )
    ]


def test_a_stage_of_a_failed_plugin_says_why_it_failed(tmp_path):
    plugins = Plugins(failures=(PluginFailure("toy", "loading toy failed: ImportError: no camera"),))
    text = "plan: one\nstages:\n  open:\n    stage: toy.open_picture\n    inputs: {shot: role.chart}\n"
    why = "plugin `toy` cannot be used: loading toy failed: ImportError: no camera"
    assert problems_of(tmp_path, text, plugins) == [
        (4, f"unknown stage `toy.open_picture`; {why}"),
        (5, f"input `shot`: unknown role `chart`; there is none to choose from; {why}"),
    ]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_random_change_of_a_plan_causes_another_error(tmp_path, data):
    lines = GOOD_PLAN.splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        action = data.draw(st.sampled_from(["drop", "repeat", "swap", "cut", "insert"]))
        column = data.draw(st.integers(0, len(lines[at])))
        word = data.draw(st.sampled_from(GARBAGE))
        if action == "drop":
            lines[at] = ""
        elif action == "repeat":
            lines.insert(at, lines[at])
        elif action == "swap":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif action == "cut":
            lines[at] = lines[at][:column]
        else:
            lines[at] = lines[at][:column] + word + lines[at][column:]
    try:
        plan = load(tmp_path, "\n".join(lines))
    except ConfigError as error:
        assert error.problems
        assert all(1 <= problem.line <= len(lines) + 1 for problem in error.problems)
    else:
        names = [step.name for step in plan.steps]
        for place, step in enumerate(plan.steps):
            assert {each.name for each in step.inputs.values() if each.kind == "step"} <= set(names[:place])


def test_methods_are_compared_step_by_step_however_often_a_step_is_used():
    def method(deepest, **others):
        stages = {"step0": {"stage": deepest}}
        # each step takes the one before twice: a comparison along every path would never end
        stages |= {
            f"step{k}": {"stage": "toy.mix", "inputs": {"a": f"step{k - 1}", "b": f"step{k - 1}"}} for k in range(1, 60)
        }
        return {"stages": stages, **others}

    adopted = Method.model_validate(method("toy.read"))
    same = MeasuredMethod.model_validate(method("toy.read", plan="toy", defaults={}))
    other = MeasuredMethod.model_validate(method("toy.load", plan="toy", defaults={}))
    assert find_differences(adopted, same, "step59") == ()
    assert find_differences(adopted, other, "step59") == (
        "`step0` is made by `toy.load`, in the card's plan by `toy.read`",
    )
