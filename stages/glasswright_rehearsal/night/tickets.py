"""Write a rehearsed ticket: shots, `ticket.yaml`, checksums, and a file of true values."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml
from scipy.optimize import minimize_scalar

from glasswright_rehearsal.faults.blades import blade_error_ev, exact_square
from glasswright_rehearsal.faults.dirt import DIRT_FAULTS
from glasswright_rehearsal.faults.hand import HAND_FAULTS, answer_hand_checks
from glasswright_rehearsal.faults.kinds import find_fault
from glasswright_rehearsal.faults.shaking import SHAKING_FAULTS, describe_shaking, draw_shaken_shots, find_stops
from glasswright_rehearsal.faults.strike import strike_scene
from glasswright_rehearsal.files.dng import Exif, write_dng
from glasswright_rehearsal.files.images import encode_picture, write_picture
from glasswright_rehearsal.frames.glare import render_black_spot
from glasswright_rehearsal.frames.ramp import (
    SCATTER_UM,
    ZOOM_BOARD,
    ZOOM_SHIFT_UM,
    describe_ramp,
    draw_locked_scene,
    draw_ramp_scenes,
    fit_board,
)
from glasswright_rehearsal.frames.render import Scene, render_light
from glasswright_rehearsal.frames.truth import ZoneLimits, describe_truth
from glasswright_rehearsal.night.near import list_distances_m, place_near
from glasswright_rehearsal.night.night import Night, Visit, find_frame, list_settings, plan_visit
from glasswright_rehearsal.night.stand_files import SOURCE, StandFacts, fit_layout, read_stand
from glasswright_rehearsal.scene.models import stop_focus
from glasswright_rehearsal.scene.sensor import Sensor, expose, mosaic_sensor

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.scene.geometry import Pose

NEAR = "_near"
"""End of the names of shots of the near chart."""
FOCUS_STEPS = (-3, -2, -1, 0, 1, 2, 3)
LAMP_SCATTER = 0.001
"""Relative standard deviation of the lamps' level between shots."""
SHOT_S, CHANGE_S = 20, 280
"""Duration of a shot, and of a change of light or setting before it."""


@dataclass(slots=True)
class ShotWriter:
    """Numbers, exposes and writes the shots of one ticket."""

    night: Night
    visit: Visit
    folder: Path
    sensor: Sensor
    body: str
    """Model of the reference body."""
    count: int = 0
    clock_s: int = 0
    """Seconds since the first shot of the ticket."""
    last: tuple[str, float, float] | None = None
    """Role, focal length and f-number of the previous shot."""

    def write(
        self,
        role: str,
        light: NDArray[np.float32],
        focal_length_mm: float,
        f_number: float,
        exposure_s: Fraction | None = None,
        suffix: str = "",
    ) -> Path:
        """Expose one frame with independent noise and write it into its role's folder."""
        sequence = np.random.SeedSequence([self.night.seed, self.visit.index, self.count])
        is_changed, self.last = self.last != (role, focal_length_mm, f_number), (role, focal_length_mm, f_number)
        self.clock_s += SHOT_S + CHANGE_S * is_changed
        generator = np.random.default_rng(sequence)
        level = 1 + LAMP_SCATTER * float(generator.normal())
        blades = blade_error_ev(
            self.visit.faults, self.visit.copy.model.f_numbers, f_number, generator, is_rested=is_changed
        )
        level *= 2 ** (blades + self.visit.lens_at(focal_length_mm, f_number).transmission_ev)
        raw = expose(light * np.float32(level), self.sensor, sequence.spawn(1)[0])
        self.count += 1
        ending = {"dng": "dng", "dng-jpeg": "dng", "tiff": "tif", "png": "png"}[self.night.files]
        name = f"{self.count:04d}_{focal_length_mm:g}mm_f{f_number:g}{suffix}.{ending}"
        path = self.folder / role / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if ending == "dng":
            exif = find_exif(self.visit, focal_length_mm, f_number, self.clock_s)
            exif = replace(exif, body_make=self.body.split()[0], body_model=self.body)
            exif = exif if exposure_s is None else replace(exif, exposure_s=exposure_s)
            write_dng(path, raw, self.sensor, exif, lossless_jpeg=self.night.files == "dng-jpeg")
        else:
            bits, transfer = (16, "linear") if ending == "tif" else (8, "srgb")
            write_picture(path, encode_picture(raw, self.sensor.white_dn, bits, transfer))
        return path


