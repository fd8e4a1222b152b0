"""The blur of the print's edge: corrected in MTF50 if known, otherwise a caveat."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from glasswright.commands.main import run_command
from glasswright_camera.print_edge import CAVEAT, GAUSSIAN, describe_ink, lose_to_print
from glasswright_camera.print_transfer import PlaneTransfer, PrintTransfer
from glasswright_camera.setup_check import check_setup
from glasswright_camera.sharpness.print_division import divide_curves
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
    assert CAVEAT not in soft.caveats


FREQUENCY = np.arange(0.0, 0.6001, 0.02)


def scattering(frequency):
    """A print with a core of ink and paper that scatters: exponential spread of light, 1 / (1 + (k f)^2).

    The form is that of Arney, Arney, Katsube and Engeldrum (J. Imaging Sci. Technol. 40, 1996), from memory.
    """
    return np.exp(-2 * (np.pi * 0.02 * frequency) ** 2) * (0.8 + 0.2 / (1 + (0.25 * frequency) ** 2))


def divide(lens, print_, print_u=0.0):
    """Divide lens times print by the print; return MTF50, its u from noise of 1 %, and its u from the print's."""
    measured = lens(FREQUENCY) * print_
    own = brentq(lambda f: lens(f) * np.interp(f, FREQUENCY, print_) - 0.5, 1e-3, 0.6)
    found = divide_curves(
        np.array([own]), np.array([0.01 * own]), measured[None], print_[None], np.full((1, 31), print_u), FREQUENCY
    )
    return found.value[0], found.value_u[0], found.print_u[0]


def soft(frequency):
    """A perfect lens at half its MTF50's limit (Goodman's triangle-like function) with a little blur."""
    part = np.minimum(np.abs(frequency) / 0.8, 1.0)
    return 2 / np.pi * (np.arccos(part) - part * np.sqrt(1 - part**2)) * np.exp(-2 * (np.pi * 0.15 * frequency) ** 2)


@pytest.mark.parametrize("per_mm", [3.75, 1.0])
def test_whole_functions_are_divided_so_a_scattering_print_leaves_no_bias(per_mm):
    true = brentq(lambda f: soft(f) - 0.5, 1e-3, 0.6)
    value, _, _ = divide(soft, scattering(FREQUENCY * per_mm))
    assert value == pytest.approx(true, rel=1e-3)


def test_uncertainties_follow_the_divided_curve():
    def gauss(frequency):
        return np.exp(-np.log(2) * (frequency / 0.3) ** 2)

    print_ = np.exp(-np.log(2) * (FREQUENCY / 0.4) ** 2)
    value, value_u, print_u = divide(gauss, print_, 0.01)
    # closed form: 1/own^2 = 1/measured^2 - 1/print^2, so d own / own = (own / measured)^2 d measured / measured
    assert value == pytest.approx(0.3, rel=2e-3)
    assert value_u / value == pytest.approx(0.01 * 0.3**2 * (1 / 0.3**2 + 1 / 0.4**2), rel=1e-2)
    # the quotient's slope at its half point is ln 2 / own
    there = 0.5 ** (0.3 / 0.4) ** 2
    by_print = 0.5 * 0.01 / (there * np.log(2) / 0.3)
    assert print_u == pytest.approx(np.hypot(by_print, 0.0015 * (1 - there) / (there * np.log(2) / 0.3)), rel=1e-2)


def test_a_print_that_explains_all_blur_gives_nan():
    curve = np.exp(-np.log(2) * (FREQUENCY / 0.3) ** 2)[None]
    value, u = np.array([0.3]), np.array([0.01])
    found = divide_curves(value, u, curve, curve, np.zeros_like(curve), FREQUENCY)
    assert np.isnan([found.value[0], found.value_u[0]]).all()


def test_the_print_counts_in_the_direction_of_the_blur():
    frequency = (0.5, 1.0, 2.0, 4.0)
    wide, narrow = (tuple(np.exp(-2 * (np.pi * um / 1000 * np.array(frequency)) ** 2)) for um in (60.0, 10.0))
    nothing = (0.0,) * 4
    plane = PlaneTransfer(plane="green", across=wide, across_u=nothing, down=narrow, down_u=nothing)
    stand = stand_with()
    use = replace(stand.charts[0], transfer=PrintTransfer(frequency_cy_per_mm=frequency, planes=(plane,), origin="x"))
    trace = replace(make_trace(lambda place, _plane: np.full((len(place), 2), 0.2)), magnification_frac=0.05)
    found = measure_mtf50((trace,), replace(stand, charts=(use,)))
    # the radius towards a corner is nearer to across than to down, and tangential blur lies along it
    straight = 1 / np.sqrt(1 / 0.2**2 - np.array([60.0, 10.0]) ** 2 * (0.05 / 6 / GAUSSIAN) ** 2)
    corner = found.green.lower_right
    assert straight[1] < corner.sagittal_cy_per_px < corner.tangential_cy_per_px < straight[0]
    assert CAVEAT not in found.caveats


def test_tables_of_unequal_length_are_refused():
    plane = PlaneTransfer(
        plane="green", across=(0.9, 0.8), across_u=(0.0, 0.0, 0.0), down=(1.0,) * 3, down_u=(0.0,) * 3
    )
    with pytest.raises(ValueError, match="planes: green: across has 2 values, not 3"):
        PrintTransfer(frequency_cy_per_mm=(1.0, 2.0, 3.0), planes=(plane,), origin="x")


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
