"""The commissioning steps, with shooting instructions and cautions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from glasswright_camera.commissioning.diffraction_step import commission_diffraction
from glasswright_camera.commissioning.dust_step import commission_dust
from glasswright_camera.commissioning.focus_step import FOCUS_FILE, FOCUS_TEXT, commission_focus
from glasswright_camera.commissioning.ink_step import INK_FILE, INK_TEXT, commission_ink
from glasswright_camera.commissioning.print_step import RULE_FILE, RULE_TEXT, commission_print
from glasswright_camera.commissioning.sensor_step import commission_sensor
from glasswright_camera.commissioning.source_step import PLACES_FILE, commission_source, write_places
from glasswright_camera.commissioning.standing_step import STANDING_FILE, STANDING_TEXT, commission_standing

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
    """Time at the stand, without the computing."""
    folders: tuple[str, ...]
    """Folders for the shots, below the step's folder."""
    shoot: tuple[str, ...]
    """Instructions, in order."""
    cautions: tuple[str, ...]
    without: str
    """Consequence of leaving the step out."""
    find: Callable[[Path, Stand, date], StepResult]
    notes: Mapping[str, str] = field(default_factory=dict)
    """Files to be completed by hand: name below the step's folder -> initial content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerStep:
    """A step after the others: from tickets that were measured on the stand, not from shots of the stand itself."""

    name: str
    title: str
    do: tuple[str, ...]
    """Instructions, in order; commands in backquotes."""
    describe_state: Callable[[Mapping[str, Any]], str]
    """State of the step according to the stand file's data; empty if it was not done."""


def _describe_study(stand: Mapping[str, Any]) -> str:
    entries = (stand.get("reproducibility") or {}).values()
    studied = sum("freedom" in entry for entry in entries)
    declared = len(entries) - studied
    if not studied:
        return ""
    rest = f", {declared} still declared" if declared else ""
    return f"done for {studied} entries of `reproducibility`{rest}"


def _describe_watch(stand: Mapping[str, Any]) -> str:
    watch = stand.get("watch")
    if not watch:
        return ""
    return f"begun: baseline from {watch['baseline']['from']} to {watch['baseline']['to']}"


def _describe_values(stand: Mapping[str, Any]) -> str:
    models = (stand.get("camera_lenses") or {}).get("models") or ()
    return f"done for {len(models)} models" if models else ""