def choose_sensor(night: Night) -> Sensor:
    """Return the body's sensor; pictures have no black level."""
    if night.files in ("dng", "dng-jpeg"):
        return mosaic_sensor(night.sensor, hot_count=20)
    return mosaic_sensor(night.sensor, black_dn=((0.0,),), white_dn=65535)


def find_sensor_facts(night: Night) -> dict[str, Any]:
    """Return the entries of camera.sensor for this body's files."""
    facts: dict[str, Any] = {"monochrome": True} if night.sensor == "mono" else {}
    return facts | ({"transfer": "srgb"} if night.files == "png" else {})


def find_exif(visit: Visit, focal_length_mm: float, f_number: float, clock_s: int) -> Exif:
    """Return a shot's EXIF data; all tickets of a rehearsal begin on the same day."""
    begun = datetime(2026, 3, 2) + timedelta(hours=visit.index % 24)
    return Exif(
        exposure_s=Fraction(exact_square(f_number) / 16).limit_denominator(1000),
        f_number=f_number,
        focal_length_mm=focal_length_mm,
        date=f"{begun + timedelta(seconds=clock_s):%Y:%m:%d %H:%M:%S}",
        lens_make=visit.copy.model.make,
        lens_model=visit.copy.model.name,
        lens_serial=visit.copy.serial,
    )


def write_ticket(night: Night, index: int) -> str:
    """Write one ticket's folder and true values, and return its number."""
    stand = read_stand(night.stand)
    frame = find_frame(night.megapixels, stand.pitch_um)
    layout = fit_layout(stand.layout, frame)
    visit = plan_visit(night, index, layout, frame)
    folder = night.out / "tickets" / visit.number
    sensor = choose_sensor(night)
    writer = ShotWriter(night=night, visit=visit, folder=folder, sensor=sensor, body=stand.body)
    settings = list_settings(night)
    settings_truth = []
    for place, (focal_length_mm, f_number) in enumerate(settings):
        scene = Scene(
            frame=frame,
            lens=visit.lens_at(focal_length_mm, f_number),
            sensor=sensor,
            lighting=visit.paper,
            layout=layout,
            pose=visit.pose,
            dust=visit.dust,
            ink=night.ink,
        )
        _write_setting(writer, scene, is_struck=place == len(settings) // 2)
        settings_truth.append(_describe_setting(night, scene, stand))
        if night.near:
            close = place_near(scene, visit.faults, visit.copy.model.designs[0].near_blur_um)
            for _ in range(night.shots_per_setting):
                writer.write("chart", render_light(close), focal_length_mm, f_number, suffix=NEAR)
            settings_truth[-1]["near"] = describe_truth(close, stand.zones)
        if night.black_spot:
            writer.write("black_spot", render_black_spot(light_source(scene)), focal_length_mm, f_number)
        if night.shakes and place == len(settings) - 1:
            settings_truth[-1]["shaking"] = write_shaking(writer, scene)
        if night.ramps and f_number == min(n for focal, n in settings if focal == focal_length_mm):
            settings_truth[-1]["ramp"] = write_ramp(writer, scene, stand)
        if night.has_locked_ramp(f_number):
            settings_truth[-1]["ramp_locked"] = write_locked_ramp(writer, scene, stand)
    if night.dark:
        dark = np.zeros((len(sensor.pattern), frame.height_px, frame.width_px), dtype=np.float32)
        for _ in range(2):
            writer.write("dark", dark, *settings[0])
    _write_papers(night, visit, folder, stand.body)
    _write_truth(night, visit, settings_truth)
    return visit.number


def _write_setting(writer: ShotWriter, scene: Scene, *, is_struck: bool) -> None:
    """Write one setting's shots; `is_struck`: with the faults of the shooting."""
    night, lens = writer.night, scene.lens
    faults = writer.visit.faults if is_struck else ()
    where = lens.focal_length_mm, lens.f_number
    panel = render_light(replace(scene, layout=None))
    writer.write("panel", panel, *where)
    flat = render_light(light_source(scene))
    for _ in range(night.count_flats(lens.f_number)):
        writer.write("flat", flat, *where)
    chart = render_light(strike_scene(scene, faults))
    for _ in range(night.shots_per_setting):
        writer.write("chart", chart, *where)
    if night.has_series(lens.f_number):
        for defocus_um in list_focus_um(lens.f_number):
            stepped = replace(scene, lens=stop_focus(lens, defocus_um), pose=breathe(scene, defocus_um))
            writer.write("focus_series", render_light(stepped), *where)


def breathe(scene: Scene, defocus_um: float) -> Pose | None:
    """Return the pose with the image's size at another focus; moving the lens by d changes it by d over the focal
    length."""
    if scene.pose is None:
        return None
    change = scene.lens.breathing_ratio * defocus_um / 1000 / scene.lens.focal_length_mm
    return replace(scene.pose, magnification_frac=scene.pose.magnification_frac * (1 - change))


def light_source(scene: Scene) -> Scene:
    """Return the scene with the diffuse source instead of the chart."""
    return replace(scene, layout=None, lighting=replace(SOURCE, exposure_frac=scene.lighting.exposure_frac))


def write_shaking(writer: ShotWriter, scene: Scene) -> dict[str, Any]:
    """Write the shots on the shaker, and return their true values."""
    night, pitch_um = writer.night, scene.frame.pitch_um
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, writer.visit.index, 3_000_003]))
    stops = find_stops(writer.visit.faults)
    shots = draw_shaken_shots(stops, night.shakes, pitch_um, generator, night.shaking)
    for shot in shots:
        light = render_light(replace(scene, motion_px=shot.motion_px, path_px=shot.path_px))
        writer.write(shot.role, light, scene.lens.focal_length_mm, scene.lens.f_number, shot.exposure_s)
    return describe_shaking(stops, shots, pitch_um)


