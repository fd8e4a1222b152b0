"""`glasswright plugin`: write a package with a new stage, as a starting point."""

from __future__ import annotations

import re
from pathlib import Path
from string import Template
from typing import Final

import click

from glasswright.errors import GlasswrightError
from glasswright.outputs import make_folder, write_text

EXAMPLE = """\b
Example:
  glasswright plugin extra
  pip install --no-deps -e extra
  glasswright stages extra.measure_brightness
"""

PROJECT: Final = """\
[build-system]
requires = ["setuptools>=77"]
build-backend = "setuptools.build_meta"

[project]
name = "glasswright-$name"
version = "0.1"

[project.entry-points."glasswright.stages"]
$name = "glasswright_$name"

[tool.setuptools]
packages = ["glasswright_$name"]
"""
MODULE: Final = '''\
"""Stages of our own."""

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from glasswright import Artefact, Unmeasurable, stage
from glasswright_camera import Mosaic


@dataclass(frozen=True, slots=True, kw_only=True)
class Brightness(Artefact):
    """The brightness of a frame. Each field's name ends in its unit; `..._u` is its standard uncertainty."""

    median_light_frac: float
    """Median over all pixels, relative to white."""
    median_light_frac_u: float


@stage
def measure_brightness(
    mosaic: Mosaic, *, every_count: Annotated[int, Field(ge=1, le=1000)] = 10
) -> Brightness:
    """Measure the median brightness of a frame.

    Parameters
    ----------
    mosaic
        The frame's sensor data: `values` (channels, height, width), `black_dn`, `white_dn`.
    every_count
        Use every n-th row: a setting, which plans may change.

    Raises
    ------
    Unmeasurable
        If the frame has no light.
    """
    rows = mosaic.values[:, ::every_count].astype(np.float64)
    light = (rows - float(mosaic.black_dn.mean())) / (mosaic.white_dn - float(mosaic.black_dn.mean()))
    median = float(np.median(light))
    if median <= 0:
        raise Unmeasurable("no light above black: take the cap off, or expose more")
    # standard error of the median of normal numbers: 1.2533 sigma / sqrt(n)
    return Brightness(median_light_frac=median, median_light_frac_u=1.2533 * float(light.std()) / light.size**0.5)


FIELD_NAMES = {"measure_brightness.median_light_frac": "median light"}
"""Readable names of measures for pages and messages."""
'''
PLAN: Final = """\
# How to measure with our own stage.
plan: $name
stages:
  decode_flat:
    stage: camera.decode_raw
    inputs: {shot: role.flat, stand: stand.camera}
  measure_brightness:
    stage: $name.measure_brightness
    inputs: {mosaic: decode_flat}
"""
TEST: Final = '''\
"""A stage is a plain function and is tested as one."""

import numpy as np
import pytest

from glasswright import CaptureFacts, Unmeasurable
from glasswright_camera import Mosaic
from glasswright_$name import measure_brightness


def make_mosaic(level):
    values = np.full((1, 20, 30), level, dtype=np.uint16)
    return Mosaic(
        values=values,
        pattern=np.zeros((1, 1, 1), dtype=np.int64),
        planes=("green",),
        black_dn=np.full((1, 1, 1), 100.0),
        white_dn=1100.0,
        facts=CaptureFacts(),
        role="flat",
        shot="flat/0001.dng",
        sequence_count=0,
    )


def test_light_is_of_white_above_black():
    assert measure_brightness(make_mosaic(600)).median_light_frac == pytest.approx(0.5)


def test_a_black_frame_is_refused():
    with pytest.raises(Unmeasurable, match="no light above black"):
        measure_brightness(make_mosaic(100))
'''


class PluginFolderError(GlasswrightError):
    """The package cannot be written to that folder."""

    exit_code = 2


@click.command(epilog=EXAMPLE)
@click.argument("name")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder to make. Default: NAME.")
def plugin(name: str, out: Path | None) -> None:
    """Write a package NAME with a new stage: the stage, a plan that runs it, and a test.

    Change the stage, install the package once with pip, and run its plan. After a change of the source, the stage runs
    again.
    """
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        raise click.BadParameter(f"`{name}`: lower-case letters, digits and `_`, a letter first", param_hint="NAME")
    folder = out or Path(name)
    if folder.exists() and any(folder.iterdir()):
        raise PluginFolderError(f"{folder} is not empty: name a new folder with --out")
    make_folder(folder)
    make_folder(folder / f"glasswright_{name}")
    files = {
        "pyproject.toml": PROJECT,
        f"glasswright_{name}/__init__.py": MODULE,
        "plan.yaml": PLAN,
        "test_stage.py": TEST,
    }
    for place, text in files.items():
        write_text(folder / place, Template(text).substitute(name=name))
        click.echo(folder / place)
    click.echo(f"Next: pip install --no-deps -e {folder}; glasswright stages {name}.measure_brightness")
