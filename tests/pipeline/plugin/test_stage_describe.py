"""Stages read from signatures: one good stage, and each rule broken once."""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray
from pydantic import Field, ValidationError
from typing_extensions import TypeAliasType

from glasswright import Artefact, Bulk, Shot, stage
from glasswright.errors import PluginError
from glasswright.plugin.measurements import read_measurements
from glasswright.plugin.signature import is_array
from glasswright.plugin.stage import describe, is_stage
from glasswright.plugin.units import UNITS, unit_of
from support.config_toys import TOYS, Mean, Side, average_marks

if TYPE_CHECKING:
    from fractions import Fraction

Scalar = TypeVar("Scalar", bound=np.generic)
AliasedArray = TypeAliasType("AliasedArray", np.ndarray[tuple[Any, ...], np.dtype[Scalar]], type_params=(Scalar,))
"""What `NDArray` is from numpy 2.5 on."""


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    loss_ev: float
    """Light loss."""
    loss_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Result(Artefact):
    """Everything that a result may hold."""

    upper_left: Corner
    discs_count: int
    chart: str
    """Name of the chart,
    as its layout says it."""
    method: Literal["peak", "shot"]
    colour: Colour
    is_focused: bool
    gap_mm: float | None
    profile: NDArray[np.float64]
    names: tuple[str, ...] = ()
    table: "NDArray[np.float32] | None" = None
    worst_ev: Annotated[float, Field(ge=0)] = 0.0


@stage
def measure(
    shots: tuple[Shot, ...],
    mean: Mean,
    reference: Mean | None = None,
    others: tuple[Mean, ...] | None = None,
    *,
    box_frac: Annotated[float, Field(gt=0, lt=1)] = 0.05,
    least_count: Annotated[int, Field(ge=3)],
    method: Literal["peak", "shot"] = "peak",
    careful: bool = True,
    range_mm: tuple[float, float] = (0.0, 1.0),
    cut_px: Annotated[float | None, Field(gt=0)] = None,
) -> Result:
    """Measure something.

    At length.

    Parameters
    ----------
    shots, mean
        Data.
    box_frac
        Side of the box,
        of the frame's.
    least_count, careful
        How careful.

    Returns
    -------
    The result.

    Notes
    -----
    method
        Not here.
    """
    raise NotImplementedError


def test_a_stage_is_described_completely():
    found = describe(measure, "toy")
    assert found.id == "toy.measure"
    assert found.function is measure
    assert found.returns is Result
    assert found.summary == "Measure something."
    assert [(each.name, each.artefact, each.gathers, each.optional) for each in found.inputs] == [
        ("shots", Shot, True, False),
        ("mean", Mean, False, False),
        ("reference", Mean, False, True),
        ("others", Mean, True, True),
    ]
    assert [(each.path, each.unit, each.kind, each.has_uncertainty, each.summary) for each in found.fields] == [
        ("upper_left.loss_ev", "EV", float, True, "Light loss."),
        ("discs_count", "count", int, False, ""),
        ("chart", "", str, False, "Name of the chart, as its layout says it."),
        ("method", "", str, False, ""),
        ("colour", "", str, False, ""),
        ("is_focused", "", bool, False, ""),
        ("gap_mm", "mm", float, False, ""),
        ("worst_ev", "EV", float, False, ""),
    ]
    settings = found.setting_descriptions
    assert [(each.name, each.unit, each.kind, each.required, each.default, each.limits) for each in settings] == [
        ("box_frac", "1", "number", False, 0.05, "> 0, < 1"),
        ("least_count", "count", "whole number", True, None, ">= 3"),
        ("method", "", "peak or shot", False, "peak", ""),
        ("careful", "", "true or false", False, True, ""),
        ("range_mm", "", "tuple[float, float]", False, (0.0, 1.0), ""),
        ("cut_px", "pixel", "number", False, None, "> 0"),
    ]
    assert [each.summary for each in settings] == [
        "Side of the box, of the frame's.",
        "How careful.",
        "",
        "How careful.",
        "",
        "",
    ]


def test_the_mark_returns_the_same_function():
    def plain():
        return None

    assert not is_stage(plain)
    assert stage(plain) is plain
    assert is_stage(plain)
    assert not is_stage(Result)


def test_settings_are_strict():
    model = describe(measure, "toy").settings
    good = model.model_validate_json('{"least_count": 3, "box_frac": 1e-3, "range_mm": [1, 2]}')
    assert good.model_dump() == {
        "box_frac": 1e-3,
        "least_count": 3,
        "method": "peak",
        "careful": True,
        "range_mm": (1.0, 2.0),
        "cut_px": None,
    }
    for bad in ('{"least_count": "3"}', '{"least_count": 2}', '{"least_count": 3, "box": 1}', "{}"):
        with pytest.raises(ValidationError):
            model.model_validate_json(bad)
    with pytest.raises(ValidationError, match="frozen"):
        good.least_count = 4