def write_ramp(writer: ShotWriter, scene: Scene, stand: StandFacts) -> dict[str, Any]:
    """Write the ramp shots of a setting, and return their true values."""
    night, visit = writer.night, writer.visit
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, visit.index, 2_000_003, writer.count]))
    shots = draw_ramp_scenes(scene, stand, visit.faults, night.ramps, generator)
    for shot in shots:
        writer.write("ramp", render_light(shot), scene.lens.focal_length_mm, scene.lens.f_number)
    return describe_ramp(shots, stand)


def write_locked_ramp(writer: ShotWriter, scene: Scene, stand: StandFacts) -> dict[str, Any]:
    """Write a ramp shot of a setting with the focus locked, and return its true values.

    The focus was set at the longest focal length; its error is the same at the board, so it scales with the square of
    the magnification at the sensor.
    """
    night, visit = writer.night, writer.visit
    generator = np.random.default_rng(np.random.SeedSequence([night.seed, visit.index, 4_000_003]))
    longest = max(design.focal_length_mm for design in visit.copy.model.designs)
    share = scene.lens.focal_length_mm / longest
    if len(visit.copy.model.designs) > 1:
        magnification, at_longest = (
            fit_board(scene, stand, longest),
            fit_board(replace(scene, lens=replace(scene.lens, focal_length_mm=longest)), stand, longest),
        )
    else:
        magnification = at_longest = scene.pose.magnification_frac if scene.pose else ZOOM_BOARD
    fault = find_fault(visit.faults, "zoom_shift")
    zoom_um = visit.copy.zoom_shift_um + (ZOOM_SHIFT_UM * fault.severity if fault else 0.0)
    shot = draw_locked_scene(
        scene,
        stand,
        magnification,
        SCATTER_UM * float(generator.standard_normal()) * (magnification / at_longest) ** 2,
        zoom_um * (1 - share**2),
    )
    writer.write("ramp_locked", render_light(shot), scene.lens.focal_length_mm, scene.lens.f_number)
    return describe_ramp((shot,), stand)


def list_focus_um(f_number: float) -> tuple[float, ...]:
    """Return the focus steps at the sensor, 1.5 quarter-wave depths of focus (2 lambda N^2) apart."""
    step = 1.5 * 2 * 0.54 * f_number**2
    return tuple(step * k for k in FOCUS_STEPS)


def _describe_setting(night: Night, scene: Scene, stand: StandFacts) -> dict[str, Any]:
    """Return the true values at one setting."""
    truth = {
        "focal_length_mm": scene.lens.focal_length_mm,
        "f_number": scene.lens.f_number,
        **describe_truth(replace(scene, ink=None), stand.zones),
        "transmission_ev": scene.lens.transmission_ev,
        "breathing_ratio": scene.lens.breathing_ratio,
    }
    if night.has_series(scene.lens.f_number):
        truth["focus_series"] = [
            {"defocus_um": step, "zones": _describe_zones(scene, step, stand.zones)}
            for step in list_focus_um(scene.lens.f_number)
        ]
        truth["best_focus"] = _describe_best_focus(scene, stand.zones)
    return truth


