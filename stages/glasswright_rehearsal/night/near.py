"""A second, smaller chart at a short distance: stand file, plan, card and shots for it."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import yaml

from glasswright_rehearsal.faults.kinds import NEAR_BLUR_UM, find_fault
from glasswright_rehearsal.files.yaml_files import read_yaml
from glasswright_rehearsal.scene.layout import Layout, write_layout
from glasswright_rehearsal.scene.models import MODELS, focus_near

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.frames.render import Scene
    from glasswright_rehearsal.night.night import Night

NEAR_MAGNIFICATION: Final = 0.1
FAR_MAGNIFICATION: Final = 0.0225
"""That of the shipped chart, for which the distance is stated."""
CHART_STEPS: Final = frozenset(
    {"measure_mtf50", "measure_contrast", "measure_fringing", "measure_distortion", "measure_centring", "measure_glare"}
)
"""Steps of the shipped plans that are made from chart shots."""
NEAR_MEASURES: Final = frozenset({"measure_mtf50.green.centre.mean_cy_per_px", "measure_mtf50.green.worst_cy_per_px"})
NEAR_SHARE: Final = 0.9
"""Limits on these at the near distance over those at the far one."""


def find_distance_m(focal_length_mm: float, magnification_frac: float) -> float:
    """Return the focus distance, from chart to sensor: ``f (2 + m + 1/m)`` of a thin lens, in centimetres."""
    return round(focal_length_mm * (2 + magnification_frac + 1 / magnification_frac) / 1000, 2)


def list_distances_m(night: Night) -> tuple[float, float]:
    """Return the near and the far focus distance of the night's model."""
    focal = MODELS[night.model].designs[0].focal_length_mm
    return find_distance_m(focal, NEAR_MAGNIFICATION), find_distance_m(focal, FAR_MAGNIFICATION)


def shrink_layout(layout: Layout, magnification_frac: float) -> Layout:
    """Return a print that looks the same at the near magnification as `layout` does at its own."""
    scale = magnification_frac / NEAR_MAGNIFICATION
    return replace(
        layout,
        name=f"{layout.name}_near",
        pitch_mm=layout.pitch_mm * scale,
        disc_diameter_mm=layout.disc_diameter_mm * scale,
        ring_hole_diameter_mm=layout.ring_hole_diameter_mm * scale,
        large_diameter_mm=layout.large_diameter_mm * scale,
    )


def place_near(scene: Scene, faults: tuple[Fault, ...], growth_um: float) -> Scene:
    """Return the scene of the near chart for a scene of the far one."""
    assert scene.layout is not None
    assert scene.pose is not None
    fault = find_fault(faults, "near_softness")
    growth = growth_um + (NEAR_BLUR_UM * fault.severity if fault else 0.0)
    return replace(
        scene,
        layout=shrink_layout(scene.layout, scene.pose.magnification_frac),
        pose=replace(scene.pose, magnification_frac=NEAR_MAGNIFICATION),
        lens=focus_near(scene.lens, growth, NEAR_MAGNIFICATION),
    )


def add_near(night: Night, out: Path, layout: Layout, magnification_frac: float) -> None:
    """Write the near chart's layout, and add both distances to the rehearsed plans, stand file and card.

    Parameters
    ----------
    layout, magnification_frac
        The far chart, and the magnification at which it fills the frame.
    """
    near, far = list_distances_m(night)
    small = shrink_layout(layout, magnification_frac)
    write_layout(small, out / "charts" / f"{small.name}.yaml")
    plan = out / "plans" / "fixed_focal.yaml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("stages:\n", f"settings: {{focus_distance_m: [{near:g}, {far:g}]}}\nstages:\n", 1))
    with _edit(out / "stands" / night.stand.name) as stand:
        (chart,) = stand["camera"]["charts"]
        middle = round((near * far) ** 0.5, 2)
        stand["camera"]["charts"] = [
            {**chart, "focus_distance_m": [middle, 1000.0]},
            {"layout": f"../charts/{small.name}.yaml", "focus_distance_m": [0.0, middle]},
        ]
    for path in (out / "cards").glob("*.yaml"):
        if read_yaml(path)["card"] == night.model:
            with _edit(path) as card:
                _add_limits(card, near, far, small.name)


class _Plain(yaml.SafeDumper):
    """Writes a value out wherever it is used."""

    def ignore_aliases(self, data: object) -> bool:  # noqa: ARG002 - of any value
        return True


@contextmanager
def _edit(path: Path) -> Iterator[dict[str, Any]]:
    """Read a YAML file, and write what becomes of it."""
    data = read_yaml(path)
    yield data
    path.write_text("# Rehearsed.\n" + yaml.dump(data, Dumper=_Plain, sort_keys=False), encoding="utf-8")


def _add_limits(card: dict[str, Any], near: float, far: float, chart: str) -> None:
    """Restrict a card's limits on chart shots to the far distance, and add limits on sharpness at the near one."""
    close = {"focus_distance_m": near}
    facts = []
    for fact in card["valid_for"]["where"]:
        facts.append({**fact, "at": {"focus_distance_m": far}})
        if "is" in fact:
            facts.append({**fact, "is": chart, "at": close})
    card["valid_for"]["where"] = facts
    limits = []
    for limit in card["limits"]:
        if limit["measure"].partition(".")[0] not in CHART_STEPS:
            limits.append(limit)
            continue
        at = limit.get("at", {})
        limits.append({**limit, "at": {**at, "focus_distance_m": far}})
        if limit["measure"] in NEAR_MEASURES:
            limits.append({**limit, "min": round(NEAR_SHARE * limit["min"], 4), "at": {**at, **close}})
    card["limits"] = limits
    card["plan"]["settings"] = {"focus_distance_m": [near, far]}
