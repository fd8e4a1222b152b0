"""Beginning to watch a stand: the section `watch` from the first reference ticket."""

import dataclasses

import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.watch.beginning import BeginningError, begin_watch
from support.ledger_toys import write_card
from support.watch_toys import FIRST, LOSS, SHARP, STAND, healthy, night, reference, references, write_references

MODEL = "Corvane 50 mm f/2"


def begin(states, measures=None, nights=25):
    return begin_watch(states, measures or {MODEL: {SHARP, LOSS}}, "north-bench", nights)


def test_the_baseline_starts_on_the_first_night_and_watches_what_was_measured():
    found = begin([*references(healthy(3)), reference(night(3), 0.3, "X", phase="release", serial="C50-1")])
    assert (found.serial, found.first, found.last) == ("REF-1", FIRST, night(24))
    assert (found.fields, found.not_measured) == ((SHARP,), (LOSS,))


@pytest.mark.parametrize(
    ("states", "measures", "nights", "message"),
    [
        ([], None, 25, "no ticket of phase `reference` for stand `north-bench`"),
        ([reference(night(0), 0.3), reference(night(0), 0.3, "B", serial="REF-2")], None, 25, "are of several lenses"),
        ([reference(night(0), 0.3)], {"Halden 85 mm f/1.8": {SHARP}}, 25, "there is no card for the reference lens's"),
        ([reference(night(0), None)], None, 25, "have no field that the card limits"),
        ([reference(night(0), 0.3)], None, 5, "a baseline of 5 nights is too short: 8 are needed"),
    ],
)
def test_what_cannot_be_begun_is_refused(states, measures, nights, message):
    with pytest.raises(BeginningError, match=message):
        begin(states, measures, nights)


def test_tickets_of_another_stand_do_not_count():
    made = reference(night(0), 0.3)
    other = dataclasses.replace(made, record=dataclasses.replace(made.record, stand="south-bench"))
    with pytest.raises(BeginningError, match="no ticket of phase `reference`"):
        begin([other])


def test_the_command_writes_the_section_on_request_and_then_watches(tmp_path, capsys):
    ledger, stand, cards = tmp_path / "bench.ledger", tmp_path / "stand.yaml", tmp_path / "cards"
    stand.write_text(STAND)
    write_card(cards / "corvane.yaml", [f"{{measure: {SHARP}, min: 0.25}}", f"{{measure: {LOSS}, max: 2}}"])
    write_references(ledger, healthy(12), healthy(12, seed=3, centre=1.0))
    files = ["--ledger", str(ledger), "--stand", str(stand)]
    assert run_command(["watch", *files, "--begin"]) == 2
    assert "--begin needs --cards" in capsys.readouterr().err
    asked = ["watch", *files, "--begin", "--cards", str(cards), "--nights", "10"]
    assert run_command(asked) == 0
    assert "nothing was written: use --write" in capsys.readouterr().out
    assert stand.read_text() == STAND
    assert run_command([*asked, "--write"]) == 0
    keys = load_stand(stand, load_plugins()).watch
    assert (keys.serial, keys.baseline.first, keys.baseline.last) == ("REF-1", night(0), night(9))
    assert set(keys.fields) == {SHARP, LOSS}
    capsys.readouterr()
    assert run_command(["watch", *files, "--night", night(11).isoformat()]) == 0
    printed = capsys.readouterr().out
    assert "in control" in printed
    assert "the baseline has only 10 nights: with 25 or more a shift is detected much sooner" in printed
    assert run_command([*asked, "--write"]) == 2
    assert "has a section `watch` already" in capsys.readouterr().err


@pytest.mark.parametrize(("nights", "is_few"), [(24, True), (25, False)])
def test_a_baseline_of_few_nights_is_told(tmp_path, capsys, nights, is_few):
    ledger, stand = tmp_path / "bench.ledger", tmp_path / "stand.yaml"
    last = night(nights - 1).isoformat()
    watch = f"{{baseline: {{from: {night(0)}, to: {last}}}, fields: {{{SHARP}: {{at: {{f_number: 2}}}}}}}}"
    stand.write_text(f"{STAND}watch: {watch}\n")
    write_references(ledger, healthy(nights), healthy(nights, seed=3, centre=1.0))
    assert run_command(["watch", "--ledger", str(ledger), "--stand", str(stand), "--night", last]) == 0
    assert (f"the baseline has only {nights} nights" in capsys.readouterr().out) == is_few
