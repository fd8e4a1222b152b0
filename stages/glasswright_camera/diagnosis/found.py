"""Faults found without reference values: from caveats of the shooting, and from spots on the flats."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.diagnosis.result import Finding
from glasswright_camera.shooting.stage import LIGHT_MOVED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from glasswright import Artefact
    from glasswright_camera.aperture.result import Aperture
    from glasswright_camera.distortion.result import Distortion
    from glasswright_camera.sharpness.result import Sharpness
    from glasswright_camera.shooting.stage import LightCheck
    from glasswright_camera.spots.result import Spots
    from glasswright_camera.vignetting.stage import Falloff

STAND: Final = "stand or body, not the lens"
SENSOR_DUST: Final = "dust on the sensor, not in the lens"
DIRT: Final = "fungus or dust in the lens"
SCRATCH: Final = "scratch"
APERTURE: Final = "aperture"
LAMP_OR_APERTURE: Final = "lamp or aperture"
STEP_LEAST_EV: Final = 0.15
"""Smallest visible error of an aperture: half of the steps of a third of a stop in which exposure is set."""
COMMON_LEAST_EV: Final = 0.2
"""The same for an error that all f-numbers share: beyond the rounding of a lowest f-number, 0.14 EV."""
SCATTER_LEAST_EV: Final = 0.06
"""4 %: lamps and shutters scatter by 1 or 2 % between shots (common practice, no source)."""
SURE: Final = 5.0
"""Standard uncertainties from which a departure counts."""
HOW_TO_DISTINGUISH: Final = (
    "three shots wide open and three stopped down, alternating, distinguish them: a lamp changes wide open too"
)


def find_stand(
    light: Sequence[LightCheck],
    distortion: Sequence[Distortion],
    falloff: Sequence[Falloff],
    sharpness: Sequence[Sharpness],
    aperture: Sequence[Finding] = (),
) -> Iterator[Finding]:
    """Find faults of the shooting: light that changed, a chart that was not parallel, chart shots that were refused.

    A change of light by the aperture (`find_aperture`) is not a fault of the shooting.
    """
    explained = any(finding.name == APERTURE and finding.surety == "likely" for finding in aperture)
    changed = "the light changed between chart shots (lamps or aperture)" if aperture else "the lamps changed between"
    changed += "" if aperture else " chart shots"
    seen = [
        *(() if explained else _with_caveat(light, "level_change", changed)),
        *_with_caveat(light, LIGHT_MOVED, "the light on the chart differs from that on the panel"),
        *_with_caveat(distortion, "chart_not_parallel", "the chart was not parallel to the sensor"),
    ]
    lost = [where for where in _settings(falloff) if where not in _settings(sharpness)]
    if lost and sharpness:
        seen.append(f"no chart shot could be used at {', '.join(lost)}, although others and the flat shots could")
    if seen:
        says = "; ".join(seen) + ": shoot again before the lens is judged"
        yield Finding(name=STAND, surety="likely", says=says, signs=())


def _with_caveat(results: Iterable[Artefact], caveat: str, says: str) -> list[str]:
    where = [str(result.setting) for result in results if caveat in result.caveats]
    return [f"{says} ({', '.join(where)})"] if where else []


def _settings(results: Iterable[Artefact]) -> list[str]:
    return [str(result.setting) for result in results]


def find_aperture(aperture: Aperture | None) -> Iterator[Finding]:
    """Find an aperture with wrong or irregular steps, distinguished from changes of the lamps.

    Blades do not move wide open, and their error does not depend on the light. So scatter that is also there wide open,
    or an error with only one of two lights, is not that of the aperture.
    """
    if aperture is None:
        return
    error, error_u = aperture.aperture_step_error_ev, aperture.aperture_step_error_ev_u
    if abs(error) > max(STEP_LEAST_EV, SURE * error_u):
        both = isfinite(aperture.lights_apart_ev) and abs(aperture.lights_apart_ev) < abs(error) / 2
        much = "too much" if error > 0 else "too little"
        says = f"{abs(error):.2f} EV {much} light at {aperture.step_where} by the marking"
        says += "; the diffuse source and the chart show the same" if both else f"; {HOW_TO_DISTINGUISH}"
        yield _blame_aperture(says, likely=both)
    common, common_u = aperture.aperture_common_error_ev, aperture.aperture_common_error_ev_u
    if abs(common) > max(COMMON_LEAST_EV, SURE * common_u):
        much = "too much" if common > 0 else "too little"
        says = f"{abs(common):.2f} EV {much} light at all f-numbers by the marking, against wide open"
        says += ", more than a rounded lowest f-number explains: the blades' travel, or the lowest f-number is wrong"
        yield _blame_aperture(says, likely=False)
    scatter, opened = aperture.aperture_scatter_ev, aperture.wide_open_scatter_ev
    excess, excess_u = aperture.first_shot_excess_ev, aperture.first_shot_excess_ev_u
    sticks = excess > max(SCATTER_LEAST_EV, SURE * excess_u)
    known = aperture.wide_open_repeat_count >= LEAST_REPEATS and isfinite(opened)
    if scatter > SCATTER_LEAST_EV and not (known and opened > scatter / 2):
        says = f"light scatters by {scatter:.2f} EV between the shots at {aperture.scatter_where}"
        if sticks:
            says += f", and the first after a rest has {excess:.2f} EV more than the next ones: sticking blades"
        # scatter only between two lights is a step of one of them
        steady = known and opened < scatter / 3 and aperture.repeat_scatter_ev > scatter / 2
        says += f"; wide open, where no blade moves, by {opened:.3f} EV" if steady else f"; {HOW_TO_DISTINGUISH}"
        yield _blame_aperture(says, likely=steady)
    elif scatter > SCATTER_LEAST_EV:
        says = (
            f"light scatters by {scatter:.2f} EV between shots, by {opened:.2f} EV wide open too, where no blade moves"
        )
        yield Finding(name=STAND, surety="likely", says=f"{says}: a lamp or the shutter", signs=())


LEAST_REPEATS: Final = 2
"""Least number of wide-open repeats, beyond the first of each light, to know the lights' scatter."""


