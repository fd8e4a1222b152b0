"""`glasswright tune` on the command line: output, files, refusals; cards change only on request."""

import difflib
import json
import shutil
import sqlite3
from contextlib import closing

import numpy as np
import pytest
import yaml

from glasswright.commands.main import run_command
from glasswright.judging.cards import load_cards
from glasswright.ledger import Ledger
from support.ledger_toys import CARD_HEAD, MODEL, PLAN_SECTION
from support.tuning_toys import LOSS, SHARP, write_lenses

STAND = """\
stand: north-bench
bodies: [Ostrel D7]
reproducibility:
  measure_mtf50.*: {u: 0.002, freedom: 1000, with_repeats: true, origin: "declared, 2026-01"}
  measure_vignetting.*: {u: 1e-2, freedom: 1000, with_repeats: true, origin: "declared, 2026-01"}
"""

LIMITS = f"""\
# Limits of the Corvane, first guesses.
{CARD_HEAD}confidence: 0.95
limits:
  # sharpness, as shot
  - {{measure: {SHARP}, min: 0.20, at: {{f_number: 2}}}}   # the owner's words: "soft"

  # light in the corners
  - measure: {LOSS}
    max: 2.5
    rule: simple
"""
CARD = LIMITS + PLAN_SECTION


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ledger")
    values = 0.30 + 0.01 * np.random.default_rng(1).standard_normal(60)
    write_lenses(folder / "bench.ledger", values)
    return folder / "bench.ledger"


