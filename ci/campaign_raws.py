"""Raw files with damaged headers and bodies: each must be read or refused by a process with limited memory."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Final

from campaign_tools import LOST, Case, run_apart

from glasswright import CaptureFacts, Shot, Unmeasurable
from glasswright.commands.main import run_command
from glasswright.config import load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.intake.exif import read_facts
from glasswright_camera import decode_raw

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from glasswright_camera.stand import Stand

FORMATS: Final = ("dng", "dng-jpeg", "tiff", "png")
HEADER_BYTES: Final = 4096
"""Length of the header; in rehearsed DNG files the EXIF directory is at the end, which also counts as header."""
MEMORY_BYTES: Final = 3 * 2**30
EXTREMES: Final = (0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
LARGEST_REAL: Final = 8 * 2**20
"""Largest file of a real body that is used, to limit the time."""


def prepare(scratch: Path, count: int) -> Callable[[Case], None]:
    """Rehearse a frame of each format; return the function that runs one case."""
    del count
    files: list[tuple[Path, Stand]] = []
    plugins = load_plugins()
    for each in FORMATS:
        night = scratch / each
        arguments = ["rehearse", str(night), "--tickets", "1", "--megapixels", "1", "--f-number", "4", "--files", each]
        arguments += ["--sensor", "RGGB" if each.startswith("dng") else "mono"]
        done = run_apart(lambda arguments=arguments: run_command([*arguments, "--fault", "none", "--workers", "1"]))
        if done.code != 0:
            raise AssertionError(f"no frame was rehearsed: {done.output}")
        stand: Stand = load_stand(next((night / "stands").glob("*.yaml")), plugins).sections["camera"]
        files += [(next((night / "tickets").glob(f"*/{role}/*")), stand) for role in ("chart", "flat")]
    real = os.environ.get("GLASSWRIGHT_REAL_FILES")
    if real:
        stand = files[0][1]
        found = sorted(path for path in Path(real).rglob("*.*") if path.is_file() and path.suffix != ".md")
        files += [(path, stand) for path in found if path.stat().st_size <= LARGEST_REAL]

    def mutate(case: Case) -> None:
        source, stand = files[case.number % len(files)]
        random = case.random
        data = bytearray(source.read_bytes())
        done = [random.choice(MUTATIONS)(data, random) for _ in range(random.choice((1, 1, 1, 2, 4)))]
        case.name = f"{source.name}: {', '.join(done)}"
        path = case.folder / source.name
        path.write_bytes(data)
        ended = run_apart(lambda: decode(path, source.parent.name, stand), MEMORY_BYTES)
        case.check("decoding", ended)
        if ended.code > 0 and not case.findings:
            case.find(LOST, f"decoding ended with {ended.code}: {ended.output[-300:]}")
        keep = os.environ.get("CAMPAIGN_KEEP")
        if keep and case.findings:
            shutil.copy(path, Path(keep) / f"raws-{case.seed}-{case.number}{path.suffix}")

    return mutate


def decode(path: Path, role: str, stand: Stand) -> int:
    """Read a file as in a night: EXIF, then pixels."""
    facts = read_facts(path)
    shot = Shot(
        ticket="T-0001",
        role=role if role in {"chart", "flat"} else "chart",
        name=f"chart/{path.name}",
        path=str(path),
        sha256="0" * 64,
        sequence=0,
        facts=facts or CaptureFacts(),
    )
    with contextlib.suppress(Unmeasurable):
        decode_raw(shot, stand)
    return 0


Data = bytearray


def _place(data: Data, random: random.Random, width: int = 1) -> int:
    """Return a place in the header, at either end of the file."""
    reach = min(HEADER_BYTES, max(len(data) - width, 0))
    place = random.randrange(reach + 1)
    return place if random.random() < 0.7 else max(len(data) - width - place, 0)


def flip_header(data: Data, random: random.Random) -> str:
    """Flip bits of some bytes of the header."""
    for _ in range(random.choice((1, 2, 8))):
        if data:
            place = min(_place(data, random), len(data) - 1)
            data[place] ^= 1 << random.randrange(8)
    return "bits of the header"


def set_number(data: Data, random: random.Random) -> str:
    """Put an extreme number where the header may have one."""
    width = random.choice((2, 4))
    place = _place(data, random, width) & ~1
    order = random.choice(("little", "big"))
    data[place : place + width] = (random.choice(EXTREMES) % 2 ** (8 * width)).to_bytes(width, order)  # type: ignore[arg-type]
    return f"a number at {place}"


def set_noise(data: Data, random: random.Random) -> str:
    """Overwrite part of the header with noise."""
    place, width = _place(data, random), random.choice((4, 64, 512))
    data[place : place + width] = random.randbytes(len(data[place : place + width]))
    return f"noise at {place}"


def flip_body(data: Data, random: random.Random) -> str:
    """Flip bits anywhere."""
    for _ in range(random.choice((1, 16, 256))):
        if data:
            data[random.randrange(len(data))] ^= 1 << random.randrange(8)
    return "bits of the body"


def blank(data: Data, random: random.Random) -> str:
    """Overwrite a block with zeros."""
    place, width = random.randrange(len(data) + 1), random.choice((64, 4096, 65536))
    data[place : place + width] = bytes(len(data[place : place + width]))
    return f"{width} zeros at {place}"


def cut(data: Data, random: random.Random) -> str:
    """Cut the file off."""
    place = random.choice((random.randrange(len(data) + 1), random.randrange(min(HEADER_BYTES, len(data)) + 1)))
    del data[place:]
    return f"cut at {place}"


def drop(data: Data, random: random.Random) -> str:
    """Remove a piece, so that the rest moves forward."""
    place, width = random.randrange(len(data) + 1), random.choice((1, 2, 512))
    del data[place : place + width]
    return f"{width} bytes left out at {place}"


def repeat(data: Data, random: random.Random) -> str:
    """Overwrite the next block with a copy of a block."""
    place, width = random.randrange(len(data) + 1), random.choice((16, 4096))
    block = data[place : place + width]
    data[place + width : place + width + len(block)] = block
    return f"{width} bytes twice at {place}"


MUTATIONS: Final = (
    flip_header,
    flip_header,
    set_number,
    set_number,
    set_number,
    set_noise,
    flip_body,
    blank,
    cut,
    drop,
    repeat,
)
