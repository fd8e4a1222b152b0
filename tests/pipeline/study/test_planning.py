"""The plan of a study: enough mountings for the degrees of freedom, and every limit of the cards."""

import numpy as np
import pytest

from glasswright.commands.main import run_command
from glasswright.config import load_ticket
from glasswright.statistics.anova import analyse
from glasswright.study.planning import StudyLens, count_fittings, find_coverage, plan_study
from glasswright.study.studying import ENOUGH_FREEDOM
from support.ledger_toys import write_card

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
LOSS = "measure_vignetting.corner_loss_ev"
STAND = "stand: north-bench\nbodies: [Ostrel D7]\n"
LENSES = [StudyLens(model="Corvane 50 mm f/2", serial=f"C50-{k}") for k in range(3)]


@pytest.mark.parametrize(("lenses", "fittings"), [(2, 12), (3, 9), (4, 7), (8, 4)])
def test_independent_mountings_have_the_degrees_of_freedom_of_the_plan(lenses, fittings):
    # the degrees of freedom that the analysis reports vary with the data: their mean is a little below the design's
    assert count_fittings(lenses) == fittings
    generator = np.random.default_rng(3)
    found = []
    for _ in range(200):
        mounting = generator.normal(0, 1.0, (lenses, fittings, 1))
        values = mounting + generator.normal(0, 0.1, (lenses, fittings, 2)) + generator.normal(0, 3, (lenses, 1, 1))
        found.append(analyse(values).reproducibility_freedom)
    assert 0.8 * ENOUGH_FREEDOM < np.mean(found) < 1.25 * ENOUGH_FREEDOM


def test_every_lens_is_mounted_once_in_each_round_in_changing_order():
    plan = plan_study(LENSES, 6, 2)
    assert len({each.number for each in plan.tickets}) == 36
    rounds = [[each.lens.serial for each in plan.tickets if each.fitting == k] for k in range(1, 7)]
    assert all(sorted(each) == sorted([lens.serial for lens in LENSES] * 2) for each in rounds)
    assert len({tuple(each) for each in rounds}) > 2
    # repeats of a mounting follow each other: the lens stays on
    assert all(each[0] == each[1] and each[2] == each[3] for each in rounds)
    assert plan.freedom == 15


@pytest.fixture
def shop(tmp_path):
    (tmp_path / "stand.yaml").write_text(STAND)
    write_card(tmp_path / "cards" / "corvane.yaml", [f"{{measure: {SHARP}, min: 0.25, at: {{f_number: 2}}}}"])
    return tmp_path


def plan(shop, *more):
    lenses = [part for lens in LENSES[:2] for part in ("--lens", lens.model, lens.serial)]
    files = ["--stand", str(shop / "stand.yaml"), "--cards", str(shop / "cards")]
    return run_command(["mountings", str(shop / "study"), *files, *lenses, *more])


def test_the_sheet_lists_every_ticket_and_the_folders_are_tickets(shop, capsys):
    assert plan(shop) == 0
    out = capsys.readouterr().out
    assert "12 mountings of each lens, 2 tickets each: 48 tickets, about 22 degrees of freedom" in out
    assert "1 limited measure will be studied" in out
    sheet = (shop / "study" / "plan.md").read_text()
    assert sheet.count("- [ ] S-") == 48
    assert "* Corvane 50 mm f/2: f/2" in sheet
    folders = sorted((shop / "study" / "tickets").iterdir())
    assert len(folders) == 48
    notes = [load_ticket(folder, ()) for folder in folders]
    assert {note.phase for note in notes} == {"study"}
    assert sorted({int(note.study.fitting) for note in notes}) == list(range(1, 13))


def test_fewer_mountings_than_the_limits_need_are_cautioned(shop, capsys):
    assert plan(shop, "--fittings", "4", "--repeats", "1") == 0
    assert "caution: guarded limits need 12 mountings (22 degrees of freedom)" in capsys.readouterr().out


def test_limits_of_other_models_are_named(shop):
    from glasswright.judging.cards import load_cards

    cards = {model: file.card for model, file in load_cards(shop / "cards").items()}
    coverage = find_coverage(cards, {"Halden 85 mm f/1.8"})
    assert (coverage.covered, coverage.missing) == (0, {SHARP: ("Corvane 50 mm f/2",)})


@pytest.mark.parametrize(
    ("lenses", "message"),
    [
        (("Corvane 50 mm f/2", "A"), "has one lens: a model needs 2"),
        (("Corvane 50 mm f/2", "A", "Corvane 50 mm f/2", "A"), "is named twice"),
        (("Corvane 55 mm f/2", "A"), "there is no card for `Corvane 55 mm f/2`"),
    ],
)
def test_lenses_that_make_no_study_are_refused(shop, capsys, lenses, message):
    named = [part for k in range(0, len(lenses), 2) for part in ("--lens", lenses[k], lenses[k + 1])]
    files = ["--stand", str(shop / "stand.yaml"), "--cards", str(shop / "cards")]
    assert run_command(["mountings", str(shop / "study"), *files, *named]) == 2
    assert message in capsys.readouterr().err
    assert not (shop / "study").exists()
