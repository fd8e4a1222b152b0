"""What a stand cannot give by its file is listed and decides nothing; what was not measured never hides there."""

import math
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, replace

import pytest

from glasswright import Artefact, NotApplicable, stage
from glasswright.judging.gate import DecisionKind, open_gate
from glasswright.ledger.verdict import Verdict, fold, fold_part
from glasswright.plugin.measurements import read_measurements
from glasswright.plugin.outcome import Item, Outcome, Status
from glasswright.plugin.setup_check import SetupFinding
from glasswright.plugin.stage import Scope
from glasswright.reports.tables.junit import _case
from glasswright.run.graph.gathering import take_inputs
from glasswright.run.graph.instance import Instance, Key, One
from glasswright.run.readiness import Bench
from glasswright.run.workers.run_step import StepCode, run_step
from support.ledger_toys import F2, judge, kept, state

SHARP = "{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}"
FRINGE = "{measure: measure_distortion.worst_px, max: 0.2}"
WHY = "the stand file says `monochrome: true`"
GOOD = {"centre__sharp_cy_per_px": (0.3, 0.001)}


def beyond(step="measure_distortion", **others):
    return replace(kept(step, status=Status.NOT_APPLICABLE, **others), reason=WHY)


def test_a_limit_on_what_the_stand_cannot_give_is_listed_and_does_not_hold_the_lens(tmp_path):
    seen = state(kept(**GOOD), beyond())
    found = judge(tmp_path, seen, SHARP, FRINGE)
    assert [each.verdict for each in found.verdicts] == [Verdict.PASS, Verdict.NOT_APPLICABLE]
    assert found.verdict is Verdict.PASS
    (listed,) = found.not_applicable
    assert (listed.reason, listed.at, listed.value) == (WHY, "50 mm f/2", None)
    decision = open_gate("T-1", replace(seen, content=found.manifest), found)
    assert decision.kind is DecisionKind.RELEASE
    assert decision.reasons == ("the one limit is met",)
    note = f"not applicable, because {WHY}: measure_distortion.worst_px at 50 mm f/2"
    assert note in decision.notes
    case = _case("T-1", listed)
    assert [each.tag for each in case] == ["properties", "skipped"]
    assert isinstance(case.find("skipped"), ElementTree.Element)


def test_a_card_of_which_nothing_applies_passes_no_lens(tmp_path):
    seen = state(beyond())
    judged = judge(tmp_path, seen, FRINGE)
    assert judged.verdict is Verdict.UNKNOWN
    decision = open_gate("T-1", replace(seen, content=judged.manifest), judged)
    assert decision.kind is DecisionKind.INCOMPLETE
    assert decision.reasons == (
        "no limit of the card is applicable on this stand, so nothing shows that the lens is sound",
    )
    assert fold([Verdict.NOT_APPLICABLE]) is Verdict.UNKNOWN
    assert fold_part([Verdict.NOT_APPLICABLE]) is Verdict.NOT_APPLICABLE
    assert fold_part([Verdict.NOT_APPLICABLE, Verdict.PASS]) is Verdict.PASS


@pytest.mark.parametrize("status", [Status.UNMEASURABLE, Status.SKIPPED, Status.CRASHED])
def test_what_failed_stays_unknown(tmp_path, status):
    found = judge(tmp_path, state(kept(**GOOD), kept("measure_distortion", status=status)), SHARP, FRINGE)
    assert found.verdict is Verdict.UNKNOWN


def test_one_setting_of_which_it_is_said_excuses_no_other(tmp_path):
    other = replace(F2, f_number=4.0)
    seen = state(kept(**GOOD), kept(setting=other, **GOOD), beyond(), settings=(F2, other))
    found = judge(tmp_path, seen, SHARP, FRINGE)
    assert found.verdict is Verdict.UNKNOWN
    assert [each.at for each in found.missing] == ["50 mm f/4"]


def test_a_number_that_is_there_is_judged_whatever_is_said_of_it(tmp_path):
    @dataclass(frozen=True, slots=True, kw_only=True)
    class Plane(Artefact):
        worst_px: float
        worst_px_u: float = 0.01

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Result(Artefact):
        red: Plane
        red_other_px: float = math.nan
        name: str = "not applicable: a name"

    missing = Result(red=Plane(worst_px=math.nan), not_applicable=(("red", WHY),))
    read = {each.path: each for each in read_measurements(missing)}
    assert read["red.worst_px"].text == f"not applicable: {WHY}"
    assert read["red.worst_px"].value is None
    assert math.isnan(read["red_other_px"].value)  # another field whose name begins alike
    there = {each.path: each for each in read_measurements(replace(missing, red=Plane(worst_px=9.0)))}
    assert there["red.worst_px"].value == 9.0
    limits = ("{measure: measure_distortion.red.worst_px, max: 1}", "{measure: measure_distortion.name, max: 1}")
    for fields, verdicts in ((read, ["NOT APPLICABLE", "UNKNOWN"]), (there, ["FAIL", "UNKNOWN"])):
        seen = state(replace(kept("measure_distortion"), measured=fields))
        assert [str(each.verdict) for each in judge(tmp_path, seen, *limits).verdicts] == verdicts


@dataclass(frozen=True, slots=True, kw_only=True)
class Made(Artefact):
    worst_px: float


ITEM = Item(scope=Scope.SETTING, ticket="T-1", setting=F2)


def test_a_stage_says_so_by_its_exception():
    @stage
    def measure() -> Made:
        """Measure nothing."""
        raise NotApplicable(WHY)

    code = StepCode(stage="toy.measure", function=measure, settings={}, returns=Made, gathered={})
    outcome = run_step(Instance(key=Key(step="measure", item=ITEM), inputs={}), "ab", code, {})
    assert (outcome.status, outcome.reason) == (Status.NOT_APPLICABLE, WHY)


@pytest.mark.parametrize(
    ("status", "caveats"), [(Status.NOT_APPLICABLE, frozenset()), (Status.UNMEASURABLE, {"made_without"})]
)
def test_what_can_do_without_is_made_without_it_and_what_cannot_is_skipped(status, caveats):
    key = Key(step="measure", item=ITEM)
    made = Outcome(step="measure", stage="toy.measure", item=ITEM, address="ab", status=status, reason=WHY)
    instance = Instance(key=Key(step="sum_up", item=ITEM), inputs={"found": One(key=key, may_lack=True)})
    taken = take_inputs(instance, {}, {key: made})
    assert taken.values == {"found": None}
    assert taken.caveats == caveats
    refused = take_inputs(replace(instance, inputs={"found": One(key=key)}), {}, {key: made})
    assert refused.status is Status.SKIPPED


def test_check_says_it_before_anything_is_shot():
    finding = SetupFinding(message=WHY, not_applicable=("toy.fringes", "toy.sharp.red"))

    class Step:
        def __init__(self, name, identity):
            self.name, self.stage = name, type("Stage", (), {"id": identity})

    plan = type("Plan", (), {"steps": [Step("fringes_here", "toy.fringes"), Step("sharp", "toy.sharp")]})
    bench = Bench(plan=plan, stand=None, roles={}, found=(finding,))
    beyond = [m for m in ("fringes_here.worst_px", "sharp.red.centre_px", "sharp.red_green_um", "sharp.green.centre_px")
              if bench.why_not_applicable(m) == [WHY]]  # fmt: skip
    assert beyond == ["fringes_here.worst_px", "sharp.red.centre_px"]
