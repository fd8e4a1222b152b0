"""Recognition of shots in wrong folders, and false refusals of flats of faulty lenses.

python ci/bench_roles.py [--quick] [--seed N]

The exit code is 1 if a target is missed. Photographs are among the wrong shots where the environment variable
GLASSWRIGHT_REAL_FILES names a folder with raw files in `raws/`; else streets take their place.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, zoom
from scipy.signal import fftconvolve
from scipy.stats import binomtest

from glasswright import CaptureFacts, Unmeasurable
from glasswright_camera import locate_chart, locate_ramp, reduce_black_spot, reduce_dark
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.raw.damage import take_census
from glasswright_camera.raw.stage import measure_brightest, refuse_exposure
from glasswright_camera.roles.recognise import refuse_other_role
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, RampLayout, RampUse, Stand
from glasswright_camera.stand import Sensor as StandSensor
from glasswright_rehearsal import (
    Dust,
    Falloff,
    Frame,
    Layout,
    Lens,
    Lighting,
    Pose,
    Scene,
    default_layout,
    fill_magnification,
    mosaic_sensor,
    read_layout,
    render_light,
)
from glasswright_rehearsal.faults.dirt import draw_dirt
from glasswright_rehearsal.faults.kinds import Fault
from glasswright_rehearsal.frames.ramp import place_board
from glasswright_rehearsal.scene.light import lay_light
from glasswright_rehearsal.scene.sensor import expose

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Size = tuple[int, int]
Draw = np.random.Generator

RAMP = Path(__file__).resolve().parents[1] / "configs/charts/ramp_9x17.yaml"
SIZES = ((1224, 816), (816, 1224), (1153, 865), (1501, 1000))
"""Width and height, 1 to 1.5 megapixels; one is stood on end, one odd."""
SMALL = ((612, 408), (577, 433))
SENSORS = ("RGGB", "GRBG", "xtrans", "mono", "rgb")
PITCH_UM = 6.0
F_NUMBERS = (2.8, 4, 5.6, 8, 11, 16, 22)
AIM_CAUGHT = 0.99

WRONG = {
    "chart": ("flat", "panel", "black_spot", "dark", "ramp"),
    "defocused chart": ("flat", "panel", "flat", "black_spot"),
    "ramp": ("flat", "panel", "dark", "chart"),
    "dark": ("flat", "panel", "black_spot", "chart"),
    "black_spot": ("flat", "panel", "dark", "chart"),
    "flat": ("dark", "chart", "ramp", "black_spot"),
    "street": ("flat", "panel", "black_spot", "dark", "chart"),
    "clouds": ("flat", "panel", "black_spot"),
    "photograph": ("flat", "panel", "black_spot", "chart"),
}
"""What a shot is of -> folders it lies in by mistake."""
HOME = {"defocused chart": "chart"}
"""Kind of shot -> its correct folder, if the name differs; pictures belong in none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A shot, and what it shows."""

    mosaic: Mosaic
    what: str


@lru_cache(maxsize=12)
def draw_chart(size: Size, share: float) -> Array32:
    """Draw how far the discs of a chart that fills so much of a frame cover the paper, (height, width)."""
    layout = default_layout()
    pose = Pose(magnification_frac=fill_magnification(layout, *size, PITCH_UM, share), rotation_deg=0.7)
    return draw_cover(layout, pose, size)


@lru_cache(maxsize=4)
def draw_ramp(size: Size) -> Array32:
    """Draw the inclined board, as large as the frame takes it."""
    layout = read_layout(RAMP)
    filled = fill_magnification(layout, *size, PITCH_UM, 0.9)
    return draw_cover(layout, place_board(filled, 45.0), size)


def draw_cover(layout: Layout, pose: Pose, size: Size) -> Array32:
    scene = Scene(
        frame=Frame(width_px=size[0], height_px=size[1], pitch_um=PITCH_UM),
        lens=Lens(falloff=Falloff(corner_ev=0.0, plane_ev=(0.0, 0.0, 0.0))),
        sensor=mosaic_sensor("mono"),
        lighting=Lighting(exposure_frac=1.0, plane_gain=(1.0, 1.0, 1.0)),
        layout=replace(layout, contrast_ratio=1e9),
        pose=pose,
    )
    return np.clip(1 - render_light(scene)[0], 0, 1)


def blur_far(cover: Array32, diameter: float) -> Array32:
    """Blur with an even disc, as a lens far out of focus does."""
    radius = diameter / 2
    reach = int(radius) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = np.clip(radius - np.hypot(x, y) + 0.5, 0, 1)
    return np.asarray(fftconvolve(np.pad(cover, reach, mode="edge"), disc / disc.sum(), mode="valid"), np.float32)


def draw_patch(size: Size, draw: Draw) -> Array32:
    """Draw a black patch in the frame."""
    width, height = size
    y, x = np.mgrid[:height, :width]
    across, soft = draw.uniform(0.07, 0.2) * min(size), draw.uniform(1, 8)
    place = draw.uniform(0.3, 0.7, 2) * size
    return np.clip((across / 2 - np.hypot(x - place[0], y - place[1])) / soft + 0.5, 0, 1).astype(np.float32)


def draw_falloff(draw: Draw) -> Falloff:
    return Falloff(
        corner_ev=float(draw.uniform(0, 3)),
        square_share=float(draw.uniform(0, 1)),
        plane_ev=(float(draw.uniform(-0.1, 0.1)), 0.0, float(draw.uniform(-0.1, 0.1))),
        centre_shift_frac=(float(draw.uniform(-0.08, 0.08)), float(draw.uniform(-0.08, 0.08))),
        obstruction_ev=float(draw.uniform(0.3, 1.2)) if draw.random() < 0.3 else 0.0,
        obstruction_deg=float(draw.uniform(0, 360)),
    )


def draw_sick_dirt(frame: Frame, draw: Draw) -> tuple[Dust, ...]:
    """Draw fungus, scratches and flecks anywhere in the lens, and dust on the sensor."""
    found: list[Dust] = []
    size = np.array([frame.width_px, frame.height_px])
    for name, most in (("fungus", 4), ("scratched", 4), ("lens_dust", 5)):
        for _ in range(int(draw.integers(0, most + 1))):
            strength, turn = draw.uniform(0.5, 2.5), draw.uniform(0, 360)
            fault = Fault(name=name, severity=float(strength), direction_deg=float(turn))
            x, y = draw.uniform(-0.4, 0.4, 2) * size
            found += [replace(each, x_px=each.x_px + x, y_px=each.y_px + y) for each in draw_dirt(fault, frame)]
    for _ in range(int(draw.integers(0, 41))):
        x, y = draw.uniform(0, 1, 2) * size
        width_um, distance_um = draw.uniform(8, 60), draw.uniform(500, 1500)
        found.append(Dust(x_px=float(x), y_px=float(y), diameter_um=float(width_um), distance_um=float(distance_um)))
    return tuple(each for each in found if 0 <= each.x_px < frame.width_px and 0 <= each.y_px < frame.height_px)


def draw_cut_off(size: Size, draw: Draw) -> Array32:
    """Draw a hard edge beyond which light is cut off: a ring round about, or something to one side."""
    width, height = size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    half = np.hypot(width, height) / 2
    x, y = (x - width / 2) / half, (y - height / 2) / half
    soft = draw.uniform(1, 40) / half
    if draw.random() < 0.5:
        middle = draw.uniform(-0.08, 0.08, 2)
        inside = draw.uniform(0.7, 1.0) - np.hypot(x - middle[0], y - middle[1])
    else:
        turn = draw.uniform(0, 2 * np.pi)
        along = x * np.cos(turn) + y * np.sin(turn)
        inside = np.quantile(along, 1 - draw.uniform(0.02, 0.3)) - along
    left = draw.uniform(0, 0.6)
    return np.asarray(left + (1 - left) * np.clip(inside / soft + 0.5, 0, 1), np.float32)


def draw_bands(size: Size, draw: Draw) -> Array32:
    """Draw the ripple of a mains lamp as a shutter that runs down the frame leaves it, (height, 1)."""
    phase = 2 * np.pi * np.arange(size[1]) / draw.uniform(25, 900) + draw.uniform(0, 7)
    ripple = np.sin(phase) if draw.random() < 0.5 else 2 * np.abs(np.sin(phase / 2)) - 1
    return np.asarray(1 + draw.uniform(0.01, 0.2) * ripple[:, None], np.float32)


def draw_street(size: Size, draw: Draw) -> Array32:
    """Draw a street: sky, houses with windows, a road, things on it; (3, height, width)."""
    width, height = size
    picture = np.empty((3, height, width), np.float32)
    horizon = int(height * draw.uniform(0.3, 0.7))
    sky = np.linspace(1, draw.uniform(0.7, 1), horizon)
    picture[:, :horizon] = draw.uniform(0.5, 1.0, 3)[:, None, None] * sky[None, :, None]
    picture[:, horizon:] = draw.uniform(0.15, 0.5, 3)[:, None, None]
    left = 0
    while left < width:
        right = left + int(width * draw.uniform(0.08, 0.3))
        top = int(horizon * draw.uniform(0.1, 0.9))
        foot = int(horizon + (height - horizon) * draw.uniform(0, 0.4))
        picture[:, top:foot, left:right] = draw.uniform(0.1, 0.9, 3)[:, None, None]
        step, pane = int(width * draw.uniform(0.015, 0.06)) + 3, draw.uniform(0.05, 1.0, 3)[:, None, None]
        for x in range(left + step // 2, min(right, width) - step // 2, step):
            for y in range(top + step // 2, foot - step, int(step * 1.5)):
                picture[:, y : y + step // 2 + 1, x : x + step // 2] = pane * draw.uniform(0.6, 1.1)
        left = right + int(width * draw.uniform(0, 0.1))
    for _ in range(int(draw.integers(3, 30))):
        x, y = int(draw.uniform(0, width)), int(draw.uniform(horizon, height))
        across, up = int(width * draw.uniform(0.005, 0.1)), int(height * draw.uniform(0.01, 0.2))
        picture[:, max(y - up, 0) : y, x : x + across] = draw.uniform(0.03, 1, 3)[:, None, None]
    grain = zoom(draw.normal(0, 0.06, (height // 6 + 2, width // 6 + 2)), 6, order=1)[:height, :width]
    blur = draw.uniform(0.5, 4)
    lit = picture * np.clip(1 + grain, 0.3, 1.7).astype(np.float32)
    return np.clip(np.stack([gaussian_filter(each, blur) for each in lit]), 0.01, 1.1)


def draw_clouds(size: Size, draw: Draw) -> Array32:
    """Draw a picture without straight lines: patches of all sizes, as strong at each; (3, height, width)."""
    width, height = size
    total = np.zeros((3, height, width))
    v, u = np.mgrid[:height, :width].astype(np.float32)
    for cells in (3, 6, 12, 24, 48, 96):
        grey = draw.normal(0, draw.uniform(0.1, 0.25), (cells + 2, cells + 2))
        place = [v * cells / max(size), u * cells / max(size)]
        total += map_coordinates(grey, place, order=1) * draw.uniform(0.7, 1.3, 3)[:, None, None]
    return np.clip(0.4 * np.exp(total), 0.01, 1.1).astype(np.float32)


@lru_cache(maxsize=1)
def read_photographs() -> tuple[Array32, ...]:
    """Read the photographs that GLASSWRIGHT_REAL_FILES names, as linear light, (3, height, width) each."""
    folder = os.environ.get("GLASSWRIGHT_REAL_FILES")
    if not folder:
        return ()
    import rawpy  # only where there is something to read

    found = []
    for path in sorted((Path(folder) / "raws").iterdir()):
        try:
            with rawpy.imread(str(path)) as raw:
                picture = raw.postprocess(half_size=True, gamma=(1, 1), no_auto_bright=True, output_bps=16)
        except rawpy.LibRawError:
            continue
        found.append(np.moveaxis(picture.astype(np.float32) / 65535, 2, 0))
    return tuple(found)


def take_photograph(size: Size, draw: Draw) -> Array32:
    """Take a part of a photograph, as bright as a shot is."""
    many = read_photographs()
    if not many:
        return draw_street(size, draw)
    picture = many[draw.integers(len(many))]
    _, rows, columns = picture.shape
    share = draw.uniform(0.6, 1.0)
    high, wide = int(share * rows), int(share * columns)
    y, x = int(draw.integers(rows - high + 1)), int(draw.integers(columns - wide + 1))
    part = picture[:, y : y + high, x : x + wide]
    part = part[:, :, ::-1] if draw.random() < 0.5 else part
    v, u = np.mgrid[: size[1], : size[0]].astype(np.float32)
    place = [v * (high - 1) / size[1], u * (wide - 1) / size[0]]
    part = np.stack([map_coordinates(each, place, order=1) for each in part])
    return np.clip(part / np.percentile(part, 98), 0.0, 1.2)


def make_shot(
    role: str,
    size: Size,
    draw: Draw,
    *,
    cover: Array32 | None = None,
    factor: Array32 | None = None,
    paint: Array32 | None = None,
    dust: tuple[Dust, ...] = (),
    f_number: float = 5.6,
    exposure: float | None = None,
) -> Mosaic:
    """Expose paper with a lens, lamps and a sensor drawn at random.

    Parameters
    ----------
    cover
        (height, width): share of it that is dark.
    factor
        (height, width), or what fits that: light let through by what stands in the way.
    paint
        (3, height, width): red, green and blue of a picture in place of the paper.
    """
    name = SENSORS[draw.integers(len(SENSORS))]
    sensor = mosaic_sensor(name, full_well_e=float(draw.uniform(8e3, 6e4)), hot_count=20)
    pattern = sensor.pattern_array()
    width, height = size
    picture = np.zeros((len(pattern), height, width), np.float32)
    if cover is not None:
        picture[:] = cover
    lamps = Lighting(
        gradient=(float(draw.uniform(-0.1, 0.1)), float(draw.uniform(-0.1, 0.1))),
        bowl=float(draw.uniform(-0.1, 0.05)),
        exposure_frac=float(draw.uniform(0.25, 0.7)) if exposure is None else exposure,
    )
    frame = Frame(width_px=width, height_px=height, pitch_um=PITCH_UM)
    lens = Lens(falloff=draw_falloff(draw), f_number=f_number)
    lay_light(picture, pattern, sensor.planes, frame, lens, lamps, 1 / 20, dust)
    if factor is not None:
        picture *= factor
    if paint is not None:
        rows, columns = np.mgrid[:height, :width]
        colour = np.array([{"red": 0, "blue": 2}.get(each, 1) for each in sensor.planes])
        for channel, site in enumerate(pattern):
            chosen = colour[site[rows % site.shape[0], columns % site.shape[1]]]
            picture[channel] *= np.take_along_axis(paint, chosen[None], axis=0)[0]
    black = np.array(sensor.black_dn)
    rows, columns = np.indices(pattern.shape[1:])
    sites = black[rows % black.shape[0], columns % black.shape[1]]
    return Mosaic(
        values=expose(picture, sensor, np.random.SeedSequence(int(draw.integers(2**32)))),
        pattern=pattern,
        planes=sensor.planes,
        black_dn=np.repeat(sites[None], len(pattern), axis=0),
        white_dn=float(sensor.white_dn),
        facts=CaptureFacts(f_number=f_number, exposure_time_s=0.5),
        role=role,
        shot=f"{role}/0001.dng",
    )


def draw_sick_flat(sizes: tuple[Size, ...], draw: Draw) -> Case:
    """Draw a flat or panel with random faults of lens and light."""
    size = sizes[draw.integers(len(sizes))]
    factor, parts = np.ones((1, 1), np.float32), ["sick flat"]
    if draw.random() < 0.3:
        factor = factor * draw_cut_off(size, draw)
        parts.append("cut off")
    if draw.random() < 0.3:
        factor = factor * draw_bands(size, draw)
        parts.append("bands")
    dust: tuple[Dust, ...] = ()
    if draw.random() < 0.8:
        dust = draw_sick_dirt(Frame(width_px=size[0], height_px=size[1], pitch_um=PITCH_UM), draw)
    role, f_number = ("flat", "panel")[draw.integers(2)], float(draw.choice(F_NUMBERS))
    mosaic = make_shot(role, size, draw, factor=factor, dust=dust, f_number=f_number)
    return Case(mosaic=mosaic, what=", ".join(parts))


def draw_wrong_shot(place: int, sizes: tuple[Size, ...], draw: Draw) -> Case:
    """Draw a shot of one thing in the folder of another."""
    what = tuple(WRONG)[place % len(WRONG)]
    role = WRONG[what][place // len(WRONG) % len(WRONG[what])]
    size = sizes[draw.integers(len(sizes))]
    share = float(draw.choice([0.5, 0.7, 0.92]))
    cover = paint = None
    if what == "chart":
        cover = gaussian_filter(draw_chart(size, share), draw.uniform(0.3, 2))
    elif what == "defocused chart":
        across = draw.uniform(2, 40) * max(size) / SIZES[0][0]
        chart = draw_chart(size, max(share, 0.7))
        cover = blur_far(chart, across) if draw.random() < 0.5 else gaussian_filter(chart, across / 3)
    elif what == "ramp":
        cover = gaussian_filter(draw_ramp(size), draw.uniform(0.3, 2))
    elif what == "black_spot":
        cover = draw_patch(size, draw)
    elif what == "street":
        paint = draw_street(size, draw)
    elif what == "clouds":
        paint = draw_clouds(size, draw)
    elif what == "photograph":
        paint = take_photograph(size, draw)
    exposure = 1e-6 if what == "dark" else None
    return Case(mosaic=make_shot(role, size, draw, cover=cover, paint=paint, exposure=exposure), what=what)


def make_stand() -> Stand:
    """Return the stand whose chart and ramp are drawn here."""
    return Stand(
        sensor=StandSensor(pixel_pitch_um=PITCH_UM),
        charts=(ChartUse(layout=ChartLayout(**list_entries(default_layout(), ChartLayout))),),
        ramps=(RampUse(layout=RampLayout(**list_entries(read_layout(RAMP), RampLayout))),),
    )


def list_entries(layout: Layout, kind: type[ChartLayout | RampLayout]) -> dict[str, Any]:
    """Return what a layout of the stand file takes of a drawn one."""
    marks = tuple(Mark(column=each.column, row=each.row, kind=each.kind) for each in layout.marks)
    names = {field.name for field in fields(kind)} & {field.name for field in fields(Layout)}
    return {name: getattr(layout, name) for name in names} | {"marks": marks}


def find_refusal(mosaic: Mosaic, stand: Stand) -> str:
    """Return why a shot is refused in its role, by decoding or by the first stage that reads it; empty if it is not."""
    census = take_census(mosaic.values, period=mosaic.pattern.shape[2], white_dn=mosaic.white_dn)
    brightest = measure_brightest(census, mosaic)
    starved = 0.0 if mosaic.role == "dark" else 0.02
    try:
        refuse_exposure(census, brightest, size=mosaic.values.size, clipped_limit=0.3, starved_limit=starved)
        refuse_other_role(mosaic, brightest)
        if mosaic.role == "black_spot":
            reduce_black_spot(mosaic)
        elif mosaic.role == "dark":
            reduce_dark(mosaic)
        elif mosaic.role == "chart":
            locate_chart(mosaic, stand)
        elif mosaic.role == "ramp":
            locate_ramp(mosaic, stand)
    except Unmeasurable as refusal:
        return str(refusal)
    return ""


def format_share(count: int, total: int) -> str:
    """Return a share with its exact (Clopper-Pearson) 95 % interval."""
    interval = binomtest(count, total).proportion_ci(0.95)
    return f"{count} of {total}, {100 * interval.low:.2f} to {100 * interval.high:.2f} % with 95 % confidence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One shot to be drawn and tried."""

    seed: int
    place: int
    is_wrong: bool
    sizes: tuple[Size, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """What a shot was of, the folder it lay in, and why it was refused; empty if it was not."""

    what: str
    role: str
    reason: str


def run_trial(trial: Trial) -> Ending:
    draw = np.random.default_rng([trial.seed, trial.is_wrong, trial.place])
    case = draw_wrong_shot(trial.place, trial.sizes, draw) if trial.is_wrong else draw_sick_flat(trial.sizes, draw)
    return Ending(what=case.what, role=case.mosaic.role, reason=find_refusal(case.mosaic, make_stand()))


def is_named(ending: Ending) -> bool:
    """Return whether the message names the correct folder."""
    return f"`{HOME.get(ending.what, ending.what)}/`" in ending.reason or "fits no role" in ending.reason


def print_sick(endings: list[Ending]) -> bool:
    """Print how many flats of faulty lenses were refused; return whether none was."""
    refused = [each for each in endings if each.reason and not each.reason.startswith(("overexp", "underexp"))]
    for each in refused:
        print(f"refused: {each.what} in {each.role}/: {each.reason}")
    dim = sum(bool(each.reason) for each in endings) - len(refused)
    print(f"flats of sick lenses refused as no flat: {format_share(len(refused), len(endings))}")
    print(f"  too bright or too dim to be measured: {dim}")
    return not refused


def print_wrong(endings: list[Ending]) -> bool:
    """Print how many shots in wrong folders were caught, by kind; return whether the target is met."""
    caught = sum(bool(each.reason) for each in endings)
    print(f"shots in the wrong folder that are not measured: {format_share(caught, len(endings))}")
    for what in WRONG:
        own = [each for each in endings if each.what == what]
        missed = [each.role for each in own if not each.reason]
        lost = f"; missed in {', '.join(missed)}" if missed else ""
        named = sum(map(is_named, own))
        print(f"  {what}: {len(own) - len(missed)} of {len(own)}, the right folder named for {named}{lost}")
    # the target is missed only if the whole confidence interval is below it
    return bool(binomtest(caught, len(endings)).proportion_ci(0.95).high >= AIM_CAUGHT)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="thirty-six of each, on small frames")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    start = time.perf_counter()
    count, sizes = (36, SMALL) if given.quick else (500, SIZES)
    trials = [
        Trial(seed=given.seed, place=place, is_wrong=is_wrong, sizes=sizes)
        for is_wrong in (False, True)
        for place in range(count)
    ]
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        endings = list(pool.map(run_trial, trials, chunksize=4))
    met = [print_sick(endings[:count]), print_wrong(endings[count:])]
    print(f"took {time.perf_counter() - start:.0f} s")
    sys.exit(0 if all(met) else 1)


if __name__ == "__main__":
    main()
