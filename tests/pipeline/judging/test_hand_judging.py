"""Hand checks from ticket.yaml to the gate: signatures, and answers that never pass."""

import json

import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_ticket
from glasswright.errors import ConfigError
from glasswright.judging.cards import check_card, load_cards
from glasswright.judging.judge import judge_ticket
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.measurements import FieldDescription
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from support.ledger_toys import CARD_HEAD, PLAN_SECTION, ToyStand, card_file, judge, kept, state
from support.night_bench import CARD, PLAN, TICKET

LIMIT = "{measure: measure_mtf50.count, min: 1, rule: simple}"


def head(*names):
    return f"{CARD_HEAD}hand_checks: [{', '.join(names)}]\n"


def hand(status=Status.DONE, caveats=(), **passed):
    """The kept outcome of the step: check -> True, False or None."""
    fields = {}
    for name, value in passed.items():
        fields[f"{name}__passed"] = None if value is None else float(value)
        fields[f"{name}__says"] = {True: "passed by hand", False: "failed by hand", None: "no answer"}[value]
    return kept("read_hand_checks", None, status, caveats, Scope.TICKET, **fields)


def judge_hand(tmp_path, outcome, *names):
    outcomes = [kept(count=3.0), *([outcome] if outcome else [])]
    judgement = judge(tmp_path, state(*outcomes), LIMIT, head=head(*names))
    return judgement, {each.measure: each for each in judgement.verdicts}


@pytest.mark.parametrize(
    ("passed", "verdict", "reason"),
    [
        (True, Verdict.PASS, "passed by hand"),
        (False, Verdict.FAIL, "failed by hand"),
        (None, Verdict.UNKNOWN, "no answer"),
    ],
)
def test_an_answer_becomes_a_verdict_with_its_sentence(tmp_path, passed, verdict, reason):
    judgement, verdicts = judge_hand(tmp_path, hand(front_glass=passed), "front_glass")
    found = verdicts["read_hand_checks.front_glass.passed"]
    assert (found.verdict, found.reason, found.at) == (verdict, reason, "the whole ticket")
    assert judgement.verdict is verdict


def test_a_check_that_the_card_does_not_list_has_no_verdict(tmp_path):
    judgement, verdicts = judge_hand(tmp_path, hand(front_glass=True, mount=False), "front_glass")
    assert judgement.verdict is Verdict.PASS
    assert "read_hand_checks.mount.passed" not in verdicts


def test_a_ticket_without_the_step_is_unknown(tmp_path):
    judgement, verdicts = judge_hand(tmp_path, None, "mount")
    assert judgement.verdict is Verdict.UNKNOWN
    reason = verdicts["read_hand_checks.mount.passed"].reason
    assert reason == "no step `read_hand_checks` was run for this ticket: add it to the plan"


def test_a_step_that_crashed_is_unknown(tmp_path):
    _, verdicts = judge_hand(tmp_path, hand(status=Status.CRASHED), "mount")
    found = verdicts["read_hand_checks.mount.passed"]
    assert (found.verdict, found.reason) == (
        Verdict.UNKNOWN,
        "`read_hand_checks` is crashed: the chart hangs upside down",
    )


def test_a_check_without_a_field_is_unknown(tmp_path):
    _, verdicts = judge_hand(tmp_path, hand(mount=True), "mounts")
    found = verdicts["read_hand_checks.mounts.passed"]
    assert (found.verdict, found.reason) == (
        Verdict.UNKNOWN,
        "`read_hand_checks` has no hand check `mounts`: correct the card",
    )


def test_a_caveat_changes_a_pass_to_review_and_keeps_a_fail(tmp_path):
    outcome = hand(caveats=("identity_contradiction",), mount=True, switches=False)
    _, verdicts = judge_hand(tmp_path, outcome, "mount", "switches")
    mount = verdicts["read_hand_checks.mount.passed"]
    assert (mount.verdict, mount.reason) == (
        Verdict.REVIEW,
        "passed by hand; with the caveat identity_contradiction",
    )
    assert verdicts["read_hand_checks.switches.passed"].verdict is Verdict.FAIL