def _blame_aperture(says: str, *, likely: bool) -> Finding:
    name, surety = (APERTURE, "likely") if likely else (LAMP_OR_APERTURE, "possible")
    return Finding(name=name, surety=surety, says=says, signs=())


def find_dirt(spots: Spots | None, *, is_obstructed: bool = False) -> Iterator[Finding]:
    """Find dirt and scratches in the lens, and new dust on the sensor.

    If something obstructs the light, a shadow that reaches a corner may be its edge. Dust on the sensor does not
    invalidate the shots: its shadows differ from those of the lens by their size at two f-numbers, and are left out of
    the numbers for limits.
    """
    if spots is None:
        return
    depth = f"takes up to {spots.lens_deepest_pct:.2g} % of the light"
    if spots.lens_dust_count + spots.patch_count:
        kinds = [(spots.lens_dust_count, "fleck"), (spots.patch_count, "patch")]
        text = " and ".join(f"{count} {noun}{'s' * (count > 1)}" for count, noun in kinds if count)
        may_be_edge = is_obstructed and _reach_corners(spots)
        surety, or_else = (
            ("possible", ", or is the edge of what obstructs the light") if may_be_edge else ("likely", "")
        )
        yield Finding(name=DIRT, surety=surety, says=f"{text} in the lens {depth}{or_else}", signs=())
    if spots.scratch_count:
        yield Finding(name=SCRATCH, surety="likely", says=f"a long shadow {depth}", signs=())
    if spots.new_sensor_dust_count:
        says = f"{spots.new_sensor_dust_count} shadows of dust on the sensor that are not in the stand's list"
        says += ": clean the sensor, or add them to the stand's list"
        yield Finding(name=SENSOR_DUST, surety="likely", says=says, signs=())


def _reach_corners(spots: Spots) -> bool:
    """Return whether the shadow of each object in the lens lies within its width of a corner of the frame."""
    is_inside = np.isin(spots.kind, ("lens_dust", "patch"))
    place, size = spots.place_px[is_inside], spots.frame_px
    away = np.hypot(*np.minimum(place, size - 1 - place).T)
    return bool(np.all(away < spots.shadow_px[is_inside]))
