"""Two visits side by side: changes, undecided fields, fields of only one side."""

import dataclasses
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright.commands.main import run_command
from glasswright.judging.compare.comparing import BY_CHANCE, ChangeKind, compare_visits
from glasswright.judging.compare.sides import Visit
from glasswright.ledger import Document, Ledger
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from support.ledger_toys import (
    CARD_HEAD,
    F2,
    F4,
    METHOD_TEXT,
    MODEL,
    ToySpread,
    ToyStand,
    card_file,
    document,
    falloff,
    kept,
    outcome,
    run_record,
    sharpness,
    state,
    ticket_record,
    write_card,
)

LOSS = "measure_vignetting.loss_ev"


def visit(*outcomes, spreads=None, number="T-1", stand="north-bench", **ticket):
    made = state(*outcomes, number=number, **ticket)
    record = dataclasses.replace(made.record, stand=stand)
    spreads = {"*": ToySpread(u=0.03, with_repeats=True)} if spreads is None else spreads
    return Visit(state=dataclasses.replace(made, record=record), stand=ToyStand(reproducibility=spreads))


def loss(value, u=0.04, setting=F2, **others):
    return kept("measure_vignetting", setting, loss_ev=(value, u), **others)


def compare(one, other, card=None, **sides):
    first = one if isinstance(one, Visit) else visit(one, number="T-1", **sides)
    second = other if isinstance(other, Visit) else visit(other, number="T-2", **sides)
    return compare_visits(first, second, card)


def only(comparison):
    (found,) = comparison.changes
    return found


# each side: hypot(0.04, 0.03) = 0.05, the difference sqrt 2 of that, twice it 0.14142
@pytest.mark.parametrize(
    ("second", "kind"),
    [
        (1.1414, ChangeKind.WITHIN),
        (1.1415, ChangeKind.CHANGED),
        (0.8586, ChangeKind.WITHIN),
        (0.8585, ChangeKind.CHANGED),
    ],
)
def test_a_change_counts_from_twice_the_uncertainty_of_both_sides_on(second, kind):
    found = only(compare(loss(1.0), loss(second)))
    assert (found.measure, found.at, found.kind) == (LOSS, "50 mm f/2", kind)
    assert found.change == pytest.approx(second - 1)
    assert found.u == pytest.approx(0.05 * math.sqrt(2))
    assert found.reason == "2.0 standard uncertainties"


def test_each_side_has_its_own_uncertainty_and_its_own_stand_file():
    first = visit(loss(1.0, 0.01), spreads={LOSS: ToySpread(relative_u=0.02, with_repeats=True)})
    second = visit(loss(2.0, 0.02), spreads={LOSS: ToySpread(u=0.05, with_repeats=True)}, number="T-2")
    assert only(compare(first, second)).u == pytest.approx(math.sqrt(0.01**2 + 0.02**2 + 0.02**2 + 0.05**2))


@pytest.mark.parametrize(
    ("one", "other", "spreads"),
    [
        (loss(1.0), loss(2.0), {}),
        (loss(1.0, None), loss(2.0), None),
        (loss(1.0, math.nan), loss(2.0), None),
        (loss(1.0), loss(2.0, -1.0), None),
    ],
)
def test_without_an_uncertainty_nothing_is_compared(one, other, spreads):
    found = only(compare(one, other, spreads=spreads))
    assert (found.kind, found.change, found.u) == (ChangeKind.UNKNOWN, 1.0, None)
    assert found.reason == "the measurement has no uncertainty, or the stand file has no reproducibility for it"


def count(value, u=None):
    made = kept("measure_mtf50", discs_count=(value, u))
    measured = {path: dataclasses.replace(each, unit="count") for path, each in made.measured.items()}
    return dataclasses.replace(made, measured=measured)


def test_counts_differ_when_they_differ():
    assert only(compare(count(9.0), count(9.0))).kind is ChangeKind.WITHIN
    found = only(compare(count(9.0), count(8.0)))
    assert (found.kind, found.change, found.u) == (ChangeKind.CHANGED, -1.0, None)
    assert found.reason == "counted, so any difference is a change"


