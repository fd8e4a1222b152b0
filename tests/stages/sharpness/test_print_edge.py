"""The blur of the print's edge: corrected in MTF50 if known, otherwise a caveat."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from glasswright.commands.main import run_command
from glasswright_camera.print_edge import CAVEAT, GAUSSIAN, describe_ink, lose_to_print, take_off_print
from glasswright_camera.setup_check import check_setup
from glasswright_camera.sharpness.stage import measure_mtf50
from glasswright_camera.stand import ChartUse
from support.edge_traces import make_stand, make_trace


def stand_with(edge_blur_um=None, **changes):
    stand = make_stand(pitch_um=6.0)
    layout = replace(stand.charts[0].layout, edge_blur_um=edge_blur_um, **changes)
    return replace(stand, charts=(ChartUse(layout=layout),))


def measured(true_mtf50, ink_um, magnification, stand):
    """Measure a lens with a print, both Gaussian, so that the squares of their widths add."""
    ink_px = ink_um * magnification / 6.0
    read = brentq(lambda f: np.exp(-2 * np.pi**2 * f**2 * ((GAUSSIAN / true_mtf50) ** 2 + ink_px**2)) - 0.5, 1e-4, 2.0)
    trace = replace(make_trace(lambda place, _plane: np.full((len(place), 2), read)), magnification_frac=magnification)
    return read, measure_mtf50((trace,), stand)


@pytest.mark.parametrize(("ink_um", "loss"), [(30.0, 0.305), (60.0, 0.565)])
def test_losses_are_those_of_two_gaussians(ink_um, loss):
    # a lens of 0.4 cycles/pixel, a print one sheet of A3 large on pixels of 6 um
    read, _ = measured(0.4, ink_um, 0.097, stand_with())
    assert 1 - read / 0.4 == pytest.approx(loss, abs=0.005)
    assert lose_to_print(0.4, ink_um, 0.097, 6.0) == pytest.approx(1 - read / 0.4, rel=1e-9)


def test_a_known_print_is_corrected_and_its_uncertainty_included():
    read, found = measured(0.3, 40.0, 0.06, stand_with(edge_blur_um=40.0))
    assert read < 0.26
    assert found.green.centre.mean_cy_per_px == pytest.approx(0.3, rel=1e-6)
    assert found.green.centre.sagittal_cy_per_px_u > 0.2 * (0.3 - read)
    assert CAVEAT not in found.caveats
    _, exact = measured(0.3, 0.0, 0.06, stand_with(edge_blur_um=0.0))
    assert exact.green.centre.mean_cy_per_px == pytest.approx(0.3, rel=1e-6)


def test_an_unknown_print_sets_a_caveat_only_if_its_effect_may_be_large():
    _, near = measured(0.3, 40.0, 0.097, stand_with())
    assert CAVEAT in near.caveats
    assert any("write edge_blur_um into the layout lattice_13x9" in note for note in near.notes)
    _, far = measured(0.4, 40.0, 0.0225, stand_with())
    assert far.caveats == ("single_focus",)
    # a soft lens loses little to the same print
    _, soft = measured(0.08, 40.0, 0.06, stand_with())
    assert soft.caveats == ("single_focus",)


def test_a_print_blur_above_the_measured_one_gives_nan():
    value, u = take_off_print(np.array([0.2, 0.3]), np.array([0.01, 0.01]), 20.0)
    assert value[0] == pytest.approx(0.2 / np.sqrt(1 - 20 * 0.04))
    assert np.isnan([value[1], u[1]]).all()


def test_the_stated_loss_by_ink_is_correct():
    assert "takes 3 to 10 % off an MTF50 of 0.4 cycles/pixel at a magnification of 0.0225." in describe_ink(0.0225, 6.0)
    assert "no limit on MTF50 passes where it may be more than 15 %" in describe_ink(0.097, 6.0)


def test_a_stand_with_a_chart_unknown_to_the_cards_is_named():
    from glasswright import CardFact

    facts = (
        CardFact(model="Corvane 50 mm f/2", measure="measure_mtf50.chart", text="other"),
        CardFact(model="Halden 85 mm f/1.8", measure="measure_mtf50.chart", text="lattice_13x9"),
        CardFact(model="Halden 85 mm f/1.8", measure="measure_mtf50.magnification_frac", low=0.01, high=0.04),
    )
    (found,) = check_setup(stand_with(), facts)
    assert (found.model, found.blocks) == ("Corvane 50 mm f/2", True)
    assert "the card is for chart `other`, and the stand has `lattice_13x9`" in found.message
    small = check_setup(stand_with(pitch_mm=28.0), facts[1:])
    ink, size = small
    assert ink.message.startswith("chart `lattice_13x9`: Ink that spreads by 30 to 60 µm takes")
    assert "at a magnification of 0.0964, and the card is valid from 0.01 to 0.04: print it larger" in size.message


@pytest.mark.parametrize(
    ("paper", "holds"),
    [(("--paper", "A3"), "is not valid for this print"), (("--paper", "A3", "--tiled"), "is valid for this print")],
)
def test_print_lists_the_valid_cards(tmp_path, capsys, paper, holds):
    assert run_command(["print", "chart", *paper, "--out", str(tmp_path), "--cards", "configs/cards"]) == 0
    out = capsys.readouterr().out
    assert f"The card of `Corvane 50 mm f/2` {holds}" in out
    assert ("more than 15 %" in out) == ("not" in holds)
