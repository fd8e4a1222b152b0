"""The steps of commissioning: what each is for, what to shoot, and what to beware of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from glasswright_camera.commissioning.diffraction_step import commission_diffraction
from glasswright_camera.commissioning.dust_step import commission_dust
from glasswright_camera.commissioning.sensor_step import commission_sensor
from glasswright_camera.commissioning.source_step import PLACES_FILE, commission_source, write_places

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date
    from pathlib import Path

    from glasswright_camera.commissioning.step_result import StepResult
    from glasswright_camera.stand import Stand


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step."""

    name: str
    title: str
    minutes: int
    """At the stand, without the computing."""
    folders: tuple[str, ...]
    """That the shots go into, below the step's own."""
    shoot: tuple[str, ...]
    """What to do, in order."""
    cautions: tuple[str, ...]
    find: Callable[[Path, Stand, date], StepResult]
    notes: Mapping[str, str] = field(default_factory=dict)
    """Files that are to be filled in by hand: name below the step's folder -> what stands in them at first."""


STEPS: Final = (
    Step(
        name="sensor",
        title="Sensor: black, white, gain, read noise, linearity",
        minutes=20,
        folders=("dark", "flat"),
        shoot=(
            "Put the cap on, and shoot 6 frames at 1/100 s into `dark`.",
            "Light the even source, set f/8 and base sensitivity, and leave both alone from here on.",
            "Shoot two frames each into `flat` at ten exposure times: from a thirtieth to nine tenths of white.",
            "Shoot two more at twice white.",
        ),
        cautions=(
            "The electronic shutter: a mechanical one is not true to its times below 1/30 s.",
            "Let the lamp burn for 20 minutes first.",
        ),
        find=commission_sensor,
    ),
    Step(
        name="source",
        title="Source: the even light apart from lens and sensor",
        minutes=30,
        folders=(),
        notes={PLACES_FILE: write_places()},
        shoot=(
            "Put the source before the lens, wide open, and leave lens and body as they are from here on.",
            "Turn, shift and tilt the source as `places.yaml` lists; shoot two flats of each place into its folder.",
            "Correct `places.yaml` where the source stood otherwise, and say in `known_to` how well you know it.",
        ),
        cautions=(
            "Turn, shift and tilt the source, not the camera's lens: what moves against the camera is what is found.",
            "Without tilts, what the source emits by angle goes wholly into the lens.",
        ),
        find=commission_source,
    ),
    Step(
        name="dust",
        title="Dust on the sensor",
        minutes=15,
        folders=("lens_1", "lens_2", "lens_3"),
        shoot=(
            "Through two lenses, better three, shoot two flats each at the smallest stop, each into its own folder.",
        ),
        cautions=("Do not clean anything between the lenses.",),
        find=commission_dust,
    ),
    Step(
        name="diffraction",
        title="Absolute check: sharpness stopped down against diffraction",
        minutes=15,
        folders=("chart",),
        shoot=(
            "With the best lens, focused with care, shoot the chart twice each at f/11, f/16 and f/22 into `chart`.",
        ),
        cautions=("Wait until nothing shakes: these exposures are long.",),
        find=commission_diffraction,
    ),
)