def test_texts_differ_when_they_differ():
    same = compare(kept(chart="lattice_13x9"), kept(chart="lattice_13x9"))
    assert (only(same).kind, only(same).reason) == (ChangeKind.WITHIN, "the same text")
    other = only(compare(kept(chart="lattice_13x9"), kept(chart="lattice_9x7")))
    assert (other.kind, other.first, other.second) == (ChangeKind.CHANGED, "lattice_13x9", "lattice_9x7")


LIMITS = [
    f"{{measure: {LOSS}, max: 1.5, at: {{f_number: 2}}}}",
    "{measure: measure_mtf50.sharp_cy_per_px, min: 0.2}",
    "{measure: measure_distortion.bend_pct, min: -1, max: 0}",
]


@pytest.mark.parametrize(
    ("step", "field", "first", "second", "towards"),
    [
        ("measure_vignetting", "loss_ev", 2.0, 1.0, "better"),
        ("measure_vignetting", "loss_ev", 1.0, 2.0, "worse"),
        ("measure_mtf50", "sharp_cy_per_px", 1.0, 2.0, "better"),
        ("measure_mtf50", "sharp_cy_per_px", 2.0, 1.0, "worse"),
        ("measure_distortion", "bend_pct", -3.0, -0.5, "better"),
        ("measure_distortion", "bend_pct", -0.5, 3.0, "worse"),
        ("measure_fringing", "worst_px", 2.0, 1.0, ""),
        ("measure_vignetting", "loss_ev", 1.0, 1.0, ""),
    ],
)
def test_better_is_the_side_of_the_cards_limit(tmp_path, step, field, first, second, towards):
    card = card_file(tmp_path, LIMITS).card
    one, other = (kept(step, F2, **{field: (value, 0.01)}) for value in (first, second))
    found = only(compare(one, other, card))
    assert found.towards == towards
    assert found.has_limit == (field != "worst_px")


def test_a_limit_at_another_setting_has_no_effect(tmp_path):
    card = card_file(tmp_path, LIMITS).card
    found = only(compare(loss(1.0, setting=F4), loss(2.0, setting=F4), card))
    assert (found.kind, found.towards, found.has_limit) == (ChangeKind.CHANGED, "", False)


def test_a_hand_check_that_fails_is_worse(tmp_path):
    card = card_file(tmp_path, LIMITS, f"{CARD_HEAD}hand_checks: [mount]\n").card
    one, other = (
        kept("read_hand_checks", None, scope=Scope.TICKET, mount__passed=value, mount__says=says)
        for value, says in ((1.0, "passed by hand"), (0.0, "failed by hand"))
    )
    bare = [
        dataclasses.replace(each, measured={p: dataclasses.replace(m, unit="") for p, m in each.measured.items()})
        for each in (one, other)
    ]
    found = {each.measure: each for each in compare(*bare, card).changes}["read_hand_checks.mount.passed"]
    assert (found.at, found.kind, found.towards) == ("the whole ticket", ChangeKind.CHANGED, "worse")


def test_a_step_that_one_side_lacks_is_listed_with_its_reason():
    skipped = kept("measure_vignetting", F2, Status.SKIPPED)
    found = only(compare(loss(1.0), skipped))
    assert (found.measure, found.kind) == ("measure_vignetting", ChangeKind.MISSING)
    assert found.reason == "T-2: skipped: the chart hangs upside down"
    both = only(compare(skipped, skipped))
    assert both.kind is ChangeKind.NEITHER


def test_settings_that_differ_are_missing_on_either_side():
    found = {each.at: each for each in compare(loss(1.0, setting=F2), loss(1.0, setting=F4)).changes}
    assert {each.kind for each in found.values()} == {ChangeKind.MISSING}
    assert found["50 mm f/2"].reason == "T-2: no `measure_vignetting` at 50 mm f/2"
    assert found["50 mm f/4"].reason == "T-1: no `measure_vignetting` at 50 mm f/4"


