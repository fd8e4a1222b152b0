"""Small raw files, images and mosaics with known content, for the tests of the decoding and flat-field stages."""

from __future__ import annotations

import struct
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np
import tifffile

from glasswright import CaptureFacts, Setting, Shot
from glasswright.config import DataFile
from glasswright_camera.light.flat import FlatField, FlatShot
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, ShootingLimits, Stand

if TYPE_CHECKING:
    from pathlib import Path

RGGB, GRBG, GBRG, BGGR = ((0, 1, 1, 2), (1, 0, 2, 1), (1, 2, 0, 1), (2, 1, 1, 0))
# the 6 x 6 cell of the hexagonal-neighbour filter, one of its phases
X_TRANS = (1, 1, 0, 1, 1, 2, 1, 1, 2, 1, 1, 0, 2, 0, 1, 0, 2, 1, 1, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 0, 2, 1, 2, 0, 1)
BYTE, SHORT, LONG, UNDEFINED = 1, 3, 4, 7
LINEAR_RAW = 34892


def make_stand(*, source_map: DataFile | None = None, shooting: ShootingLimits | None = None, **sensor) -> Stand:
    layout = ChartLayout(
        name="lattice",
        columns=13,
        rows=9,
        pitch_mm=20,
        disc_diameter_mm=8,
        marks=tuple(Mark(column=column, row=row, kind="ring") for column, row in ((6, 4), (8, 4), (6, 3))),
        ring_hole_diameter_mm=3,
        large_diameter_mm=10,
        contrast_ratio=20,
    )
    return Stand(
        sensor=Sensor(**{"pixel_pitch_um": 4.0, **sensor}),
        charts=(ChartUse(layout=layout),),
        source_map=source_map,
        shooting=shooting or ShootingLimits(),
    )


def make_shot(path: Path, role: str = "chart", exposure_time_s: float | None = None) -> Shot:
    return Shot(
        ticket="T-0001",
        role=role,
        name=f"{role}/{path.name}",
        path=str(path),
        sha256="",
        sequence=0,
        facts=CaptureFacts(exposure_time_s=exposure_time_s),
        setting=Setting(f_number=4.0),
    )


def noisy_frame(height: int = 96, width: int = 160, level: float = 6000.0, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 40, (height, width))
    return np.rint(level + noise).astype(np.uint16)


def dng_tags(*, cfa=RGGB, black=(512, 512, 512, 512), white=16383, version=True, extra=()):
    tags = [(50717, LONG, 1, white, True)] if white is not None else []
    if version:
        tags.append((50706, BYTE, 4, bytes([1, 4, 0, 0]), True))
    if cfa is not None:
        side = int(np.sqrt(len(cfa)))
        tags += [(33421, SHORT, 2, (side, side), True), (33422, BYTE, len(cfa), bytes(cfa), True)]
    if black is not None:
        side = int(np.sqrt(len(black)))
        tags += [(50713, SHORT, 2, (side, side), True), (50714, LONG, len(black), black, True)]
    return [*tags, *extra]


def write_dng(path: Path, values: np.ndarray, *, photometric="CFA", storage=None, **tags) -> Path:
    """Write one frame; `tags` go to `dng_tags`, `storage` to the TIFF writer."""
    with tifffile.TiffWriter(path) as writer:
        write_frame(writer, values, photometric=photometric, storage=storage, **tags)
    return path


def write_frame(writer, values, *, photometric="CFA", storage=None, **tags) -> None:
    writer.write(
        values,
        photometric=photometric,
        subfiletype=0,
        metadata=None,
        extratags=dng_tags(**tags),
        **{"rowsperstrip": values.shape[0], **(storage or {})},
    )


def write_monochrome(path: Path, values: np.ndarray) -> Path:
    write_dng(path, values, photometric="minisblack", cfa=None, black=(512,))
    change_tag(path, 262, LINEAR_RAW)
    return path


def change_tag(path: Path, code: int, value) -> None:
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tiff.pages[0].tags[code].overwrite(value)


def data_extent(path: Path) -> tuple[int, int]:
    """Offset and length of the first strip."""
    with tifffile.TiffFile(path) as tiff:
        return tiff.pages[0].dataoffsets[0], tiff.pages[0].databytecounts[0]