def _describe_best_focus(scene: Scene, zones: ZoneLimits) -> dict[str, Any]:
    """Return where in the series the middle of the field is sharpest in green, and all zones' truth at that focus."""
    plane = scene.sensor.planes[len(scene.sensor.planes) // 2]
    steps = list_focus_um(scene.lens.f_number)

    def soften(defocus_um: float) -> float:
        return -float(_describe_zones(scene, defocus_um, zones)[plane]["centre"]["mean_cy_per_px"])

    best = float(minimize_scalar(soften, bounds=(steps[1], steps[-2]), method="bounded", options={"xatol": 0.01}).x)
    return {
        "defocus_um": best,
        "centre_steps": (best - steps[0]) / (steps[1] - steps[0]),
        "zones": _describe_zones(scene, best, zones),
    }


def _describe_zones(scene: Scene, defocus_um: float, zones: ZoneLimits) -> dict[str, Any]:
    """Return the zones' true values at another focus."""
    zone_truth: dict[str, Any] = describe_truth(replace(scene, lens=stop_focus(scene.lens, defocus_um)), zones)["zones"]
    return zone_truth


def _write_papers(night: Night, visit: Visit, folder: Path, body: str) -> None:
    """Write `ticket.yaml` and SHA256SUMS, then damage a file if a fault requires it."""
    ticket: dict[str, Any] = {
        "ticket": visit.number,
        "lens": {"model": visit.copy.model.name, "serial": visit.copy.serial},
        "phase": "release",
        "body": {"model": body, "serial": "D7-0031"},
        "rehearsed": True,
        "notes": "",
        "hand_checks": answer_hand_checks(visit.copy.model, tuple(fault.name for fault in visit.faults)),
    }
    if night.files in ("tiff", "png"):
        ticket["shots"] = [
            {"files": f"*/*_{focal:g}mm_f{f_number:g}.*", "focal_length_mm": focal, "f_number": f_number}
            for focal, f_number in list_settings(night)
        ]
    if night.near:
        near, far = list_distances_m(night)
        ticket["shots"] = [
            *ticket.get("shots", ()),
            {"files": f"chart/*{NEAR}.*", "focus_distance_m": near},
            *({"files": f"chart/*_f{n:g}.*", "focus_distance_m": far} for _, n in list_settings(night)),
            {"files": "focus_series/*", "focus_distance_m": far},
        ][: None if night.focus_series else -1]
    (folder / "ticket.yaml").write_text(yaml.safe_dump(ticket, sort_keys=False), encoding="utf-8")
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "ticket.yaml")
    sums = [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}" for path in files]
    (folder / "SHA256SUMS").write_text("\n".join(sums) + "\n", encoding="ascii")
    if find_fault(visit.faults, "half_copied_file"):
        victim = sorted((folder / "chart").iterdir())[0]
        data = victim.read_bytes()
        victim.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))


def _write_truth(night: Night, visit: Visit, settings_truth: list[dict[str, Any]]) -> None:
    """Write the true values as JSON."""
    truth = {
        "ticket": visit.number,
        "model": visit.copy.model.name,
        "serial": visit.copy.serial,
        "seed": night.seed,
        "faults": [_describe_fault(fault) for fault in visit.faults],
        "pose": asdict(visit.pose),
        "settings": settings_truth,
    }
    folder = night.out / "truth"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{visit.number}.json").write_text(json.dumps(round_numbers(truth), indent=1) + "\n", encoding="utf-8")


def _describe_fault(fault: Fault) -> dict[str, Any]:
    of_lens = fault.is_of_lens or fault.name in {*HAND_FAULTS, *SHAKING_FAULTS, *DIRT_FAULTS}
    return {**asdict(fault), "of": "lens" if of_lens else "shooting"}


def round_numbers(value: Any) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Round to nine decimals, since the last bits differ between machines."""
    if isinstance(value, float):
        return round(value, 9)
    if isinstance(value, dict):
        return {key: round_numbers(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [round_numbers(item) for item in value]
    return value