@pytest.fixture
def bench(tmp_path, ledger):
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "corvane.yaml").write_text(CARD, encoding="utf-8")
    (tmp_path / "stand.yaml").write_text(STAND, encoding="utf-8")
    shutil.copytree(ledger.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path


def run(bench, *arguments, lens=MODEL, stand=True):
    paths = ["--ledger", str(bench / "bench.ledger"), "--cards", str(bench / "cards"), "--out", str(bench / "out")]
    paths += ["--stand", str(bench / "stand.yaml")] if stand else []
    return run_command(["tune", lens, *paths, *arguments])


def test_it_proposes_prints_and_writes_but_changes_no_card(bench, capsys):
    assert run(bench) == 0
    printed = capsys.readouterr().out
    assert f"{MODEL}: 60 healthy lenses, 0 bad" in printed
    assert "not proven: an estimate from 60 lenses" in printed
    assert "the whole ticket (60 lenses)" in printed
    assert "REHEARSED" not in printed
    assert printed.rstrip().endswith("proposal.yaml, and 2 pictures beside it")
    assert (bench / "cards" / "corvane.yaml").read_text(encoding="utf-8") == CARD
    proposal = yaml.safe_load((bench / "out" / "proposal.yaml").read_text(encoding="utf-8"))
    assert proposal["proposal"] == MODEL
    assert len(proposal["evidence"]["healthy"]) == 60
    first = proposal["limits"][0]
    assert (first["measure"], first["end"], first["old"]) == (SHARP, "min", 0.2)
    assert 0.24 < first["new"] < 0.28
    assert first["after"]["good_held"]["low"] <= first["after"]["good_held"]["share"]
    assert len(first["curve"]["limit"]) == 61
    pictures = sorted(path.name for path in (bench / "out").glob("*.svg"))
    assert pictures == [f"limit_01_min_{SHARP}.svg", f"limit_02_max_{LOSS}.svg"]


def test_the_same_ledger_gives_the_same_bytes(bench, capsys):
    run(bench)
    first = {path.name: path.read_bytes() for path in (bench / "out").iterdir()}
    assert run(bench) == 0
    assert {path.name: path.read_bytes() for path in (bench / "out").iterdir()} == first
    picture = first[f"limit_01_min_{SHARP}.svg"].decode()
    assert "60 lenses" in picture
    assert "<dc:date>" not in picture
    capsys.readouterr()


def test_json_holds_what_the_proposal_holds(bench, capsys):
    assert run(bench, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    written = yaml.safe_load((bench / "out" / "proposal.yaml").read_text(encoding="utf-8"))
    assert {key: value for key, value in printed.items() if key != "files"} == written
    assert len(printed["files"]) == 3


def test_a_card_with_one_limit_has_one_picture(bench, capsys):
    card = CARD[: CARD.index("\n  # sharpness")] + CARD[CARD.index("\n  - measure") :]
    (bench / "cards" / "corvane.yaml").write_text(card, encoding="utf-8")
    assert run(bench) == 0
    assert capsys.readouterr().out.rstrip().endswith("proposal.yaml, and 1 picture beside it")


def test_a_limit_given_by_hand_is_evaluated(bench, capsys):
    assert run(bench, "--limit", f"{SHARP}=min:0.31", "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    first, second = printed["limits"]
    assert (first["method"], first["new"], first["old"]) == ("typed", 0.31, 0.2)
    assert (second["method"], second["new"]) == ("kept", None)
    assert first["after"]["good_held"]["share"] > 0.5
    assert printed["whole_ticket"]["after"]["good_held"]["share"] == first["after"]["good_held"]["share"]
    assert len(printed["changed_verdicts"]) > 30
    assert (bench / "cards" / "corvane.yaml").read_text(encoding="utf-8") == CARD


def test_a_limit_given_by_hand_is_shown_with_its_digits(bench, capsys):
    assert run(bench, "--limit", f"{SHARP}=min:0.28345") == 0
    assert " 0.28345 " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("nonsense", "--limit nonsense: is not a limit: write `stage.field=min:0.27`"),
        (f"{SHARP}=least:0.2", "is not a limit"),
        (f"{SHARP}=min:low", "is not a limit"),
        (f"{SHARP}=min:inf", "is not a limit"),
        ("measure_mtf50.centre.shap_cy_per_px=min:0.2", f"did you mean `{SHARP}`?"),
        (f"{SHARP}@f_number=4=min:0.2", f"the card limits `{SHARP}` only at f/2"),
        (f"{SHARP}@aperture=4=min:0.2", "`aperture=4` names no setting"),
        (f"{SHARP}=max:0.1", "`min` 0.2 would be above `max` 0.1: no value could meet both"),
    ],
)
def test_a_limit_given_by_hand_that_matches_nothing_is_refused(bench, capsys, typed, message):
    assert run(bench, "--limit", typed) == 2
    assert message in capsys.readouterr().err
    assert not (bench / "out").exists()


def test_one_of_several_limits_is_named_by_its_setting(bench, capsys):
    card = bench / "cards" / "corvane.yaml"
    more = f"  - {{measure: {SHARP}, min: 0.2, at: {{f_number: 4}}}}\n"
    card.write_text(LIMITS + more + PLAN_SECTION, encoding="utf-8")
    assert run(bench, "--limit", f"{SHARP}=min:0.29") == 2
    assert f"the card has 2 limits on `{SHARP}` (f/2, f/4): write `stage.field=min:0.27`" in capsys.readouterr().err
    assert run(bench, "--limit", f"{SHARP}@f_number=2=min:0.29", "--json") == 0
    numbers = [each["new"] for each in json.loads(capsys.readouterr().out)["limits"]]
    assert numbers == [0.29, None, None]


def test_adopting_keeps_comments_order_and_everything_else(bench, capsys):
    assert run(bench, "--adopt", "--by", "K. Moreau") == 0
    assert "2 numbers written" in capsys.readouterr().out
    path = bench / "cards" / "corvane.yaml"
    written = path.read_text(encoding="utf-8")
    card = load_cards(bench / "cards")[MODEL].card
    changed = [line for line in difflib.ndiff(CARD.splitlines(), written.splitlines()) if line[0] in "+-"]
    removed = [line for line in changed if line[0] == "-"]
    assert len(removed) == 2
    assert "# the owner's words" in removed[0]
    for comment in ("# Limits of the Corvane", "# sharpness, as shot", "# light in the corners"):
        assert comment in written
    # the comment stays in its column
    assert f'min: {card.limits[0].min}, at: {{f_number: 2}}}} # the owner\'s words: "soft"' in written
    (entry,) = card.history
    assert entry.by == "K. Moreau"
    assert len(entry.changed) == 2
    assert entry.changed[0].startswith(f"{SHARP} at f/2, min: 0.2 -> 0.2")
    assert entry.evidence.startswith("60 healthy lenses and 0 bad, measured 2026-03-01 to 2026-03-01; not proven;")
    # a second time it holds some of these lenses itself, and they are no evidence for a limit that is tighter still
    assert run(bench, "--adopt") == 0
    printed = capsys.readouterr().out
    assert "held by the current card and not inspected" in printed
    assert "no number changes: nothing was written" in printed
    assert path.read_text(encoding="utf-8") == written


def test_adopting_again_adds_to_the_history(bench, capsys):
    for number in (0.26, 0.27):
        assert run(bench, "--adopt", "--by", "K. Moreau", "--limit", f"{SHARP}=min:{number}") == 0
    history = load_cards(bench / "cards")[MODEL].card.history
    assert [each.changed for each in history] == [
        (f"{SHARP} at f/2, min: 0.2 -> 0.26",),
        (f"{SHARP} at f/2, min: 0.26 -> 0.27",),
    ]
    assert "typed" in history[0].evidence
    capsys.readouterr()


def test_a_card_that_changed_meanwhile_is_not_written(bench, monkeypatch, capsys):
    import glasswright.commands.tune as command

    path = bench / "cards" / "corvane.yaml"
    real = command.write_proposal

    def change_meanwhile(*arguments):
        path.write_text(CARD + "# another hand\n", encoding="utf-8")
        return real(*arguments)

    monkeypatch.setattr(command, "write_proposal", change_meanwhile)
    assert run(bench, "--adopt") == 2
    assert "the card was changed in the meantime: run the command again" in capsys.readouterr().err
    assert path.read_text(encoding="utf-8") == CARD + "# another hand\n"


def test_nothing_is_adopted_where_nothing_is_proposed(bench, capsys):
    assert run(bench, "--adopt", "--method", "distribution_free", "--held", "1") == 2
    captured = capsys.readouterr()
    assert "nothing is proposed: too few lenses: 60, and 662 are needed for 2 sides of limits together" in captured.err
    assert (bench / "cards" / "corvane.yaml").read_text(encoding="utf-8") == CARD
    assert (bench / "out" / "proposal.yaml").exists()


def test_missing_files_are_named(bench, capsys):
    assert run(bench, lens="Corvane 50 mm f/3") == 2
    assert f"there is no card for `Corvane 50 mm f/3`; did you mean `{MODEL}`?" in capsys.readouterr().err
    (bench / "cards" / "halden.yaml").write_text(CARD.replace(MODEL, "Halden 85 mm f/1.8"), encoding="utf-8")
    assert run(bench, lens="Halden 85 mm f/1.8") == 2
    assert "the ledger has no ticket of `Halden 85 mm f/1.8`; it has ['Corvane 50 mm f/2']" in capsys.readouterr().err
    (bench / "cards" / "corvane.yaml").write_text(CARD_HEAD + "limits: []\n", encoding="utf-8")
    assert run(bench) == 2
    assert "the card has no limits: add limits on the measures to tune" in capsys.readouterr().err


def test_without_a_stand_file_the_one_kept_with_the_last_ticket_is_used(bench, capsys):
    assert run(bench, stand=False) == 2
    assert "the ledger has no stand file for ticket T-059: give one with --stand" in capsys.readouterr().err
    for path in bench.glob("bench.ledger*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    write_lenses(bench / "bench.ledger", 0.30 + 0.01 * np.random.default_rng(1).standard_normal(60), STAND)
    assert run(bench, "--json", stand=False) == 0
    kept = json.loads(capsys.readouterr().out)
    assert run(bench, "--json") == 0
    given = json.loads(capsys.readouterr().out)
    assert kept["limits"] == given["limits"]


def test_a_returned_lens_is_counted_among_the_bad(bench, capsys):
    marking = [
        "returned",
        "T-007",
        "--ledger",
        str(bench / "bench.ledger"),
        "--by",
        "K. Moreau",
        "--why",
        "soft on the left",
    ]
    assert run_command(marking) == 0
    assert run(bench) == 0
    printed = capsys.readouterr().out
    assert "59 healthy lenses, 1 bad" in printed
    assert "bad: T-007: came back: soft on the left" in printed


def inspect(bench, ticket, finding, why="no fault seen"):
    return run_command(
        ["inspected", ticket, finding, "--ledger", str(bench / "bench.ledger"), "--by", "K. Moreau", "--why", why]
    )


def test_a_held_lens_counts_after_a_person_found_it_sound(bench, capsys):
    card = (bench / "cards" / "corvane.yaml").read_text(encoding="utf-8")
    (bench / "cards" / "corvane.yaml").write_text(card.replace("min: 0.20", "min: 0.285"), encoding="utf-8")
    assert run(bench, "--json") == 0
    before = json.loads(capsys.readouterr().out)
    held = [each["ticket"] for each in before["evidence"]["held"]]
    assert held
    assert before["limits"][0]["to_inspect"] == held
    assert before["limits"][0]["new"] is None
    for ticket in held:
        assert inspect(bench, ticket, "sound") == 0
    assert f"{held[-1]} (Corvane 50 mm f/2, serial" in capsys.readouterr().out
    assert run(bench, "--json") == 0
    after = json.loads(capsys.readouterr().out)
    assert after["evidence"]["held"] == []
    assert [each["ticket"] for each in after["evidence"]["sound"]] == held
    assert after["limits"][0]["new"] < 0.285
    assert inspect(bench, held[0], "withdrawn", why="the wrong lens") == 0
    assert run(bench, "--json") == 0
    capsys.readouterr()


def test_a_finding_is_kept_once_and_only_for_a_ticket_that_there_is(bench, capsys):
    assert inspect(bench, "T-007", "sound") == 0
    assert inspect(bench, "T-007", "sound") == 0
    assert "T-007: already recorded, at 20" in capsys.readouterr().out
    assert inspect(bench, "T-900", "sound") == 2
    assert "the ledger has no ticket `T-900`: correct the number" in capsys.readouterr().err
    assert inspect(bench, "T-008", "withdrawn") == 2
    assert "ticket `T-008` has no finding: nothing to withdraw" in capsys.readouterr().err
    assert inspect(bench, "T-008", "sound", why=" ") == 2
    assert "write it in a few words on one line" in capsys.readouterr().err


def test_a_changed_ledger_is_not_tuned_from(bench, capsys):
    with closing(sqlite3.connect(bench / "bench.ledger")) as connection:
        connection.execute("DROP TRIGGER measurement_no_update")
        connection.execute("UPDATE measurement SET value = value + 0.01 WHERE value > 0.29 AND value < 0.31")
        connection.commit()
    assert run(bench) == 21
    assert "does not match its hash: restore the ledger from a backup" in capsys.readouterr().err


def test_judging_afterwards_uses_the_adopted_limits(bench, capsys):
    assert run(bench, "--adopt", "--limit", f"{SHARP}=min:0.33") == 0
    paths = [
        "--ledger",
        str(bench / "bench.ledger"),
        "--cards",
        str(bench / "cards"),
        "--stand",
        str(bench / "stand.yaml"),
    ]
    assert run_command(["judge", *paths]) == 10
    capsys.readouterr()
    with Ledger.open_for_reading(bench / "bench.ledger") as opened:
        assert opened.latest_judgement("T-000").verdicts[0].lower == 0.33
