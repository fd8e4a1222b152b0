"""Invented lens models for a rehearsal, and the scatter of their copies.

Corner falloff, distortion and lateral colour are within the range of interchangeable lenses in the Lensfun database
(median corner loss by aperture 1.3 EV at f/2, 0.8 at f/4, 0.4 at f/8; distortion mostly within 5 %; lateral colour 1e-4
to 4e-4 of the radius). The scatter of the copies is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.scene.lens import Aberrations, Distortion, Falloff, Lens, PlaneShift

if TYPE_CHECKING:
    Pair = tuple[float, float]

FLOOR_BLUR_UM = 0.9
"""Blur left after stopping down: surfaces, cover glass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A lens model at one focal length, wide open."""

    focal_length_mm: float
    blur_um: float
    sagittal_growth_um: float
    tangential_growth_um: float
    field_curvature_um: float
    distortion: Pair
    """k1, k2."""
    red: Pair
    """c1, c3."""
    blue: Pair
    corner_ev: Pair
    """Corner loss wide open and stopped down."""
    breathing_ratio: float = 1.0
    """Change of the image's size with focus over that of a lens that is moved as a whole."""
    near_blur_um: float = 6.0
    """Growth of the blur with the magnification, beyond that of the far chart: 0.5 um at a magnification of 0.1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LensModel:
    """One invented model."""

    name: str
    make: str
    serial_letters: str
    f_numbers: tuple[float, ...]
    designs: tuple[Design, ...]
    has_stabiliser: bool = False
    """All models have autofocus."""
    locked_f_numbers: tuple[float, ...] = ()
    """f-numbers at which the model's card requires the inclined board with the focus locked."""
    series_f_numbers: tuple[float, ...] = ()
    """f-numbers at which it requires a focus series."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One lens of a model: its deviations from the design."""

    model: LensModel
    serial: str
    blur_ratio: float = 1.0
    growth_ratio: float = 1.0
    focus_um: float = 0.0
    tilt_um: Pair = (0.0, 0.0)
    coma_waves: float = 0.0
    decentre_deg: float = 0.0
    decentre_gradient: float = 0.0
    distortion_add: float = 0.0
    red_ratio: float = 1.0
    blue_ratio: float = 1.0
    red_shift_px: Pair = (0.0, 0.0)
    blue_shift_px: Pair = (0.0, 0.0)
    falloff_ratio: float = 1.0
    axis_shift_frac: Pair = (0.0, 0.0)
    focus_shift_um: float = 0.0
    """Change of best focus at the sensor from the lowest f-number to a closed aperture, farther from the lens."""
    zoom_shift_um: float = 0.0
    """Change of best focus on zooming from the longest focal length to a very short one."""
    transmission_ev: float = 0.0
    breathing_add: float = 0.0


def draw_copy(model: LensModel, number: int, generator: np.random.Generator) -> Copy:
    """Draw a healthy copy: normal scatter, limited to 2.5 standard deviations."""

    def draw(middle: float, scatter: float) -> float:
        return middle + scatter * float(min(max(generator.standard_normal(), -2.5), 2.5))

    def draw_pair(scatter: float) -> Pair:
        return draw(0, scatter), draw(0, scatter)

    # of its own, so that the rest of the copy does not depend on it
    own = np.random.default_rng([number, 50_021])
    shift, zoom, light, breathing = (float(each) for each in np.clip(own.standard_normal(4), -2.5, 2.5))
    return Copy(
        model=model,
        serial=f"{model.serial_letters}-{number:05d}",
        blur_ratio=draw(1, 0.03),
        growth_ratio=draw(1, 0.04),
        focus_um=draw(0, 0.6),
        tilt_um=draw_pair(1.0),
        coma_waves=abs(draw(0, 0.06)),
        decentre_deg=float(generator.uniform(0, 360)),
        decentre_gradient=abs(draw(0, 0.015)),
        distortion_add=draw(0, 2e-4),
        red_ratio=draw(1, 0.08),
        blue_ratio=draw(1, 0.08),
        red_shift_px=draw_pair(0.02),
        blue_shift_px=draw_pair(0.02),
        falloff_ratio=draw(1, 0.02),
        axis_shift_frac=draw_pair(0.002),
        focus_shift_um=1.0 * shift,
        zoom_shift_um=3.0 * zoom,
        transmission_ev=0.01 * light,
        breathing_add=0.02 * breathing,
    )