LEDGER_STEPS: Final = (
    LedgerStep(
        name="study",
        title="Study: scatter of the stand when a lens is mounted again",
        do=(
            "Plan it: `glasswright mountings study --stand STAND --cards CARDS --lens MODEL SERIAL --lens ...`.",
            "Shoot the tickets in the order of `study/plan.md`, and tick them off.",
            "Measure them: `glasswright run PLAN --stand STAND --tickets study/tickets --ledger LEDGER`.",
            "Write the result: `glasswright study --ledger LEDGER --stand STAND --cards CARDS --write`.",
        ),
        describe_state=_describe_study,
    ),
    LedgerStep(
        name="reference",
        title="Reference lens: baseline nights, to notice when the stand changes",
        do=(
            "Choose a good lens that never leaves the shop. Shoot it tonight as a ticket of phase `reference`; run it.",
            "Begin: `glasswright watch --ledger LEDGER --stand STAND --begin --cards CARDS --write`.",
            "Shoot it every night; after the baseline `glasswright watch` reports whether the stand is in control.",
        ),
        describe_state=_describe_watch,
    ),
    LedgerStep(
        name="values",
        title="Reference values of a lens model, from the shop's own lenses",
        do=(
            "When eight healthy lenses or more were measured: `glasswright tune MODEL --ledger LEDGER --cards CARDS`.",
            "Export: `glasswright export --ledger LEDGER --out tables --format csv`.",
            "`glasswright reference-values MODEL tables/measurements.csv --proposal PROPOSAL --out FILE`: lenses that "
            "tuning leaves out are left out here too.",
            "Name FILE in the stand file, under `camera_lenses: models:`.",
        ),
        describe_state=_describe_values,
    ),
)


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
            "Use the electronic shutter: a mechanical one has inaccurate times below 1/30 s.",
            "Let the lamp warm up for 20 minutes first.",
        ),
        without="Black and white are those of the files; a nonlinear response goes into vignetting, glare and MTF50.",
        find=commission_sensor,
    ),
    Step(
        name="source",
        title="Source: evenness of the light, without lens and sensor",
        minutes=30,
        folders=(),
        notes={PLACES_FILE: write_places()},
        shoot=(
            "Put the source before the lens, open the aperture, and leave lens and body as they are from here on.",
            "Turn, shift and tilt the source as `places.yaml` lists; shoot two flats at each place into its folder.",
            "Correct `places.yaml` where the placement differed, and enter its standard uncertainties in `known_to`.",
        ),
        cautions=(
            "Turn, shift and tilt the source, not the camera or lens: only what moves against the camera is measured.",
            "Without tilts, the source's emission by angle is counted as the lens's vignetting.",
        ),
        without="Unevenness of the light, by place and by angle, is counted as the lens's vignetting.",
        find=commission_source,
    ),
    Step(
        name="print",
        title="Print: places and heights of the chart's discs",
        minutes=45,
        folders=("mounting_1",),
        notes={RULE_FILE: RULE_TEXT},
        shoot=(
            "Fix the print to a rigid plate and hang it. Lay a steel rule on it; write its reading into `rule.yaml`.",
            "Use the sharpest lens at f/8 and tape its focus. Shoot the chart filling the frame into `mounting_1`.",
            "Roll the camera by a quarter, a half and three quarters of a turn; shoot each.",
            "Tilt the camera by 10 to 15 degrees up, down, left and right; shoot each.",
            "Shift it by a fifth of the frame left and right, then twice roll and tilt at once; shoot each.",
            "If the print may be hung again: take it off, hang it, and shoot the same into `mounting_2`, `mounting_3`.",
        ),
        cautions=(
            "Do not touch the print between the shots of a mounting: move the camera. A movement of 0.05 mm costs more "
            "than all noise.",
            "Without tilted shots a bow of the print and distortion of the lens are not separated.",
            "Do not refocus: the fit has one principal distance.",
        ),
        without="A stretched or bowed print is counted as the lens's distortion: a bow of 1 mm on 800 mm as 0.02 %.",
        find=commission_print,
    ),
    Step(
        name="ink",
        title="Print: sharpness of its edges",
        minutes=40,
        folders=("across_1", "across_2", "down_1", "down_2", "far"),
        notes={INK_FILE: INK_TEXT},
        shoot=(
            "Hang a metal blade beside a printed edge, in the print's plane, before a distant evenly lit white.",
            "Go eight times closer than usual; focus on the print at f/5.6 to f/8. Both edges run down the frame, "
            "turned by 3 to 10 degrees. Shoot 5 frames into `across_1`.",
            "Exchange the sides of blade and print; shoot 5 frames into `across_2`.",
            "The same with edges that run across the frame: 5 frames each into `down_1` and `down_2`.",
            "Lay a steel rule into a frame; write pixels per millimetre and the places of the edges into `ink.yaml`.",
            "Without a blade: also shoot the whole chart twice from its usual distance, same f-number, into `far`.",
        ),
        cautions=(
            "A blade is sharp: cover its other edges, and follow the shop's rules for blades.",
            "Lamps get hot and dazzle: keep the white and its lamps far behind the blade, and cables out of the way.",
            "Print and blade must be in one plane: at this distance a depth of 0.1 mm is out of focus.",
        ),
        without="The print's blur is counted as the lens's: ink takes 3 to 11 % off an MTF50 of 0.4 at 0.024.",
        find=commission_ink,
    ),
    Step(
        name="standing",
        title="Standing: chart parallel to the sensor, tilt of the body",
        minutes=30,
        folders=("chart",),
        notes={STANDING_FILE: STANDING_TEXT},
        shoot=(
            "Hold a mirror flat on the chart's middle; turn the camera until the lens sees itself in the centre.",
            "Focus on the chart and shoot it twice into `chart`.",
            "If there is an adapter in which a lens can be turned: measure its tilt at two turns or more, half a turn "
            "apart, from focus series; write the tilts into `standing.yaml`. Or have the body's flange measured.",
        ),
        cautions=(
            "The body's own tilt is not determined by lenses that mount one way. Without it, tilt is of lens and body.",
            "The mirror method is common practice; its error is half the angle at which the lens is off the centre.",
        ),
        without="Tilt of the surface of best focus is that of lens and body together.",
        find=commission_standing,
    ),
    Step(
        name="focus",
        title="Focus step, angle of the ramp, shaker",
        minutes=20,
        folders=("ramp",),
        notes={FOCUS_FILE: FOCUS_TEXT},
        shoot=(
            "Measure the angle of the ramp's board against the floor or the chart; write it into `focus.yaml`.",
            "With the lens wide open, focus on the ramp's near part; shoot it into `ramp`, then move the focus by one "
            "step and shoot again, seven times in all.",
        ),
        cautions=(
            "Always step in one direction: the gears have play.",
            "An error of the angle goes into the focus step: 0.3 degrees are 0.5 % at 45 degrees.",
        ),
        without="Tilt, curvature and focus offset in micrometres have the declared uncertainty, or none.",
        find=commission_focus,
    ),
    Step(
        name="dust",
        title="Dust on the sensor",
        minutes=15,
        folders=("lens_1", "lens_2", "lens_3"),
        shoot=("With each of two or three lenses, shoot two flats at the smallest stop into the lens's folder.",),
        cautions=("Do not clean anything between the lenses.",),
        without="Dust on the sensor is counted as dust in the lens.",
        find=commission_dust,
    ),
    Step(
        name="diffraction",
        title="Absolute check: sharpness stopped down against diffraction",
        minutes=15,
        folders=("chart",),
        shoot=("Focus the best lens carefully; shoot the chart twice each at f/11, f/16 and f/22 into `chart`.",),
        cautions=("Wait until vibrations have died down: these exposures are long.",),
        without="No absolute check: a sharpening body or a wrong pixel pitch stays unnoticed.",
        find=commission_diffraction,
    ),
)
