"""Parameters of a lens at one setting: distortion, lateral colour, blur and light loss."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion:
    """Radial distortion, ``r' = r (1 + k1 r^2 + k2 r^4)``, r in half-diagonals from the axis; negative is barrel."""

    k1: float = 0.0
    k2: float = 0.0
    axis_shift_frac: tuple[float, float] = (0.0, 0.0)
    """Place of the optical axis relative to the frame's centre, in half-diagonals."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneShift:
    """Lateral colour of one plane relative to green: radial ``c1 r + c3 r^3`` (half-diagonals) and a uniform shift."""

    c1: float = 0.0
    c3: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Aberrations:
    """Blur besides diffraction and pixel. Micrometres at the sensor; r in half-diagonals from the centre."""

    blur_um: float = 1.0
    """Gaussian blur (standard deviation) at the centre."""
    sagittal_growth_um: float = 0.0
    """Growth with r^2 of the blur across the radius."""
    tangential_growth_um: float = 0.0
    """Growth with r^2 of the blur along the radius."""
    defocus_um: float = 0.0
    """Defocus of the green plane at the centre; positive is behind the sensor."""
    plane_defocus_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Added defocus of red, green, blue: longitudinal colour."""
    field_curvature_um: float = 0.0
    """Added defocus at a half-diagonal, proportional to r^2."""
    tilt_um: tuple[float, float] = (0.0, 0.0)
    """Added defocus per half-diagonal in x and y: a tilted group."""
    coma_waves: float = 0.0
    """W31 in wavelengths of green, the same over the whole field: a decentred element's coma."""
    decentre_deg: float = 0.0
    """Direction of the coma's tail, and of growing blur."""
    decentre_gradient: float = 0.0
    """Relative growth of the aberration blur per half-diagonal towards `decentre_deg`. If the sagittal and tangential
    blur differ, this is an astigmatism linear in the field."""
    haze_frac: float = 0.0
    """Fraction of the light that is scattered into a halo."""
    halo_um: float = 20.0
    """Standard deviation of the halo."""
    veil_frac: float = 0.0
    """Veiling glare: added uniform light over the paper's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Falloff:
    """Light loss towards the corners: ``corner_ev (share r^2 + (1 - share) r^4)``, r from the falloff's centre."""

    corner_ev: float = 0.0
    square_share: float = 0.8
    plane_ev: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Added loss of red, green, blue at a half-diagonal, proportional to r^2: colour shading."""
    centre_shift_frac: tuple[float, float] = (0.0, 0.0)
    obstruction_ev: float = 0.0
    """Added loss at one corner, proportional to the fourth power of the distance towards `obstruction_deg`."""
    obstruction_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One lens at one setting."""

    focal_length_mm: float = 50.0
    f_number: float = 4.0
    distortion: Distortion = field(default_factory=Distortion)
    red: PlaneShift = field(default_factory=PlaneShift)
    blue: PlaneShift = field(default_factory=PlaneShift)
    aberrations: Aberrations = field(default_factory=Aberrations)
    falloff: Falloff = field(default_factory=Falloff)
    transmission_ev: float = 0.0
    """Light passed in the middle of the field, against the reference lens."""
    breathing_ratio: float = 0.0
    """Change of the image's size with focus over that of a lens that is moved as a whole."""


WAVELENGTH_UM = {"red": 0.61, "green": 0.54, "blue": 0.46, "white": 0.54}
"""Effective wavelength of each plane."""

PLANE_INDEX = {"red": 0, "green": 1, "blue": 2, "white": 1}
"""Index of a plane in the (red, green, blue) triples; a monochrome sensor's plane uses green's."""