def overwrite_bytes(path: Path, start: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(start)
        file.write(data)


def opcode_list(*identities: int) -> bytes:
    """A DNG opcode list whose opcodes have 8 bytes of parameters each."""
    opcodes = b"".join(struct.pack(">IIII", identity, 0x01030000, 0, 8) + bytes(8) for identity in identities)
    return struct.pack(">I", len(identities)) + opcodes


def half_diagonals(height: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """x and y of every pixel from the frame's centre, in half-diagonals."""
    y, x = np.mgrid[:height, :width].astype(float)
    half = np.hypot(width, height) / 2
    return (x - (width - 1) / 2) / half, (y - (height - 1) / 2) / half


def make_mosaic(
    light, *, black=512.0, white=16383.0, full_well=None, seed=0, role="flat", cfa=RGGB, exposure_time_s=0.5
):
    """A mosaic of light as a fraction of white; with shot noise if a full well is given.

    `light` is (height, width), or one array for each of red, green and blue.
    """
    light = np.asarray(light, dtype=float)
    planes = ("white",) if cfa is None else ("red", "green", "blue")
    pattern = np.zeros((1, 1), int) if cfa is None else np.array(cfa).reshape(int(np.sqrt(len(cfa))), -1)
    if light.ndim == 3:
        height, width = light.shape[1:]
        rows, columns = np.mgrid[:height, :width]
        which = pattern[rows % pattern.shape[0], columns % pattern.shape[1]]
        light = np.take_along_axis(light, which[None], axis=0)[0]
    if full_well is not None:
        light = np.random.default_rng(seed).normal(light, np.sqrt(np.maximum(light, 0) / full_well))
    values = np.clip(np.rint(black + light * (white - black)), 0, min(white, 65535)).astype(np.uint16)
    return Mosaic(
        values=values[None],
        pattern=pattern[None],
        planes=planes,
        black_dn=np.full((1, *pattern.shape), float(black)),
        white_dn=float(white),
        facts=CaptureFacts(exposure_time_s=exposure_time_s),
        role=role,
        shot=f"{role}/{seed:04d}.dng",
    )


def make_flat_shot(light: np.ndarray, *, relative_u=1e-4, exposure_time_s=0.5, block_px=10.0, shot="flat/1", size=None):
    """A flat shot of one plane with given block means."""
    rows, columns = light.shape
    width, height = size or (int(columns * block_px), int(rows * block_px))
    return FlatShot(
        shot=shot,
        role="flat",
        width_px=width,
        height_px=height,
        planes=("white",),
        block_px=block_px,
        light=light[None].astype(np.float32),
        light_u=(relative_u * light[None]).astype(np.float32),
        offset_px=np.zeros((1, 2)),
        exposure_time_s=exposure_time_s,
        median_light_frac=float(np.nanmedian(light)),
    )


def make_flat_field(gain, *, size, relative_u=1e-4, role="flat", planes=("red", "green", "blue"), shot_count=3):
    """A gain map from functions of x and y in half-diagonals, one for all planes or one each, on 10 pixel blocks."""
    width, height = size
    x, y = np.meshgrid((np.arange(-(-width // 10)) + 0.5) * 10 - 0.5, (np.arange(-(-height // 10)) + 0.5) * 10 - 0.5)
    half = np.hypot(width, height) / 2
    x, y = (x - (width - 1) / 2) / half, (y - (height - 1) / 2) / half
    each = gain if isinstance(gain, tuple) else (gain,) * len(planes)
    maps = np.array([one(x, y) for one in each], dtype=np.float32)
    return FlatField(
        role=role,
        width_px=width,
        height_px=height,
        planes=planes,
        block_px=10.0,
        gain=maps,
        gain_u=(relative_u * np.ones_like(maps)).astype(np.float32),
        light_level=np.full(len(planes), 0.5, np.float32),
        shot_count=shot_count,
    )


def save_data(path: Path, values: np.ndarray) -> DataFile:
    np.save(path, values)
    return DataFile(path=str(path), sha256=sha256(path.read_bytes()).hexdigest())
