"""Limits without effect are refused: those that every value meets, and those that none can meet."""

import math
from dataclasses import dataclass
from typing import Annotated

import pytest

from glasswright import Artefact, NonNegative, Percentage, Range
from glasswright.commands.main import run_command
from glasswright.config.schema.plugins import load_plugins
from glasswright.errors import ConfigError
from glasswright.judging.cards import check_card, load_cards
from glasswright.judging.decision import Tolerance, Uncertainty, decide
from glasswright.judging.judge import judge_ticket
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.measurements import describe_fields
from glasswright.plugin.units import SCALES, UNITS
from support.ledger_toys import (
    F2,
    PLAN_SECTION,
    Sharpness,
    ToyStand,
    Zone,
    card_file,
    kept,
    outcome,
    state,
    write_card,
    write_night,
)
from support.night_bench import CARD


@dataclass(frozen=True, slots=True, kw_only=True)
class Result(Artefact):
    loss_ev: float
    worst_px: NonNegative
    lost_pct: Percentage
    share_frac: Annotated[float, Range(0, 1)]
    spot_count: int
    is_clean: bool


FIELDS = {f"measure.{field.path}": field for field in describe_fields(Result, "toy.measure")}
NOTHING = {
    "loss_ev, max: 1e308": "`max` 1e+308 of `measure.loss_ev` limits nothing: all numbers in EV are within -24 to 24",
    "loss_ev, min: -1e308": "`min` -1e+308 of `measure.loss_ev` limits nothing: all numbers in EV are",
    "loss_ev, min: 0.1, max: 25": "`max` 25 of `measure.loss_ev` limits nothing",
    "loss_ev, min: -24": "no value of `measure.loss_ev` can miss this limit: its range is -24 to 24 EV",
    "worst_px, min: -0.5": "no value of `measure.worst_px` can miss this limit: its range is 0 to 1e+06 pixel",
    "worst_px, min: 0": "no value of `measure.worst_px` can miss this limit",
    "worst_px, max: -0.5": "no value of `measure.worst_px` can meet this limit",
    "lost_pct, max: 100": "no value of `measure.lost_pct` can miss this limit: its range is 0 to 100 %",
    "lost_pct, min: 101": "no value of `measure.lost_pct` can meet this limit",
    "share_frac, max: 1.0": "no value of `measure.share_frac` can miss this limit: its range is 0 to 1; correct",
    "share_frac, min: 0, max: 1": "no value of `measure.share_frac` can miss this limit",
    "spot_count, min: -1": "`min` -1 of `measure.spot_count` limits nothing: all numbers in count are within 0",
    "is_clean, max: 1": "no value of `measure.is_clean` can miss this limit: its range is 0 to 1",
}


@pytest.mark.parametrize("limit", NOTHING)
def test_a_limit_without_effect_is_refused_with_the_range(tmp_path, limit):
    file = card_file(tmp_path, [f"{{measure: measure.{limit}, rule: simple}}"])
    (problem,) = check_card(file, FIELDS)
    assert problem.line == 4
    assert NOTHING[limit] in problem.message


@pytest.mark.parametrize(
    "limit",
    [
        "loss_ev, max: 2.5", "loss_ev, min: -0.42, max: 0", "worst_px, min: 0, max: 0.5", "worst_px, max: 0",
        "lost_pct, max: 1", "share_frac, min: 1", "spot_count, max: 0", "is_clean, min: 1",
    ],
)  # fmt: skip
def test_a_limit_with_effect_is_accepted(tmp_path, limit):
    assert check_card(card_file(tmp_path, [f"{{measure: measure.{limit}, rule: simple}}"]), FIELDS) == ()


def test_every_unit_has_a_range():
    assert SCALES.keys() == UNITS.keys()


def test_a_card_is_checked_as_it_loads_by_the_stages_of_its_own_plan(tmp_path):
    section = PLAN_SECTION.replace("toy.measure_mtf50", "camera.measure_mtf50")
    limit = "{measure: measure_mtf50.green.worst_cy_per_px, min: 0}"
    write_card(tmp_path / "card.yaml", [limit], plan=section)
    assert load_cards(tmp_path)
    with pytest.raises(ConfigError, match=r"card.yaml:4: no value of `measure_mtf50.green.worst_cy_per_px` can miss"):
        load_cards(tmp_path, load_plugins())


