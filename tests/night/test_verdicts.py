"""Healthy lenses pass and faulty ones fail, on the stage where the fault shows."""

import pytest

from conftest import FAULTS, gate, run_night
from glasswright.ledger import Ledger
from support.truth_of_night import read_truth


def failed_stages(ledger, number):
    with Ledger.open_for_reading(ledger) as kept:
        judgement = kept.latest_judgement(number)
    return {each.measure.split(".")[0] for each in judgement.verdicts if each.verdict == "FAIL"}


def numbers_of(folder, fault=None):
    """Return the tickets whose lens has this one fault, or none."""
    faults = [] if fault is None else [fault]
    truths = {path.stem: read_truth(folder, path.stem) for path in sorted((folder / "truth").glob("T-*.json"))}
    return [number for number, truth in truths.items() if [each["name"] for each in truth["faults"]] == faults]


def test_every_healthy_lens_is_released(whole_night, capsys):
    folder, ledger = whole_night
    numbers = numbers_of(folder)
    assert len(numbers) == 2
    for number in numbers:
        code, reasons = gate(ledger, number, capsys)
        assert code == 0, reasons


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_lens_fails_on_the_right_stage(faulty_night, capsys, fault):
    folder, ledger = faulty_night
    (number,) = numbers_of(folder, fault)
    code, reasons = gate(ledger, number, capsys)
    assert code == 10, reasons
    assert FAULTS[fault] in failed_stages(ledger, number)


def test_no_result_of_a_setting_shot_on_a_knocked_stand_passes(tmp_path, capsys):
    rehearsal = ("--tickets", "1", "--megapixels", "3", "--seed", "3", "--f-number", "4", "--fault", "knocked_stand")
    ledger = run_night(tmp_path, *rehearsal, serial=True)
    code, _reasons = gate(ledger, "T-0001", capsys)
    assert code != 0
    with Ledger.open_for_reading(ledger) as kept:
        verdicts = kept.latest_judgement("T-0001").verdicts
    read = [each for each in verdicts if each.measure.startswith("measure_mtf50") and each.verdict != "UNKNOWN"]
    assert read
    assert {each.verdict for each in read} <= {"REVIEW", "FAIL"}
    # the doubled edge also looks like a halo
    assert all("with the caveat unlike_edges" in each.reason and "does not accept" in each.reason for each in read)