def test_a_card_for_another_stand_leaves_hand_checks_unknown(tmp_path):
    elsewhere = head("mount").replace("north-bench", "south-bench")
    judgement = judge(tmp_path, state(kept(count=3.0), hand(mount=True)), LIMIT, head=elsewhere)
    assert {each.verdict for each in judgement.verdicts} == {Verdict.UNKNOWN}
    assert "the card is not valid here" in judgement.verdicts[-1].reason


@pytest.mark.parametrize(("phase", "count"), [("intake", 2), ("release", 2), ("reference", 1), ("study", 1)])
def test_reference_visits_need_no_hand_checks(tmp_path, phase, count):
    judgement = judge(tmp_path, state(kept(count=3.0), phase=phase), LIMIT, head=head("mount"))
    assert len(judgement.verdicts) == count
    assert judgement.verdict is (Verdict.UNKNOWN if count == 2 else Verdict.PASS)


def test_hand_checks_alone_pass_no_lens(tmp_path):
    (tmp_path / "card.yaml").write_text(head("mount") + PLAN_SECTION)
    (file,) = load_cards(tmp_path).values()
    judgement = judge_ticket(state(hand(mount=True)), file, ToyStand())
    assert judgement.verdict is Verdict.UNKNOWN
    assert "an empty card passes no lens" in judgement.reasons[0]


def fields(*names):
    paths = ["measure_mtf50.count", *(f"read_hand_checks.{name}.passed" for name in names)]
    return {path: FieldDescription(path=path, unit="", kind=int, has_uncertainty=False, summary="") for path in paths}


def test_a_card_is_checked_against_what_the_plan_can_read(tmp_path):
    file = card_file(tmp_path, [LIMIT], head("front_glas", "mount"))
    (problem,) = check_card(file, fields("front_glass", "mount"))
    assert problem.line == 3
    assert problem.message == "there is no hand check `front_glas`; did you mean `front_glass`?"
    without = {each.message for each in check_card(file, fields())}
    assert without == {"the plan has no step `read_hand_checks`, so no hand check can pass: add it to the plan"}


def test_a_card_that_lists_a_check_twice_is_refused(tmp_path):
    with pytest.raises(AssertionError, match="lists `mount` twice: remove one"):
        card_file(tmp_path, [LIMIT], head("mount", "mount"))


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        ("{answer: ok}", "must be 'pass', 'fail' or 'not_applicable', found the text `ok`"),
        ("{answer: pass, when: yesterday}", "must be a day or a time, such as 2026-03-02 or 2026-03-02T14:05"),
        ("{answer: pass, who: ''}", "must not be empty"),
        ("{who: K. Moreau}", "`answer` is missing"),
        ("{answer: pass, by: K. Moreau}", "unknown key"),
        ("pass", "must be a mapping (`key: value`)"),
    ],
)
def test_an_answer_that_cannot_be_read_is_refused_with_its_line(tmp_path, answer, message):
    text = TICKET.format(number="T-1", model="Corvane 50 mm f/2") + f"hand_checks:\n  mount: {answer}\n"
    (tmp_path / "ticket.yaml").write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_ticket(tmp_path, ())
    (problem,) = caught.value.problems
    assert problem.line == text.count("\n")
    assert message in problem.message


def test_an_invalid_name_of_a_check_is_refused(tmp_path):
    text = TICKET.format(number="T-1", model="Corvane 50 mm f/2") + "hand_checks:\n  Front glass: {answer: pass}\n"
    (tmp_path / "ticket.yaml").write_text(text)
    with pytest.raises(ConfigError, match="must be lower-case letters, digits and `_`, a letter first"):
        load_ticket(tmp_path, ())