@pytest.mark.parametrize("nothing", [math.nan, math.inf, None])
def test_a_number_that_one_side_lacks_is_missing(nothing):
    found = only(compare(loss(1.0), loss(nothing)))
    assert (found.kind, found.first, found.second) == (ChangeKind.MISSING, 1.0, None)
    assert found.reason == "T-2 has no number"
    both = only(compare(loss(nothing), loss(nothing)))
    assert (both.kind, both.reason) == (ChangeKind.NEITHER, "T-1 has no number and T-2 has no number")


def test_shots_have_no_counterpart_and_are_left_out():
    shot = kept("locate_chart", F2, scope=Scope.SHOT, shot="chart/1.dng", level_dn=1.0)
    assert compare(shot, shot).changes == ()


def test_two_stands_or_bodies_cannot_be_compared():
    other = visit(loss(9.0), number="T-2", stand="south-bench")
    comparison = compare(visit(loss(1.0)), other)
    assert only(comparison).kind is ChangeKind.UNKNOWN
    assert comparison.notes == ("two stands: `north-bench` and `south-bench`; the difference between them is unknown",)
    bodies = compare(visit(loss(1.0)), visit(loss(9.0), number="T-2", body="Ostrel D8"))
    assert only(bodies).reason == "two bodies: `Ostrel D7` and `Ostrel D8`; the difference between them is unknown"


def test_a_caveat_on_one_side_makes_the_change_undecided():
    one, other = loss(1.0, caveats=("single_focus",)), loss(9.0, caveats=())
    found = only(compare(one, other))
    assert (found.kind, found.reason) == (ChangeKind.UNKNOWN, "only one side has the caveat single_focus")
    assert only(compare(one, loss(9.0, caveats=("single_focus",)))).kind is ChangeKind.CHANGED


def test_two_copies_and_changed_files_are_noted():
    first, second = visit(loss(1.0)), visit(loss(1.0), number="T-2", serial="C50-2")
    record = dataclasses.replace(second.state.record, plan_sha256="other", stand_sha256="another")
    second = dataclasses.replace(second, state=dataclasses.replace(second.state, record=record))
    assert compare(first, second).notes == (
        "two copies: serial C50-1 and serial C50-2",
        "the plan was changed between them: a number may have been measured in another way",
        "the stand file was changed between them",
    )


def test_the_expected_number_of_chance_changes():
    # normal distribution: 4.550 % lie beyond two standard deviations
    assert pytest.approx(0.0455003, abs=1e-7) == BY_CHANCE
    one = [loss(1.0, setting=setting) for setting in (F2, F4)]
    comparison = compare_visits(visit(*one, count(3.0)), visit(*one, count(3.0), number="T-2"), None)
    assert comparison.by_chance == pytest.approx(2 * BY_CHANCE)


VALUE = st.floats(-100, 100)
U = st.floats(1e-3, 10)


@given(VALUE, VALUE, U, U)
def test_exchanged_sides_have_the_opposite_change(first, second, u, other_u):
    there = only(compare(loss(first, u), loss(second, other_u)))
    back = only(compare(loss(second, other_u), loss(first, u)))
    assert (there.kind, there.u) == (back.kind, pytest.approx(back.u))
    assert there.change == -back.change
    assert only(compare(loss(first, 2 * u), loss(second, 2 * other_u))).u > there.u
    assert only(compare(loss(first, u), loss(first, u))).kind is ChangeKind.WITHIN


