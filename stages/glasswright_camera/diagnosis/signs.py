"""The signs of a fault: measured fields, each against its reference value for the model on this stand."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from operator import attrgetter
from typing import TYPE_CHECKING, Final

from glasswright import unit_of
from glasswright_camera.diagnosis.result import Sign
from glasswright_camera.field import clock_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from glasswright import Artefact
    from glasswright_camera.diagnosis.reference_values import KnownLens, ReferenceValue


STANDS_OUT: Final = 5.0
"""Strength from which a sign is significant: with some thirty signs a ticket, and scatters known from some thirty
copies (Student's t with 29 degrees of freedom: 2.5e-5 two-sided at 5), one healthy lens in a thousand shows one by
chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignKind:
    """A measured field that may be a sign of a fault."""

    kind: str
    stage: str
    field: str
    least: float
    """The least departure that matters, in the field's unit, or relative: a difference that can be measured but not
    seen in a picture is no sign of a fault."""
    perfect: float | None = None
    """Value of a perfect lens; None where it depends on the design."""
    relative: bool = False
    """Whether departures are relative to the reference value."""
    widest_only: bool = True
    """Whether only each focal length's lowest f-number is used, where aberrations show most."""

    towards: str = ""
    """Field with its direction in the file, if it has one."""

    @property
    def measure(self) -> str:
        """Stage and field."""
        return f"{self.stage}.{self.field}"


KINDS: Final = (
    SignKind(
        kind="centre sharpness", stage="measure_mtf50", field="green.centre.mean_cy_per_px", least=0.08, relative=True
    ),
    SignKind(kind="coarse contrast", stage="measure_contrast", field="centre.mean_at_10_frac", least=0.02),
    SignKind(kind="corner softening", stage="measure_centring", field="corner_softening_frac", least=0.08),
    SignKind(
        kind="softer side",
        stage="measure_centring",
        field="side_slope_frac",
        least=0.08,
        perfect=0.0,
        towards="worse_side_deg",
    ),
    SignKind(
        kind="soft sides",
        stage="measure_centring",
        field="soft_sides_frac",
        least=0.08,
        perfect=0.0,
        towards="soft_sides_deg",
    ),
    SignKind(
        kind="coma on the axis",
        stage="measure_centring",
        field="coma_ratio",
        least=0.2,
        perfect=0.0,
        towards="coma_deg",
    ),
    SignKind(
        kind="focus tilt",
        stage="measure_centring",
        field="focus_tilt_arcmin",
        least=1.5,
        perfect=0.0,
        towards="focus_tilt_deg",
    ),
    SignKind(kind="field curvature", stage="measure_centring", field="field_curvature_um", least=8.0),
    SignKind(kind="colour shift", stage="measure_fringing", field="red_green.uniform_x_px", least=0.12, perfect=0.0),
    SignKind(kind="colour shift", stage="measure_fringing", field="red_green.uniform_y_px", least=0.12, perfect=0.0),
    SignKind(kind="colour shift", stage="measure_fringing", field="blue_green.uniform_x_px", least=0.12, perfect=0.0),
    SignKind(kind="colour shift", stage="measure_fringing", field="blue_green.uniform_y_px", least=0.12, perfect=0.0),
    SignKind(kind="lateral colour", stage="measure_fringing", field="red_green.corner_radial_pct", least=0.006),
    SignKind(kind="lateral colour", stage="measure_fringing", field="blue_green.corner_radial_pct", least=0.006),
    SignKind(kind="bent lines", stage="measure_distortion", field="picture_height_worst_pct", least=0.1),
    SignKind(kind="falloff off centre", stage="measure_vignetting", field="centre_x_frac", least=0.02, perfect=0.0),
    SignKind(kind="falloff off centre", stage="measure_vignetting", field="centre_y_frac", least=0.02, perfect=0.0),
    SignKind(kind="one dark corner", stage="measure_vignetting", field="diagonals_ev", least=0.15, perfect=0.0),
    SignKind(kind="uneven corners", stage="measure_vignetting", field="asymmetry_ev", least=0.1, perfect=0.0),
    SignKind(kind="clipped corner", stage="measure_vignetting", field="extreme_beyond_box_ev", least=0.3),
    SignKind(kind="corner light", stage="measure_vignetting", field="mean_corner_loss_ev", least=0.1),
    SignKind(kind="glare", stage="measure_glare", field="chart_glare_pct", least=1.0, perfect=0.0, widest_only=False),
    SignKind(kind="longitudinal colour", stage="measure_focus_offset", field="red_green_um", least=6.0),
    SignKind(kind="longitudinal colour", stage="measure_focus_offset", field="blue_green_um", least=6.0),
    SignKind(kind="glare", stage="measure_glare", field="spot_glare_pct", least=1.0, perfect=0.0, widest_only=False),
    # what diffraction and aberrations spill is up to 0.03 at the lowest f-number
    SignKind(kind="spilt light", stage="measure_mtf50", field="spill_frac", least=0.04, perfect=0.0),
    SignKind(kind="transmission", stage="measure_transmission", field="transmission_ev", least=0.12),
    SignKind(kind="focus shift", stage="measure_focus_shift", field="focus_shift_um", least=8.0, perfect=0.0),
    SignKind(kind="parfocal error", stage="measure_focus_shift", field="parfocal_um", least=12.0, perfect=0.0),
    SignKind(kind="breathing", stage="measure_breathing", field="breathing_ratio", least=0.2),
    SignKind(kind="focus offset", stage="measure_focus_offset", field="green.shift_um", least=6.0, perfect=0.0),
)


def read_signs(results: Mapping[str, Sequence[Artefact]], known: KnownLens | None) -> tuple[Sign, ...]:
    """Return every sign that was measured, strongest first; those without a reference come last.

    Parameters
    ----------
    results
        Stage -> its results, one for each setting.
    known
        Reference values of the model, if there are any.
    """
    signs = [sign for kind in KINDS for sign in _read_kind(kind, results.get(kind.stage, ()), known)]
    return tuple(sorted(signs, key=lambda sign: -abs(sign.strength) if isfinite(sign.strength) else 1.0))


def _read_kind(kind: SignKind, results: Sequence[Artefact], known: KnownLens | None) -> Iterator[Sign]:
    get, get_u = attrgetter(kind.field), attrgetter(kind.field + "_u")
    for result in _widest(results) if kind.widest_only else results:
        value, u = float(get(result)), float(get_u(result))
        if isfinite(value) and isfinite(u):
            yield compare_with_reference(kind, result, value, u, known)


def _widest(results: Iterable[Artefact]) -> Iterator[Artefact]:
    """Yield the result at the lowest f-number of each focal length and focus distance."""
    found: dict[tuple[float | None, float | None], Artefact] = {}
    for result in results:
        at = (result.setting.focal_length_mm, result.setting.focus_distance_m) if result.setting else (None, None)
        if at not in found or _f_number(result) < _f_number(found[at]):
            found[at] = result
    yield from found.values()


def _f_number(result: Artefact) -> float:
    number = result.setting.f_number if result.setting else None
    return float("inf") if number is None else number


def compare_with_reference(kind: SignKind, result: Artefact, value: float, u: float, known: KnownLens | None) -> Sign:
    """Compare one value with its reference value."""
    reference = _find_reference(kind, result, known)
    middle = reference.middle if reference else nan if kind.perfect is None else kind.perfect
    scatter = reference.scatter if reference else 0.0
    least = kind.least * abs(middle) if kind.relative else kind.least
    # with this scale a departure is significant only if it is both large enough and certain enough
    scale = sqrt(scatter**2 + u**2 + (least / STANDS_OUT) ** 2)
    return Sign(
        kind=kind.kind,
        measure=kind.measure,
        where=str(result.setting) if result.setting else "",
        value=value,
        u=u,
        reference=middle,
        reference_u=scatter,
        strength=(value - middle) / scale,
        seen_from=STANDS_OUT * scale,
        side=_find_side(kind, result),
    )


def _find_side(kind: SignKind, result: Artefact) -> str:
    """Return a sign's clock position on the lens; empty without a significant direction."""
    if not kind.towards:
        return ""
    deg, deg_u = float(getattr(result, kind.towards)), float(getattr(result, kind.towards + "_u"))
    if not deg_u <= SURE_SIDE_DEG:
        return ""
    return clock_time(deg) + (f" and {clock_time(deg + 180)}" if kind.kind == "soft sides" else "")


def _find_reference(kind: SignKind, result: Artefact, known: KnownLens | None) -> ReferenceValue | None:
    values = known.values if known else ()
    return next((each for each in values if each.measure == kind.measure and each.is_at(result.setting)), None)


SURE_SIDE_DEG: Final = 30.0
"""Largest standard uncertainty of a direction that is shown: an hour on the clock."""
MOST_SIGNS = 4


def list_signs(signs: Iterable[Sign]) -> str:
    """Return signs with their values as text, at most MOST_SIGNS."""
    texts = [format_sign(sign) for sign in signs]
    more = f", and {len(texts) - MOST_SIGNS} more" if len(texts) > MOST_SIGNS else ""
    return ", ".join(texts[:MOST_SIGNS]) + more


def format_sign(sign: Sign) -> str:
    """Return one sign as text: `focus tilt 4.1 arc minute (reference 0.2) at 50 mm f/2, at 4:30 on the lens`.

    The time is a clock position on the lens, seen from its front with the camera upright.
    """
    unit = unit_of(sign.measure.rpartition(".")[2]) or ""
    unit = f" {unit}" if unit not in ("", "1", "count") else ""
    reference = f" (reference {_figures(sign.reference, sign.u)})" if isfinite(sign.reference) else ""
    where = f" at {sign.where}" if sign.where else ""
    side = f", at {sign.side} on the lens" if sign.side and abs(sign.strength) >= STANDS_OUT else ""
    return f"{sign.kind} {_figures(sign.value, sign.u)}{unit}{reference}{where}{side}"


def _figures(value: float, u: float) -> str:
    """Return a value rounded to the first digit of its uncertainty, four decimals at most."""
    digits = 2 if u <= 0 else max(0, min(4, -int(f"{u:e}".partition("e")[2])))
    return f"{round(value, digits) + 0.0:.{digits}f}"
