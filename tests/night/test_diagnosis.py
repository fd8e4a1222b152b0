"""Rehearsed lenses through the whole program: the diagnosis finds the fault."""

import pytest


@pytest.fixture
def table(scored_nights):
    return scored_nights[1]


def test_no_healthy_lens_is_called_faulty(table):
    assert table["healthy"] == 2
    assert table["false_alarms"] == 0, table["not_right"]


def test_nine_faults_in_ten_are_named_and_no_absent_one_is_likely(table):
    assert table["single"] == 14
    assert table["single_right"] >= 0.9 * table["single"], table["not_right"]
    assert table["wrong_and_likely"] == 0, table["not_right"]


def test_of_two_faults_none_is_invented(table):
    assert table["double"] == 1
    assert table["double_both"] + table["double_one"] == 1, table["not_right"]