STAND = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_vignetting.*: {u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
"""


class Shop:
    """A ledger of an intake, a release, and a lens of another model."""

    def __init__(self, folder, model_of_third="Halden 85 mm f/1.8"):
        self.ledger = folder / "bench.ledger"
        self.cards = folder / "cards"
        self.folder = folder
        write_card(self.cards / "corvane.yaml", ["{measure: measure_vignetting.corner_loss_ev, max: 1.5}"])
        (folder / "stand.yaml").write_text(STAND)
        text = document("stand", STAND)
        stand = Document(kind="stand", name="north-bench", text=STAND, sha256=text.sha256)
        record = dataclasses.replace(run_record(), documents=(document(), document("method", METHOD_TEXT), stand))
        with Ledger.open_for_writing(self.ledger) as ledger:
            run = ledger.begin_run(record)
            for number, value, others in (
                ("T-1", 1.8, {"phase": "intake"}),
                ("T-2", 1.2, {}),
                ("T-3", 1.2, {"model": model_of_third} if model_of_third else {"serial": "C50-3"}),
            ):
                outcomes = [falloff(value, F2, ticket=number), sharpness(0.3, F2, ticket=number)]
                outcomes += [outcome("measure_fringing", F2, ticket=number)]
                made = ticket_record(outcomes, number, **others)
                ledger.commit_ticket(run, dataclasses.replace(made, stand_sha256=text.sha256), outcomes)
            ledger.end_run(run, {})

    def compare(self, capsys, *words):
        capsys.readouterr()
        code = run_command(["compare", *words, "--ledger", str(self.ledger)])
        return code, capsys.readouterr()

    def judge(self):
        words = ["--cards", str(self.cards), "--stand", str(self.folder / "stand.yaml")]
        assert run_command(["judge", "--ledger", str(self.ledger), *words]) in (0, 10, 11, 12)


def test_the_command_reads_stand_and_card_from_the_ledger(tmp_path, capsys):
    shop = Shop(tmp_path)
    shop.judge()
    code, printed = shop.compare(capsys, "T-1", "T-2", "--json")
    assert code == 0
    data = json.loads(printed.out)
    assert [each["phase"] for each in data["tickets"]] == ["intake", "release"]
    assert data["has_card"] is True
    changes = {each["measure"]: each for each in data["changes"]}
    found = changes["measure_vignetting.corner_loss_ev"]
    assert found["change"] == pytest.approx(-0.6)
    assert found["u"] == pytest.approx(math.sqrt(2) * math.hypot(0.01, 0.02))
    assert (found["kind"], found["towards"]) == ("changed", "better")
    assert changes["measure_mtf50.centre.sharp_cy_per_px"]["kind"] == "unknown"
    assert changes["measure_mtf50.centre.count"]["kind"] == "within"
    assert changes["measure_fringing"]["kind"] == "neither"


def test_the_command_for_people(tmp_path, capsys):
    shop = Shop(tmp_path)
    code, printed = shop.compare(capsys, "T-1", "T-2")
    assert code == 0
    lines = printed.out.splitlines()
    assert lines[0] == "the decision was UNKNOWN and is INCOMPLETE"
    assert lines[1] == f"T-1: {MODEL}, serial C50-1, intake, measured 2026-03-01T22:00:00+00:00"
    assert lines[2] == "  UNKNOWN: not judged: run `glasswright judge`"
    assert "note: without a card, no direction counts as better; give --cards" in printed.out
    assert "measure_mtf50.centre.count" not in printed.out
    assert "1 changed, 2 not comparable, 2 changed by less than the uncertainty, " in printed.out
    assert "changed: by more than 2 standard uncertainties of the difference" in printed.out
    _, printed = shop.compare(capsys, "T-1", "T-2", "-v", "--cards", str(shop.cards))
    assert "no card" not in printed.out
    assert "better" in printed.out
    assert "measure_mtf50.centre.count" in printed.out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("T-1", "T-22"), "the ledger has no ticket `T-22`; did you mean `T-2`?"),
        (("T-1",), "T-1 alone cannot be compared: give two tickets or more"),
        (("T-1", "T-1"), "T-1 is given twice: remove one"),
        (("T-1", "T-3"), "T-1 is a `Corvane 50 mm f/2`, T-3 a `Halden 85 mm f/1.8`: compare visits of one lens"),
    ],
)
def test_what_cannot_be_compared_is_refused(tmp_path, capsys, words, message):
    code, printed = Shop(tmp_path).compare(capsys, *words)
    assert code == 2
    assert message in " ".join(printed.err.split())


def test_a_missing_ledger_is_reported(tmp_path, capsys):
    code = run_command(["compare", "T-1", "T-2", "--ledger", str(tmp_path / "no.ledger")])
    assert code == 21
    assert "no.ledger" in capsys.readouterr().err