def test_a_default_is_the_same_value_as_when_it_is_written():
    def give(shot: Shot, *, width_px: float = 3, span_mm: tuple[float, float] = (0, 1)) -> Mean:
        """Give."""

    model = describe(give, "toy").settings
    written = model.model_validate_json('{"width_px": 3, "span_mm": [0, 1]}')
    assert model() == written
    assert [type(value) for value in (model().width_px, *model().span_mm)] == [float, float, float]


def test_a_stage_that_gives_bulk_has_no_measured_fields():
    assert TOYS.stages["toy.open_picture"].returns.bulk
    assert TOYS.stages["toy.open_picture"].fields == ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unitless(Artefact):
    loss: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedUnitless(Artefact):
    @dataclass(frozen=True)
    class Inner:
        loss: int

    inner: Inner


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionalUnitless(Artefact):
    loss: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoneUncertainty(Artefact):
    loss_ev_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TextUncertainty(Artefact):
    chart: str
    chart_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongUncertainty(Artefact):
    loss_ev: float
    loss_ev_u: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapeless(Artefact):
    losses: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Anything(Artefact):
    losses: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Unresolved(Artefact):
    share: "Fraction"


@dataclass(frozen=True, slots=True, kw_only=True)
class Endless(Artefact):
    inner: "Endless | None" = None


@dataclass
class Thawed:
    loss_ev: float


class NoDataclass(Artefact):
    pass


@pytest.mark.parametrize(
    ("result", "message"),
    [
        (
            Unitless,
            "toy.give: field `loss` of Unitless is a number without a unit: end its name in one of _cy_per_px, ",
        ),
        (NestedUnitless, "field `inner.loss` of NestedUnitless is a number without a unit"),
        (OptionalUnitless, "field `loss` of OptionalUnitless is a number without a unit"),
        (LoneUncertainty, "`loss_ev_u` of LoneUncertainty is an uncertainty without its value: add a field `loss_ev`"),
        (TextUncertainty, "`chart` of TextUncertainty and its uncertainty `chart_u` must be numbers"),
        (WrongUncertainty, "`loss_ev` of WrongUncertainty and its uncertainty `loss_ev_u` must be numbers"),
        (Shapeless, "field `losses` of Shapeless is of type dict: use float, int, bool, str"),
        (Anything, "field `losses` of Anything is of type"),
        (
            Unresolved,
            "an annotation of Unresolved names `Fraction`, which is not imported at run time: import it outside",
        ),
        (Endless, "field `inner` of Endless contains Endless within itself"),
        (Thawed, "toy.give: returns Thawed: return one frozen dataclass that derives from Artefact"),
        (NoDataclass, "toy.give: NoDataclass is not a frozen dataclass: decorate it"),
        (float, "toy.give: returns float: return one frozen dataclass"),
        (None, "toy.give: returns nothing: return one frozen dataclass"),
        (tuple[Mean, ...], "return one frozen dataclass"),
    ],
)
def test_a_result_that_breaks_a_rule_is_refused(result, message):
    def give(shot):
        """Give."""

    give.__annotations__ = {"shot": Shot, "return": result}
    with pytest.raises(PluginError) as caught:
        describe(give, "toy")
    assert message in str(caught.value)


def no_annotation(shot: Shot, *, trim) -> Mean:
    """Give."""


def no_docstring(shot: Shot) -> Mean:
    raise NotImplementedError


def variable_inputs(*shots: Shot) -> Mean:
    """Give."""


def variable_settings(shot: Shot, **settings: float) -> Mean:
    """Give."""


def setting_as_input(shot: Shot, trim_frac: float) -> Mean:
    """Give."""


def list_input(shots: list[Shot]) -> Mean:
    """Give."""


def fixed_tuple(shots: tuple[Shot, Shot]) -> Mean:
    """Give."""


def plain_dataclass_input(side: Side) -> Mean:
    """Give."""


def defaulted_input(shot: Shot = "none") -> Mean:
    """Give."""


def nothing_taken(*, trim_frac: float = 0.1) -> Mean:
    """Give."""


def unitless_setting(shot: Shot, *, trim: float = 0.1) -> Mean:
    """Give."""


def unitless_optional_setting(shot: Shot, *, trim: int | None = None) -> Mean:
    """Give."""


def default_out_of_range(shot: Shot, *, trim_frac: Annotated[float, Field(lt=0.5)] = 0.7) -> Mean:
    """Give."""


def default_of_wrong_kind(shot: Shot, *, trim_frac: float = "a tenth") -> Mean:
    """Give."""


def odd_setting(shot: Shot, *, thing: Side.__class__.__class__.mro) -> Mean:
    """Give."""


