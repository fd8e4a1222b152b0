"""Copies of a model ranked: which differences are real, and how many comparisons that allows for."""

import dataclasses
import itertools
import json
import math
import random

import pytest
from scipy.stats import t as student
from test_comparing import Shop

from glasswright.judging.compare.ranking import RISK, rank_visits
from glasswright.judging.compare.sides import Visit
from support.ledger_toys import F2, F4, ToySpread, ToyStand, card_file, kept, state

LIMITS = ["{measure: measure_vignetting.loss_ev, max: 1.5}"]


@pytest.fixture
def card(tmp_path):
    return card_file(tmp_path, LIMITS).card


def copy(number, *values, u=0.03, freedom=math.inf, stand="north-bench", caveats=()):
    outcomes = [
        kept("measure_vignetting", setting, loss_ev=(value, u), caveats=caveats)
        for setting, value in zip((F2, F4), values, strict=False)
    ]
    made = state(*outcomes, number=number, serial=number)
    record = dataclasses.replace(made.record, stand=stand)
    spread = ToySpread(u=0.04, freedom=freedom, with_repeats=True)
    return Visit(
        state=dataclasses.replace(made, record=record), stand=ToyStand(reproducibility={"*": spread}, name=stand)
    )


# a copy's u is hypot(0.03, 0.04) = 0.05, that of a difference 0.0707; three pairs at one setting are three comparisons
@pytest.mark.parametrize(("freedom", "stand_share"), [(math.inf, 0.64), (8, 0.64)])
def test_a_difference_is_real_beyond_students_quantile_for_all_comparisons_together(card, freedom, stand_share):
    u = 0.05 * math.sqrt(2)
    # JCGM 100:2008, G.4.1: the stand's part of both sides is one estimate
    effective = math.inf if freedom == math.inf else math.floor(freedom / stand_share**2)
    just = student.ppf(1 - RISK / (2 * 3), effective if effective != math.inf else 1e12) * u
    for step, count in ((just * 1.001, 1), (just * 0.999, 0)):
        copies = [copy(f"T-{place}", value, freedom=freedom) for place, value in enumerate((1.0, 1.0 + step, 1.0), 1)]
        ranking = rank_visits(copies, card)
        assert ranking.comparisons == 3
        assert ranking.worse["T-2"] == 2 * count
        (measure,) = ranking.measures
        assert measure.values[-1][0] == "T-2"
        assert set(measure.better) == ({("T-1", "T-2"), ("T-3", "T-2")} if count else set())
    assert ranking.order[0][0] == 1


def test_the_order_is_by_what_is_really_better_and_equals_share_a_rank(card):
    ranking = rank_visits([copy("T-1", 1.2, 1.0), copy("T-2", 0.5, 0.4), copy("T-3", 0.51, 0.41)], card)
    assert ranking.order == ((1, "T-2"), (1, "T-3"), (3, "T-1"))
    assert (ranking.better["T-2"], ranking.worse["T-1"]) == (2, 4)
    assert ranking.comparisons == 6


def test_two_stands_and_lone_caveats_are_not_compared(card):
    copies = [copy("T-1", 1.2), copy("T-2", 0.5, stand="south-bench"), copy("T-3", 0.1, caveats=("single_focus",))]
    ranking = rank_visits(copies, card)
    assert ranking.comparisons == 0
    assert [rank for rank, _ in ranking.order] == [1, 1, 1]
    assert ranking.notes[0].startswith("two stands: `north-bench` and `south-bench`")


def test_what_has_no_uncertainty_or_no_limit_ranks_nobody(card):
    ranking = rank_visits([copy("T-1", 1.2, u=None), copy("T-2", 0.5), copy("T-3", 0.6)], card)
    assert {ticket for each in ranking.measures for ticket, _, _ in each.values} == {"T-2", "T-3"}


def test_equal_copies_seem_different_in_one_ranking_of_twenty_at_most(card):
    """By simulation: Bonferroni's inequality holds whatever the pairs share (each copy is in three pairs)."""
    draw = random.Random(5)
    rounds, false = 400, 0
    for _ in range(rounds):
        copies = [copy(f"T-{place}", draw.gauss(1.0, 0.05), draw.gauss(0.8, 0.05)) for place in range(4)]
        false += bool(rank_visits(copies, card).better)
    # at most 5 %: 20 expected of 400, and 33 or more would come in one of 200 such tests (binomial)
    assert false < 33
    assert false > 0


def test_the_command_ranks_three_and_says_how_many_comparisons(tmp_path, capsys):
    shop = Shop(tmp_path, model_of_third=None)
    code, printed = shop.compare(capsys, "T-1", "T-2", "T-3")
    assert code == 2
    assert "without a card copies cannot be ranked" in " ".join(printed.err.split())
    shop.judge()
    code, printed = shop.compare(capsys, "T-1", "T-2", "T-3")
    assert code == 0
    assert "3 copies of Corvane 50 mm f/2" in printed.out
    assert "T-2, T-3 than T-1" in printed.out
    assert "for any of 3 comparisons the probability by chance is at most 5%" in printed.out
    data = json.loads(shop.compare(capsys, "T-1", "T-2", "T-3", "--json")[1].out)
    assert [each["ticket"] for each in data["order"]] == ["T-2", "T-3", "T-1"]
    assert all(one["rank"] <= other["rank"] for one, other in itertools.pairwise(data["order"]))
