"""Faults found without reference values: caveats of the stand's own checks, and spots on the flats."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright_camera.diagnosis.result import Finding
from glasswright_camera.shooting.stage import LIGHT_MOVED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from glasswright import Artefact
    from glasswright_camera.distortion.result import Distortion
    from glasswright_camera.sharpness.result import Sharpness
    from glasswright_camera.shooting.stage import LightCheck
    from glasswright_camera.spots.result import Spots
    from glasswright_camera.vignetting.stage import Falloff

STAND: Final = "stand or body, not the lens"
SENSOR_DUST: Final = "dust on the sensor, not in the lens"
DIRT: Final = "fungus or dust in the lens"
SCRATCH: Final = "scratch"


def find_stand(
    light: Sequence[LightCheck],
    distortion: Sequence[Distortion],
    falloff: Sequence[Falloff],
    sharpness: Sequence[Sharpness],
) -> Iterator[Finding]:
    """Find faults of the shooting: light that changed, a chart that was not parallel, chart shots that were refused."""
    seen = [
        *_with_caveat(light, "level_change", "the lamps changed between chart shots"),
        *_with_caveat(light, LIGHT_MOVED, "the chart's light is not the panel's"),
        *_with_caveat(distortion, "chart_not_parallel", "the chart was not parallel to the sensor"),
    ]
    lost = [where for where in _settings(falloff) if where not in _settings(sharpness)]
    if lost and sharpness:
        seen.append(f"no chart shot could be used at {', '.join(lost)}, though others and the flat shots could")
    if seen:
        says = "; ".join(seen) + ": shoot again before the lens is judged"
        yield Finding(name=STAND, surety="likely", says=says, signs=())


def _with_caveat(results: Iterable[Artefact], caveat: str, says: str) -> list[str]:
    where = [str(result.setting) for result in results if caveat in result.caveats]
    return [f"{says} ({', '.join(where)})"] if where else []


def _settings(results: Iterable[Artefact]) -> list[str]:
    return [str(result.setting) for result in results]


def find_dirt(spots: Spots | None) -> Iterator[Finding]:
    """Find dirt and scratches in the lens, and new dust on the sensor.

    Dust on the sensor is no fault of the shooting: its shadows are told from those in the lens by their size at two
    f-numbers, and the numbers that limits use leave them out.
    """
    if spots is None:
        return
    depth = f"takes up to {spots.lens_deepest_pct:.2g} % of the light"
    if spots.lens_dust_count + spots.patch_count:
        kinds = [(spots.lens_dust_count, "fleck"), (spots.patch_count, "patch")]
        told = " and ".join(f"{count} {word}{'s' * (count > 1)}" for count, word in kinds if count)
        yield Finding(name=DIRT, surety="likely", says=f"{told} in the lens {depth}", signs=())
    if spots.scratch_count:
        yield Finding(name=SCRATCH, surety="likely", says=f"a long shadow {depth}", signs=())
    if spots.new_sensor_dust_count:
        says = f"{spots.new_sensor_dust_count} shadows of dust on the sensor that the stand's list does not have"
        says += ": clean the sensor, or put them on the stand's list"
        yield Finding(name=SENSOR_DUST, surety="likely", says=says, signs=())