@pytest.mark.parametrize("command", ["check", "run", "judge", "gate"])
def test_no_command_judges_by_a_limit_without_effect(bench, capsys, command):
    bench.add_ticket(1)
    cards, stand, ledger = (str(bench.folder / name) for name in ("cards", "stand.yaml", "bench.ledger"))
    assert bench.run(capsys, "--serial", "--cards", cards)[0] == 0
    bench.write("cards/corvane.yaml", CARD.replace("min: 0.1, max: 100", "max: 1e308"))
    plan = str(bench.folder / "plan.yaml")
    words = {
        "check": ["check", plan, "--cards", cards],
        "run": bench.arguments("--serial", "--cards", cards),
        "judge": ["judge", "--ledger", ledger, "--cards", cards, "--stand", stand],
        "gate": ["gate", "T-0001", "--ledger", ledger, "--cards", cards, "--stand", stand],
    }
    assert run_command(words[command]) == 2
    assert "corvane.yaml:5: `max` 1e+308 of `combine_chart.mean_dn` limits nothing" in capsys.readouterr().err


@pytest.mark.parametrize("rule", ["simple", "guarded"])
@pytest.mark.parametrize("u", [math.nan, math.inf, -math.inf, -1e-9])
@pytest.mark.parametrize("part", ["own", "stand"])
@pytest.mark.parametrize("value", [0.0, 5.0, 1e6])
def test_an_invalid_uncertainty_is_unknown_for_all_readers(value, part, u, rule):
    tolerance = Tolerance(lower=1.0, upper=9.0, rule=rule, confidence=0.95)
    for other in (None, 0.1):
        uncertainty = Uncertainty(**({"own": other, "stand": other} | {part: u}))
        assert decide(value, "pixel", uncertainty, tolerance)[0] is Verdict.UNKNOWN


def test_an_invalid_uncertainty_is_read_from_the_ledger_unchanged(tmp_path):
    zone = Zone(sharp_cy_per_px=0.3, sharp_cy_per_px_u=math.nan)
    path = tmp_path / "bench.ledger"
    measured = Sharpness(setting=F2, centre=zone)
    write_night(path, make=lambda ticket: [outcome(artefact=measured, ticket=ticket)], settings=(F2,))
    limit = "{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.1, rule: simple}"
    with Ledger.open_for_reading(path) as ledger:
        (state,) = ledger.latest_tickets()
        assert ledger.verify().damage == ()
    (verdict,) = judge_ticket(state, card_file(tmp_path, [limit]), ToyStand()).verdicts
    assert verdict.verdict is Verdict.UNKNOWN
    assert verdict.reason == "0.3 cycles/pixel: the measurement's own uncertainty is nan, which is invalid"


@pytest.mark.parametrize("rule", ["rule: simple", "confidence: 0.500001"])
@pytest.mark.parametrize(
    ("faintest", "verdict"), [(0.2, Verdict.PASS), (0.4, Verdict.REVIEW), (math.inf, Verdict.REVIEW)]
)
def test_a_limit_below_the_detection_limit_is_not_known_to_be_met(tmp_path, rule, faintest, verdict):
    measured = kept(centre__sharp_cy_per_px=(0.1, 0.001), centre__faintest_seen_cy_per_px=faintest)
    limit = f"{{measure: measure_mtf50.centre.sharp_cy_per_px, max: 0.3, {rule}}}"
    file = card_file(tmp_path, [limit])
    assert "measure_mtf50.centre.faintest_seen_cy_per_px" in file.card.measures()
    (found,) = judge_ticket(state(measured), file, ToyStand()).verdicts
    assert found.verdict is verdict
    assert ("; but less than" in found.reason) == (verdict is Verdict.REVIEW)
    (missed,) = judge_ticket(
        state(kept(centre__sharp_cy_per_px=(0.5, 0.001), centre__faintest_seen_cy_per_px=faintest)), file, ToyStand()
    ).verdicts
    assert missed.verdict is Verdict.FAIL