def seven_settings(shot: Shot, *, a_px: int, b_px: int, c_px: int, d_px: int, e_px: int, f_px: int, g_px: int) -> Mean:
    """Give."""


@pytest.mark.parametrize(
    ("function", "message"),
    [
        (no_annotation, "toy.no_annotation: parameter `trim` has no annotation: add its type"),
        (no_docstring, "toy.no_docstring: has no docstring: say in its first line what it returns"),
        (
            variable_inputs,
            "toy.variable_inputs: `*shots: glasswright.plugin.artefact.Shot`: name every input and setting",
        ),
        (variable_settings, "`**settings: float`: name every input and setting; a stage takes no variable arguments"),
        (setting_as_input, "toy.setting_as_input: input `trim_frac` is float: before the `*` come artefacts"),
        (list_input, "input `shots` is list[glasswright.plugin.artefact.Shot]: before the `*` come artefacts"),
        (
            fixed_tuple,
            "input `shots` is tuple[glasswright.plugin.artefact.Shot, glasswright.plugin.artefact.Shot]: before",
        ),
        (plain_dataclass_input, "input `side` is Side: before the `*` come artefacts"),
        (defaulted_input, "input `shot` has a default: inputs come from the plan; remove it"),
        (
            nothing_taken,
            "toy.nothing_taken: takes no input, which would define what it runs for: add one before the `*`",
        ),
        (unitless_setting, "toy.unitless_setting: setting `trim` is a number without a unit: end its name in one of"),
        (unitless_optional_setting, "setting `trim` is a number without a unit"),
        (default_out_of_range, "the default 0.7 of setting `trim_frac` is refused by its own annotation: Input should"),
        (default_of_wrong_kind, "the default 'a tenth' of setting `trim_frac` is refused by its own annotation"),
        (odd_setting, "toy.odd_setting: its settings cannot be validated"),
        (seven_settings, "toy.seven_settings: has 7 settings, more than 6: make it two stages"),
    ],
)
def test_a_signature_that_breaks_a_rule_is_refused(function, message):
    with pytest.raises(PluginError) as caught:
        describe(function, "toy")
    assert message in str(caught.value)


def test_measurements_are_read_with_their_paths_units_and_uncertainties():
    result = Result(
        upper_left=Corner(loss_ev=1.5, loss_ev_u=0.1),
        discs_count=117,
        chart="lattice",
        method="peak",
        colour=Colour.RED,
        is_focused=True,
        gap_mm=None,
        profile=np.zeros(3),
        worst_ev=math.nan,
        notes=("a note",),
    )
    found = {each.path: (each.value, each.text, each.u, each.unit) for each in read_measurements(result)}
    assert math.isnan(found.pop("worst_ev")[0])
    assert found == {
        "upper_left.loss_ev": (1.5, None, 0.1, "EV"),
        "discs_count": (117.0, None, None, "count"),
        "chart": (None, "lattice", None, ""),
        "method": (None, "peak", None, ""),
        "colour": (None, "red", None, ""),
        "is_focused": (1.0, None, None, ""),
        "gap_mm": (None, None, None, "mm"),
    }
    described = {each.path for each in describe(measure, "toy").fields}
    assert described == {each.path for each in read_measurements(result)}


def test_numpy_scalars_are_read_as_numbers():
    mean = Mean(marks_count=np.int64(3), left=Side(offset_px=np.float64(0.5), offset_px_u=np.float32(0.25)))
    found = {each.path: each for each in read_measurements(mean)}
    assert type(found["marks_count"].value) is float
    assert (found["left.offset_px"].value, found["left.offset_px"].u) == (0.5, 0.25)


def test_bulk_and_plain_artefacts_without_fields_measure_nothing():
    assert read_measurements(Bulk()) == ()


@pytest.mark.parametrize("suffix", UNITS)
def test_every_unit_is_found_at_the_end_of_a_name(suffix):
    assert unit_of(f"worst_{suffix}") == UNITS[suffix]
    assert unit_of(f"worst_{suffix}_u") == UNITS[suffix]
    assert unit_of(f"worst{suffix}x") is None


def test_the_longest_unit_wins():
    assert unit_of("mean_cy_per_px") == "cycles/pixel"
    assert unit_of("mean_lp_per_mm_u") == "line pairs/mm"
    assert unit_of("sum") is None
    assert unit_of("forum") is None


def test_a_gather_of_the_toy_plugin_is_described():
    described = describe(average_marks, "toy")
    assert [(each.name, each.gathers) for each in described.inputs] == [("marks", True), ("ticket", False)]


@pytest.mark.parametrize("kind", [NDArray[np.float64], np.ndarray, AliasedArray[np.float64], AliasedArray])
def test_an_array_is_recognised_by_all_its_names(kind):
    assert is_array(kind)
    assert not is_array(list[float])
