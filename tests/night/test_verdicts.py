"""Healthy lenses pass and faulty ones fail, on the stage where the fault shows."""

import json

import pytest
from truth_of_night import read_truth

from conftest import FAULTS
from glasswright.commands.main import run_command
from glasswright.ledger import Ledger


def gate(ledger, number, capsys):
    capsys.readouterr()
    code = run_command(["gate", number, "--ledger", str(ledger), "--json"])
    return code, json.loads(capsys.readouterr().out)["reasons"]


def failed_stages(ledger, number):
    with Ledger.open_for_reading(ledger) as kept:
        judgement = kept.latest_judgement(number)
    return {each.measure.split(".")[0] for each in judgement.verdicts if each.verdict == "FAIL"}


@pytest.mark.parametrize("number", ["T-0001", "T-0002", "T-0003"])
def test_a_healthy_lens_is_released(faulty_night, capsys, number):
    folder, ledger = faulty_night
    assert read_truth(folder, number)["faults"] == []
    code, reasons = gate(ledger, number, capsys)
    assert code == 0, reasons


@pytest.mark.parametrize(("place", "fault"), list(enumerate(FAULTS)))
def test_a_faulty_lens_fails_on_the_right_stage(faulty_night, capsys, place, fault):
    folder, ledger = faulty_night
    number = f"T-{4 + place:04d}"
    assert [each["name"] for each in read_truth(folder, number)["faults"]] == [fault]
    code, reasons = gate(ledger, number, capsys)
    assert code == 10, reasons
    assert FAULTS[fault] in failed_stages(ledger, number)