def set_lens(copy: Copy, focal_length_mm: float, f_number: float) -> Lens:
    """Return a copy at one setting; aberration blur and falloff decrease with the aperture."""
    design = min(copy.model.designs, key=lambda d: abs(d.focal_length_mm - focal_length_mm))
    opened = copy.model.f_numbers[0] / f_number
    wide, natural = design.corner_ev
    return Lens(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        distortion=Distortion(
            k1=design.distortion[0] + copy.distortion_add, k2=design.distortion[1], axis_shift_frac=copy.axis_shift_frac
        ),
        red=_shift(design.red, copy.red_ratio, copy.red_shift_px),
        blue=_shift(design.blue, copy.blue_ratio, copy.blue_shift_px),
        aberrations=Aberrations(
            blur_um=FLOOR_BLUR_UM + (design.blur_um - FLOOR_BLUR_UM) * opened * copy.blur_ratio,
            sagittal_growth_um=design.sagittal_growth_um * opened * copy.growth_ratio,
            tangential_growth_um=design.tangential_growth_um * opened * copy.growth_ratio,
            defocus_um=copy.focus_um + copy.focus_shift_um * (1 - opened**2),
            plane_defocus_um=(1.5, 0.0, -2.0),
            field_curvature_um=design.field_curvature_um,
            tilt_um=copy.tilt_um,
            coma_waves=copy.coma_waves * opened**3,
            decentre_deg=copy.decentre_deg,
            decentre_gradient=copy.decentre_gradient,
        ),
        falloff=Falloff(
            corner_ev=copy.falloff_ratio * (natural + (wide - natural) * opened**2),
            plane_ev=(0.02, 0.0, 0.03),
            centre_shift_frac=copy.axis_shift_frac,
        ),
        transmission_ev=copy.transmission_ev,
        breathing_ratio=design.breathing_ratio + copy.breathing_add,
    )


def focus_near(lens: Lens, growth_um: float, magnification_frac: float) -> Lens:
    """Return a lens at a short distance, where aberrations grow with the magnification."""
    a = lens.aberrations
    return replace(lens, aberrations=replace(a, blur_um=a.blur_um + growth_um * magnification_frac))


def stop_focus(lens: Lens, defocus_um: float) -> Lens:
    """Return a lens with added defocus."""
    moved = replace(lens.aberrations, defocus_um=lens.aberrations.defocus_um + defocus_um)
    return replace(lens, aberrations=moved)


def _shift(design: Pair, ratio: float, shift_px: Pair) -> PlaneShift:
    """Return a design's lateral colour, scaled."""
    return PlaneShift(c1=design[0] * ratio, c3=design[1] * ratio, shift_px=shift_px)


CORVANE_50 = LensModel(
    name="Corvane 50 mm f/2",
    make="Corvane",
    serial_letters="C50",
    f_numbers=(2.0, 4.0, 8.0),
    designs=(
        Design(
            focal_length_mm=50,
            blur_um=2.0,
            sagittal_growth_um=1.0,
            tangential_growth_um=2.0,
            field_curvature_um=3.0,
            distortion=(-0.014, 0.003),
            red=(1.2e-4, 0.8e-4),
            blue=(-1.4e-4, 0.5e-4),
            corner_ev=(1.3, 0.3),
        ),
    ),
)
HALDEN_85 = LensModel(
    name="Halden 85 mm f/1.8",
    make="Halden",
    serial_letters="H85",
    f_numbers=(1.8, 2.8, 5.6),
    locked_f_numbers=(1.8, 2.8, 5.6),
    series_f_numbers=(5.6,),
    designs=(
        Design(
            focal_length_mm=85,
            blur_um=2.2,
            sagittal_growth_um=0.8,
            tangential_growth_um=1.4,
            field_curvature_um=-3.0,
            distortion=(0.006, 0.001),
            red=(1.0e-4, 0.5e-4),
            blue=(1.5e-4, 1.0e-4),
            corner_ev=(1.5, 0.2),
            breathing_ratio=0.6,
        ),
    ),
)
CORVANE_ZOOM = LensModel(
    name="Corvane 24-70 mm f/4",
    make="Corvane",
    serial_letters="CZ4",
    f_numbers=(4.0, 8.0),
    has_stabiliser=True,
    locked_f_numbers=(4.0,),
    designs=(
        Design(
            focal_length_mm=24,
            blur_um=1.9,
            sagittal_growth_um=1.2,
            tangential_growth_um=2.6,
            field_curvature_um=5.0,
            distortion=(-0.042, 0.012),
            red=(-2.0e-4, -1.5e-4),
            blue=(2.2e-4, 1.0e-4),
            corner_ev=(1.6, 0.7),
            breathing_ratio=-0.3,
        ),
        Design(
            focal_length_mm=50,
            blur_um=1.7,
            sagittal_growth_um=0.9,
            tangential_growth_um=1.8,
            field_curvature_um=2.0,
            distortion=(0.008, -0.001),
            red=(0.8e-4, 0.5e-4),
            blue=(1.0e-4, 0.5e-4),
            corner_ev=(0.9, 0.3),
            breathing_ratio=0.2,
        ),
        Design(
            focal_length_mm=70,
            blur_um=1.9,
            sagittal_growth_um=1.0,
            tangential_growth_um=2.0,
            field_curvature_um=-3.0,
            distortion=(0.018, -0.003),
            red=(1.6e-4, 0.8e-4),
            blue=(-1.0e-4, -0.6e-4),
            corner_ev=(1.0, 0.25),
            breathing_ratio=0.5,
        ),
    ),
)
MODELS = MappingProxyType({model.name: model for model in (CORVANE_50, HALDEN_85, CORVANE_ZOOM)})
