"""A new stand before commissioning: a stand file with the nominal data only."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from glasswright_rehearsal.files.dng import Exif, write_dng
from glasswright_rehearsal.night.night import find_frame
from glasswright_rehearsal.night.stand_files import fit_layout, read_stand
from glasswright_rehearsal.scene.layout import write_layout
from glasswright_rehearsal.scene.printing import draw_errors, draw_print

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright_rehearsal.scene.geometry import Frame
    from glasswright_rehearsal.scene.layout import Layout
    from glasswright_rehearsal.scene.sensor import Sensor


@dataclass(frozen=True, slots=True, kw_only=True)
class NewBench:
    """A stand to be commissioned, and the folder of its shots."""

    out: Path
    frame: Frame
    layout: Layout
    """The print as designed."""
    ramp: Layout | None
    """The inclined board's print, if the stand has one."""
    ramp_angle_deg: float
    printed: Layout
    """The print as it is, with the errors of printer and paper."""
    seed: int

    def write_shot(self, place: str, values: NDArray[np.uint16], sensor: Sensor, exif: Exif) -> None:
        """Write a raw file below the bench's folder."""
        path = self.out / f"{place}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_dng(path, values, sensor, exif)

    def write_truth(self, step: str, truth: dict[str, Any]) -> None:
        """Write the true values of a step."""
        folder = self.out / "truth"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{step}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")

    def draw(self, stream: int) -> np.random.Generator:
        """Return an independent random generator for one purpose."""
        return np.random.default_rng(np.random.SeedSequence([self.seed, 50_021, stream]))


def open_bench(source: Path, out: Path, megapixels: float, seed: int) -> NewBench:
    """Set up a stand like the one of a stand file, and write a stand file without its measured constants."""
    facts = read_stand(source)
    frame = find_frame(megapixels, facts.pitch_um)
    layout = fit_layout(facts.layout, frame)
    generator = np.random.default_rng(np.random.SeedSequence([seed, 50_021, 0]))
    printed = draw_print(layout, draw_errors(generator), generator)
    bench = NewBench(
        out=out,
        frame=frame,
        layout=layout,
        ramp=facts.ramp,
        ramp_angle_deg=facts.ramp_angle_deg,
        printed=printed,
        seed=seed,
    )
    (out / "charts").mkdir(parents=True, exist_ok=True)
    (out / "stands").mkdir(parents=True, exist_ok=True)
    write_layout(layout, out / "charts" / f"{layout.name}.yaml")
    data = yaml.safe_load(source.read_text(encoding="utf-8"))
    kept = ("focus_step", "zones", "shooting")
    data["camera"] = {
        "sensor": {"pixel_pitch_um": facts.pitch_um, "frame_px": [frame.width_px, frame.height_px]},
        "charts": [{"layout": f"../charts/{layout.name}.yaml"}],
        **{name: data["camera"][name] for name in kept if name in data["camera"]},
    }
    if facts.ramp is not None:
        write_layout(facts.ramp, out / "charts" / f"{facts.ramp.name}.yaml")
        data["camera"]["ramps"] = [{"layout": f"../charts/{facts.ramp.name}.yaml", "angle_deg": facts.ramp_angle_deg}]
    data.pop("camera_lenses", None)
    text = "# Rehearsed: a stand before commissioning.\n" + yaml.safe_dump(data, sort_keys=False, width=1000)
    (out / "stands" / source.name).write_text(text, encoding="utf-8")
    return bench
