"""Write the shots of each commissioning step, with errors drawn from the seed."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from glasswright_rehearsal.commissioning.diffraction_shots import write_diffraction_shots
from glasswright_rehearsal.commissioning.dust_shots import write_dust_shots
from glasswright_rehearsal.commissioning.focus_shots import write_focus_shots
from glasswright_rehearsal.commissioning.ink_shots import write_ink_shots
from glasswright_rehearsal.commissioning.print_shots import write_print_shots
from glasswright_rehearsal.commissioning.sensor_shots import SensorErrors, write_sensor_shots
from glasswright_rehearsal.commissioning.source_shots import SourceErrors, write_source_shots
from glasswright_rehearsal.commissioning.standing_shots import write_standing_shots

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from glasswright_rehearsal.commissioning.bench import NewBench


def write_sensor(bench: NewBench) -> None:
    """Write the step `sensor`: a body with nonlinear response, which clips below the declared white."""
    generator = bench.draw(2)
    errors = SensorErrors(
        nonlinearity_frac=float(generator.uniform(0.015, 0.04)),
        clip_dn=int(generator.integers(15_300, 16_200)),
        black_offset_dn=float(generator.uniform(-3, 3)),
    )
    write_sensor_shots(bench, errors, full_well_e=float(generator.uniform(20_000, 80_000)))


def write_source(bench: NewBench) -> None:
    """Write the step `source`: a panel that is brightest off its middle, and darker at an angle."""
    generator = bench.draw(6)
    errors = SourceErrors(
        bowl_ev=float(generator.uniform(-0.2, 0.05)),
        middle=(float(generator.normal(0, 0.06)), float(generator.normal(0, 0.06))),
        gradient_ev=(float(generator.normal(0, 0.03)), float(generator.normal(0, 0.03))),
        by_angle_ev=(float(generator.uniform(-0.8, 0.0)), float(generator.uniform(-0.4, 0.0))),
    )
    write_source_shots(bench, errors)


WRITERS: Mapping[str, Callable[[NewBench], None]] = MappingProxyType(
    {
        "sensor": write_sensor,
        "source": write_source,
        "print": write_print_shots,
        "ink": write_ink_shots,
        "standing": write_standing_shots,
        "focus": write_focus_shots,
        "dust": write_dust_shots,
        "diffraction": write_diffraction_shots,
    }
)
