"""Plan a rehearsed night: lens, faults and pose of each ticket."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.faults.dirt import draw_dirt
from glasswright_rehearsal.faults.kinds import LENS_FAULTS, Fault, apply_lens_fault, draw_fault, find_fault
from glasswright_rehearsal.scene.geometry import Frame, Pose
from glasswright_rehearsal.scene.layout import Layout, fill_magnification
from glasswright_rehearsal.scene.light import Dust, Lighting
from glasswright_rehearsal.scene.models import MODELS, Copy, LensModel, draw_copy, set_lens

if TYPE_CHECKING:
    from pathlib import Path

    from glasswright_rehearsal.scene.lens import Lens
    from glasswright_rehearsal.scene.printing import Ink

FILL_FRAC = 0.92
"""Fraction of the frame that the lattice fills."""
EVERY_THIRD = 3
"""Without named faults, every third ticket has one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Options of a rehearsal."""

    out: Path
    tickets: int
    megapixels: float
    seed: int
    stand: Path
    model: str
    faults: tuple[str, ...] = ()
    """One for each of the last tickets, `a+b` for two in one lens. Empty: every third ticket has a fault of the lens.
    `none`: no fault."""
    f_numbers: tuple[float, ...] = ()
    """Empty: those of the model."""
    shots_per_setting: int = 1
    flats_per_setting: int | None = None
    """None: three where the aperture is stopped down, as cards require, else one."""
    focus_series: bool | None = None
    """Whether a focus series is shot at every setting. None: where the model's card requires it."""
    ramp_shots: int | None = None
    """Shots of the inclined board at each focal length's lowest f-number, each focused separately. None: one, as cards
    require of a lens with autofocus."""
    locked_ramps: bool | None = None
    """Whether the board is also shot at every setting with the focus locked. None: where the model's card requires it,
    if there are ramp shots."""
    near: bool = False
    """Whether a small chart is also shot at a short distance, at every setting."""
    black_spot: bool = False
    shaken_shots: int | None = None
    """Shots at each exposure time, stabiliser off and on, at the last setting. None: two if the lens has a
    stabiliser."""
    shaking: str = "straight"
    """Motion of the shaker: straight, or one of `swinging.PATTERNS`."""
    dark: bool = False
    sensor: str = "RGGB"
    files: str = "dng"
    ink: Ink | None = None
    """Blur of the chart's edges; None if they are perfect. The true values are those of the lens alone."""

    def count_flats(self, f_number: float) -> int:
        """Return the number of flat shots at an f-number."""
        if self.flats_per_setting is not None:
            return self.flats_per_setting
        return 3 if f_number > MODELS[self.model].f_numbers[0] else 1

    def has_series(self, f_number: float) -> bool:
        """Return whether there is a focus series at an f-number."""
        if self.focus_series is not None:
            return self.focus_series
        return f_number in MODELS[self.model].series_f_numbers

    def has_locked_ramp(self, f_number: float) -> bool:
        """Return whether there is a shot of the board with the focus locked at an f-number."""
        if self.locked_ramps is not None:
            return self.locked_ramps
        return self.ramps > 0 and f_number in MODELS[self.model].locked_f_numbers

    @property
    def ramps(self) -> int:
        """Return the number of ramp shots at each of those settings."""
        return 1 if self.ramp_shots is None else self.ramp_shots

    @property
    def shakes(self) -> int:
        """Return the number of shots at each exposure time on the shaker; 0 for pictures, without exposure times."""
        if self.shaken_shots is not None:
            return self.shaken_shots
        return 2 if MODELS[self.model].has_stabiliser and self.files in ("dng", "dng-jpeg") else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Plan of one ticket."""

    number: str
    index: int
    copy: Copy
    faults: tuple[Fault, ...]
    pose: Pose
    paper: Lighting
    dust: tuple[Dust, ...]

    def lens_at(self, focal_length_mm: float, f_number: float) -> Lens:
        """Return the lens at a setting, with its faults."""
        lens = set_lens(self.copy, focal_length_mm, f_number)
        for fault in self.faults:
            lens = apply_lens_fault(lens, fault, self.copy.model.f_numbers[0] / f_number)
        return lens


def find_frame(megapixels: float, pitch_um: float) -> Frame:
    """Return a 3:2 frame of about `megapixels`, with sides that are multiples of the colour patterns' periods."""
    unit = max(1, round(np.sqrt(megapixels * 1e6 / 6) / 12))
    return Frame(width_px=36 * unit, height_px=24 * unit, pitch_um=pitch_um)


def list_settings(night: Night) -> tuple[tuple[float, float], ...]:
    """Return focal length and f-number of every setting."""
    model = MODELS[night.model]
    return tuple(
        (design.focal_length_mm, f_number)
        for design in model.designs
        for f_number in (night.f_numbers or model.f_numbers)
    )


def plan_visit(night: Night, index: int, layout: Layout, frame: Frame) -> Visit:
    """Draw the plan of one ticket from the night's seed and the ticket's index."""
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, index]))
    model: LensModel = MODELS[night.model]
    copy = draw_copy(model, int(generator.integers(100, 99_999)), generator)
    faults = tuple(draw_fault(name, generator) for name in choose_faults(night, index))
    tilt_y = float(generator.normal(0, 0.04))
    tilted = find_fault(faults, "tilted_chart")
    if tilted:
        tilt_y += 0.7 * tilted.severity
    scale = frame.width_px / 6000
    pose = Pose(
        magnification_frac=fill_magnification(layout, frame.width_px, frame.height_px, frame.pitch_um, FILL_FRAC),
        rotation_deg=float(generator.normal(0, 0.3)),
        tilt_x_deg=float(np.clip(generator.normal(0, 0.04), -0.1, 0.1)),
        tilt_y_deg=float(tilt_y if tilted else np.clip(tilt_y, -0.1, 0.1)),
        shift_px=(float(generator.normal(0, 6 * scale)), float(generator.normal(0, 6 * scale))),
    )
    paper = Lighting(
        gradient=(float(generator.normal(0, 0.03)), float(generator.normal(0, 0.03))),
        bowl=float(generator.normal(-0.05, 0.02)),
        exposure_frac=0.62,
    )
    return Visit(
        number=f"T-{index + 1:04d}",
        index=index,
        copy=copy,
        faults=faults,
        pose=pose,
        paper=paper,
        dust=(*draw_dust(night.seed, frame), *(mote for fault in faults for mote in draw_dirt(fault, frame))),
    )


def choose_faults(night: Night, index: int) -> tuple[str, ...]:
    """Return the names of a ticket's faults."""
    if night.faults:
        place = index - (night.tickets - len(night.faults))
        names = night.faults[place] if place >= 0 else "none"
        return tuple(name for name in names.split("+") if name != "none")
    if index % EVERY_THIRD != EVERY_THIRD - 1:
        return ()
    every = tuple(LENS_FAULTS)
    return (every[(night.seed + index // EVERY_THIRD) % len(every)],)


def draw_dust(seed: int, frame: Frame) -> tuple[Dust, ...]:
    """Draw the motes on the body's sensor, the same for the whole night."""
    generator = np.random.default_rng(np.random.SeedSequence([seed, 1_000_003]))
    return tuple(
        Dust(
            x_px=float(generator.uniform(0, frame.width_px)),
            y_px=float(generator.uniform(0, frame.height_px)),
            diameter_um=float(generator.uniform(10, 25)),
            distance_um=1000.0,
        )
        for _ in range(6)
    )