def test_the_check_of_tickets_names_answers_that_no_one_reads_and_those_still_to_come(bench, capsys):
    bench.write("plan.yaml", HAND_PLAN)
    bench.write("cards/corvane.yaml", HAND_CARD)
    answer(bench.add_ticket(1), front_glas=f"pass, {SIGNED}", mount="pass")
    words = [
        "check",
        bench.folder / "plan.yaml",
        "--cards",
        bench.folder / "cards",
        "--tickets",
        bench.folder / "night",
    ]
    capsys.readouterr()
    assert run_command([str(each) for each in words]) == 12
    printed = capsys.readouterr()
    assert "there is no hand check `front_glas`; did you mean `front_glass`? (a note)" in printed.err
    assert "hand checks without a signed answer: front_glass, mount; run `glasswright hand-checks`" in printed.out
    bench.write("plan.yaml", PLAN)
    run_command([str(each) for each in words[:2]] + [str(each) for each in words[4:]])
    assert "the plan has no step `read_hand_checks`" in capsys.readouterr().err


SIGNED = 'who: "K. Moreau", when: "2026-03-02T14:05"'
HAND_PLAN = PLAN + "  read_hand_checks: {stage: camera.read_hand_checks, inputs: {ticket: ticket}}\n"
HAND_STEP = "    read_hand_checks: {stage: camera.read_hand_checks, inputs: {ticket: ticket}}\n"
HAND_CARD = CARD + HAND_STEP + "hand_checks: [front_glass, mount]\n"


def answer(folder, **answers):
    """Write the answers of a ticket."""
    path = folder / "ticket.yaml"
    text = path.read_text().partition("hand_checks:")[0]
    lines = "".join(f"  {name}: {{answer: {words}}}\n" for name, words in answers.items())
    path.write_text(f"{text}hand_checks:\n{lines}")


def gate_of(bench, capsys):
    capsys.readouterr()
    code = run_command(["gate", "T-0001", "--ledger", str(bench.folder / "bench.ledger"), "--json"])
    return code, json.loads(capsys.readouterr().out)["reasons"]


def test_answers_change_verdicts_without_measuring_again(bench, capsys):
    bench.write("plan.yaml", HAND_PLAN)
    bench.write("cards/corvane.yaml", HAND_CARD)
    folder = bench.add_ticket(1)
    cards = ("--serial", "--cards", str(bench.folder / "cards"))
    _, summary = bench.run(capsys, *cards)
    assert summary["measured"] == 22
    code, reasons = gate_of(bench, capsys)
    assert code == 12
    assert len([reason for reason in reasons if "ticket.yaml has no answer" in reason]) == 2

    answer(folder, front_glass=f"pass, {SIGNED}", mount="pass")
    _, summary = bench.run(capsys, *cards)
    assert (summary["measured"], summary["in_ledger"]) == (1, 21)
    code, reasons = gate_of(bench, capsys)
    assert code == 12
    assert reasons == [
        "read_hand_checks.mount.passed at the whole ticket: answered `pass`, but not signed: "
        "`who` and `when` is missing"
    ]

    answer(folder, front_glass=f"pass, {SIGNED}", mount=f"fail, {SIGNED}, note: play of 1 mm")
    _, summary = bench.run(capsys, *cards)
    assert (summary["measured"], summary["in_ledger"]) == (1, 21)
    code, reasons = gate_of(bench, capsys)
    assert code == 10
    assert reasons == [
        "read_hand_checks.mount.passed at the whole ticket: failed by hand (K. Moreau, 2026-03-02T14:05: play of 1 mm)"
    ]

    answer(folder, front_glass=f"pass, {SIGNED}", mount=f"pass, {SIGNED}, note: screws tightened")
    _, summary = bench.run(capsys, *cards)
    assert summary["measured"] == 1
    assert gate_of(bench, capsys) == (0, ["all 3 limits are met"])
    # the same answers in another order are the same answers
    answer(folder, mount=f"pass, {SIGNED}, note: screws tightened", front_glass=f"pass, {SIGNED}")
    _, summary = bench.run(capsys, *cards)
    assert summary["measured"] == 0
