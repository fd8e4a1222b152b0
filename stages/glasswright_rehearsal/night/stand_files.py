"""Read a stand file, and write one that matches the rehearsed frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from glasswright_rehearsal.files.yaml_files import read_yaml
from glasswright_rehearsal.frames.truth import ZoneLimits
from glasswright_rehearsal.scene.layout import Layout, read_layout, write_layout
from glasswright_rehearsal.scene.light import Dust, Lighting, find_source

if TYPE_CHECKING:
    from glasswright_rehearsal.scene.geometry import Frame

FULL_WIDTH_MM = 36.0
"""Sensor width that the stand's print is made for."""
SOURCE = Lighting(gradient=(0.02, -0.015), bowl=-0.04)
"""Unevenness of the diffuse source; the stand file's source map corrects it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandFacts:
    """Data that a rehearsal reads from a stand file."""

    name: str
    body: str
    """First body in the stand file."""
    pitch_um: float
    layout: Layout
    zones: ZoneLimits
    ramp: Layout | None = None
    """Print of the inclined board, if the stand has one."""
    ramp_angle_deg: float = 45.0


def read_stand(path: Path) -> StandFacts:
    """Read name, first body, pixel pitch, first chart and zones.

    Raises
    ------
    ValueError
        If one is missing; the message names it and the file.
    """
    data = read_yaml(path)
    try:
        name, body = str(data["stand"]), str(data["bodies"][0])
        camera = data["camera"]
        pitch = float(camera["sensor"]["pixel_pitch_um"])
        chart = camera["charts"][0]["layout"]
        zones = ZoneLimits(**camera.get("zones", {}))
    except (KeyError, IndexError, TypeError) as error:
        needs = "stand, bodies, camera.sensor.pixel_pitch_um and camera.charts"
        message = f"{path}: a stand file needs {needs}; missing: {error}"
        raise ValueError(message) from error
    ramps = camera.get("ramps", ())
    return StandFacts(
        name=name,
        body=body,
        pitch_um=pitch,
        layout=read_layout(path.parent / chart),
        zones=zones,
        ramp=read_layout(path.parent / ramps[0]["layout"]) if ramps else None,
        ramp_angle_deg=float(ramps[0].get("angle_deg", 45.0)) if ramps else 45.0,
    )


def fit_layout(layout: Layout, frame: Frame) -> Layout:
    """Scale a print to a smaller or larger sensor, so that the cards' magnification is kept."""
    return scale_layout(layout, frame.width_px * frame.pitch_um / 1000 / FULL_WIDTH_MM)


def scale_layout(layout: Layout, scale: float) -> Layout:
    """Return a print at another size."""
    return replace(
        layout,
        pitch_mm=layout.pitch_mm * scale,
        disc_diameter_mm=layout.disc_diameter_mm * scale,
        ring_hole_diameter_mm=layout.ring_hole_diameter_mm * scale,
        large_diameter_mm=layout.large_diameter_mm * scale,
        nodes_mm=tuple((x * scale, y * scale, z * scale) for x, y, z in layout.nodes_mm),
    )


def write_stand(
    source: Path, out: Path, layout: Layout, frame: Frame, sensor_facts: dict[str, Any], dust: tuple[Dust, ...] = ()
) -> Path:
    """Write chart, source map and stand file below `out`, and return the stand file's path.

    Parameters
    ----------
    source
        The stand file to copy, except chart, source map and sensor facts.
    sensor_facts
        Entries of camera.sensor for the rehearsed files (`monochrome`, `transfer` ...).
    dust
        Motes on the body's sensor, listed in the stand file.
    """
    data = read_yaml(source)
    charts, stands = out / "charts", out / "stands"
    charts.mkdir(parents=True, exist_ok=True)
    stands.mkdir(parents=True, exist_ok=True)
    write_layout(layout, charts / f"{layout.name}.yaml")
    np.save(stands / "source_map.npy", map_source(frame))
    camera = data["camera"]
    camera["sensor"] = {**camera["sensor"], "frame_px": [frame.width_px, frame.height_px], **sensor_facts}
    camera["charts"] = [{"layout": f"../charts/{layout.name}.yaml"}]
    camera["source_map"] = "source_map.npy"
    for ramp in camera.get("ramps", ()):
        # the board is small and fits even small frames without scaling
        board = read_layout(source.parent / ramp["layout"])
        write_layout(board, charts / f"{board.name}.yaml")
        ramp["layout"] = f"../charts/{board.name}.yaml"
    camera["dust"] = [
        {"x_frac": round(mote.x_px / frame.width_px, 5), "y_frac": round(mote.y_px / frame.height_px, 5)}
        for mote in dust
    ]
    for place, name in enumerate(data.get("camera_lenses", {}).get("models", ())):
        known = (source.parent / name).read_bytes()
        (out / "lenses").mkdir(exist_ok=True)
        (out / "lenses" / Path(name).name).write_bytes(known)
        data["camera_lenses"]["models"][place] = f"../lenses/{Path(name).name}"
    target = stands / source.name
    target.write_text(
        "# Rehearsed: written by the rehearsal.\n" + yaml.safe_dump(data, sort_keys=False), encoding="utf-8"
    )
    return target


def write_cards(source: Path, out: Path, stand: StandFacts, magnification_frac: float) -> None:
    """Copy a folder of cards, and make those of another stand or chart valid for this one.

    A rehearsed lens is equally sharp with every chart at every magnification, so the cards' limits are valid with all
    of them. This is not true of real lenses.
    """
    out.mkdir(parents=True, exist_ok=True)
    for path in sorted(source.glob("*.yaml")):
        text, data = path.read_text(encoding="utf-8"), read_yaml(path)
        valid = {
            "stand": stand.name,
            "body": stand.body,
            "where": _fit_facts(data["valid_for"], stand, magnification_frac),
        }
        if data["valid_for"] != valid:
            data["valid_for"] = valid
            text = "# Rehearsed: valid for the stand and chart of the rehearsal.\n" + yaml.safe_dump(
                data, sort_keys=False
            )
        (out / path.name).write_text(text, encoding="utf-8")


def _fit_facts(valid: dict[str, Any], stand: StandFacts, magnification_frac: float) -> list[dict[str, Any]]:
    facts = []
    for fact in valid.get("where", ()):
        if fact["measure"].endswith(".chart"):
            facts.append({**fact, "is": stand.layout.name})
        elif fact["measure"].endswith(".magnification_frac") and not fact["min"] <= magnification_frac <= fact["max"]:
            facts.append({**fact, "min": round(magnification_frac / 1.5, 4), "max": round(magnification_frac * 1.5, 4)})
        else:
            facts.append(fact)
    return facts


def map_source(frame: Frame, rows: int = 24, columns: int = 36) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return the diffuse source's light over the frame, at the centre of each cell."""
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * frame.width_px / frame.half_diagonal_px
    y = ((np.arange(rows) + 0.5) / rows - 0.5) * frame.height_px / frame.half_diagonal_px
    return np.asarray(find_source(SOURCE, x[None, :], y[:, None]), dtype=np.float64)
