"""A changed stand file leads to review until it is adopted, even if it both measured and judged."""

import json

import pytest

from glasswright.commands.main import run_command
from support.night_bench import STAND, shots_of

BY = ("--by", "K. Moreau", "--why", "new source")
DOCTORED = STAND.replace("offset_dn: 1", "offset_dn: 1000")
MAY_DECIDE = "may_decide: [K. Moreau]\n"


@pytest.fixture
def failing(shop):
    """A shop with a measured night; its next shots fail with the unchanged stand."""
    shop.add(1)
    shop.measure()
    shop.add(3, shots=shots_of(3) | {"chart/f2_0.txt": "4000 3000", "chart/f2_1.txt": "4010 3000"})
    return shop


def judge(shop, *more):
    folder = shop.bench.folder
    options = {"--ledger": "bench.ledger", "--cards": "cards", "--stand": "stand.yaml"}
    code = run_command(["judge", *(part for key, file in options.items() for part in (key, str(folder / file))), *more])
    return code, shop.capsys.readouterr()


def gate(shop, number="T-0003"):
    code, decision = shop.gate(number)
    return code, decision["reasons"], decision["notes"]


def test_a_changed_stand_for_run_and_judge_is_reviewed(failing):
    failing.measure()
    assert gate(failing)[0] == 10
    failing.bench.write("stand.yaml", DOCTORED)
    failing.measure()
    code, reasons, _ = gate(failing)
    assert code == 11
    (reason,) = reasons
    assert reason.startswith("the stand file differs from the adopted one (as found by the first run with it, 20")
    assert reason.endswith(
        "): `toy.offset_dn` was 1 and is 1000: use the earlier file, or adopt this one "
        "(`glasswright judge --adopt-stand --by ... --why ...`)"
    )
    failing.bench.write("stand.yaml", STAND)
    failing.measure()
    assert gate(failing)[0] == 10


def test_what_was_released_before_a_change_stays_released(failing):
    assert gate(failing, "T-0001")[0] == 0
    failing.bench.write("stand.yaml", DOCTORED)
    failing.add(4)
    run_command(failing.bench.arguments("--cards", str(failing.bench.folder / "cards"), "--ticket", "T-0004"))
    failing.capsys.readouterr()
    assert gate(failing, "T-0001")[0] == 0


def test_a_change_is_adopted_by_name_and_then_shown(failing):
    failing.bench.write("stand.yaml", STAND.replace("offset_dn: 1", "offset_dn: 2"))
    failing.add(4)
    failing.measure()
    assert gate(failing, "T-0004")[0] == 11
    code, printed = judge(failing, "--adopt-stand", *BY)
    assert code == 10
    assert "stand file `toy-bench` (" in printed.out
    assert ") adopted by K. Moreau: new source" in printed.out
    code, reasons, notes = gate(failing, "T-0004")
    assert (code, reasons) == (0, ["the one limit is met"])
    assert [note for note in notes if note.startswith("stand file adopted by K. Moreau, 20")]
    assert run_command(["verify", "--ledger", str(failing.bench.folder / "bench.ledger")]) == 0
    # an earlier state is not the present one
    failing.bench.write("stand.yaml", STAND)
    failing.measure()
    code, reasons, _ = gate(failing, "T-0004")
    assert code == 11
    assert "the stand file differs from the adopted one (adopted by K. Moreau, 20" in reasons[0]
    assert "`toy.offset_dn` was 2 and is 1" in reasons[0]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("stand: toy-bench", "# moved to the other room\nstand: toy-bench"),
        ("bodies: [Ostrel D7]", "bodies: [Ostrel D7, Ostrel D8]"),
        ('origin: "declared for the tests"', 'origin: "a study of March"'),
        ("reproducibility:", 'reproducibility:\n  combine_flat.mean_dn: {u: 7, origin: "declared"}'),
    ],
)
def test_constants_that_no_limit_depends_on_may_change(failing, old, new):
    assert old in STAND
    failing.bench.write("stand.yaml", STAND.replace(old, new))
    failing.measure()
    assert gate(failing, "T-0001")[0] == 0


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("u: 0.5", "u: 0.0001", "`reproducibility.combine_chart.mean_dn.u` was 0.5 and is 0.0001"),
        (
            "toy: {offset_dn: 1}",
            "toy: {offset_dn: 1}\nwatch: {baseline: {from: 2026-03-01, to: 2026-03-09}, fields: {a.b_px: {}}}",
            "`watch` was missing and is {'baseline':",
        ),
    ],
)
def test_settings_that_affect_decisions_count_too(failing, old, new, expected):
    failing.bench.write("stand.yaml", STAND.replace(old, new))
    judge(failing)
    code, reasons, _ = gate(failing, "T-0001")
    assert code == 11
    assert any(expected in reason for reason in reasons)


def test_nobody_can_authorise_himself_to_decide(failing):
    failing.bench.write("stand.yaml", DOCTORED + MAY_DECIDE)
    failing.measure()
    decide = ["decide", "T-0003", "--ledger", str(failing.bench.folder / "bench.ledger"), *BY]
    assert run_command(decide) == 2
    assert "K. Moreau may not decide, according to the stand file `toy-bench`: nobody may" in (
        failing.capsys.readouterr().err
    )
    failing.bench.write("stand.yaml", STAND + MAY_DECIDE)
    failing.measure()
    judge(failing, "--adopt-stand", "--by", "R. Adler", "--why", "K. Moreau leads the bench")
    failing.bench.write("stand.yaml", DOCTORED + MAY_DECIDE)
    failing.measure()
    assert run_command(decide) == 0
    failing.capsys.readouterr()
    assert gate(failing)[0] == 14


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (("--adopt-stand",), "the name of a person is missing: write who it is"),
        (("--adopt-stand", "--by", "K. Moreau"), "write it in a few words on one line"),
        (BY, "--adopt-stand, --by NAME and --why REASON must be given together"),
        (("--adopt-stand", *BY, "--no-keep"), "--adopt-stand, --by NAME and --why REASON must be given together"),
    ],
)
def test_an_adoption_needs_a_name_and_a_reason(failing, options, expected):
    code, printed = judge(failing, *options)
    assert code == 2
    assert expected in printed.err


def test_a_stand_file_given_to_the_gate_alone_is_compared_too(failing):
    folder = failing.bench.folder
    failing.bench.write("other.yaml", STAND.replace("u: 0.5", "u: 0.0001"))
    by = ["--cards", str(folder / "cards"), "--stand", str(folder / "other.yaml")]
    code = run_command(["gate", "T-0001", "--ledger", str(folder / "bench.ledger"), "--json", *by])
    assert code == 11
    assert "was 0.5 and is 0.0001" in json.loads(failing.capsys.readouterr().out)["reasons"][0]
