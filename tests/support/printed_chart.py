"""A printed chart on a virtual stand: the PDF is rendered by another library and imaged by a lens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pypdfium2
from scipy import ndimage

if TYPE_CHECKING:
    from support.chart_drawing import Scene


@dataclass(frozen=True)
class Blobs:
    """Round dark objects on a sheet: centres and areas in millimetres from its upper left corner."""

    centre: np.ndarray
    area: np.ndarray


@dataclass(frozen=True)
class Raster:
    """A rendered sheet."""

    light: np.ndarray
    """(height, width), 1 for white."""
    px_per_mm: np.ndarray
    """x and y; slightly off the requested value, since the renderer stretches a sheet to whole pixels."""


def render(pdf: bytes, dpi: float, page: int = 0) -> Raster:
    """Render a sheet by pdfium."""
    sheet = pypdfium2.PdfDocument(pdf)[page]
    bitmap = sheet.render(scale=dpi / 72, grayscale=True)
    light = np.asarray(bitmap.to_numpy(), dtype=np.float32).reshape(bitmap.height, bitmap.width) / 255
    size_mm = np.array(sheet.get_size()) * 25.4 / 72
    return Raster(light=light, px_per_mm=np.array([bitmap.width, bitmap.height]) / size_mm)


def find_blobs(raster: Raster, least_mm: float) -> Blobs:
    """Return round objects larger than `least_mm`, their holes filled."""
    light, scale = raster.light, raster.px_per_mm
    label, count = ndimage.label(light < 0.5)
    boxes = ndimage.find_objects(label)
    dark = np.clip(1 - light, 0, 1)
    centres, areas = [], []
    for index in range(count):
        rows, columns = boxes[index]
        high, wide = rows.stop - rows.start, columns.stop - columns.start
        if min(high, wide) / scale.max() < least_mm or max(high, wide) > 1.1 * min(high, wide):
            continue
        # one pixel more on each side, for the grey rim
        area = (slice(rows.start - 1, rows.stop + 1), slice(columns.start - 1, columns.stop + 1))
        full = ndimage.binary_fill_holes(label[area] == index + 1)
        ink = np.where(ndimage.binary_erosion(full), 1.0, dark[area])
        y, x = np.mgrid[area]
        if ink.sum() < 0.7 * high * wide:  # a disc fills pi/4 of its box, a cross next to nothing
            continue
        centres.append((np.array([np.sum(x * ink), np.sum(y * ink)]) / ink.sum() + 0.5) / scale)
        areas.append(ink.sum() / scale.prod())
    return Blobs(centre=np.array(centres), area=np.array(areas))


def look_at_print(scene: Scene, raster: Raster, middle_mm: np.ndarray, points: int = 4) -> np.ndarray:
    """Return the light of each sensor pixel, with a point of the sheet at the scene's lattice middle.

    Each pixel is sampled at `points` x `points` points.
    """
    back = np.linalg.inv(scene.plane())
    y, x = np.mgrid[: scene.height, : scene.width].astype(float)
    steps = (np.arange(points) + 0.5) / points - 0.5
    total = np.zeros((scene.height, scene.width))
    for dx in steps:
        for dy in steps:
            full = scene.undistort(np.stack([x + dx, y + dy], axis=-1)) @ back[:, :2].T + back[:, 2]
            across = (full[..., 0] / full[..., 2] + middle_mm[0]) * raster.px_per_mm[0] - 0.5
            down = (full[..., 1] / full[..., 2] + middle_mm[1]) * raster.px_per_mm[1] - 0.5
            total += ndimage.map_coordinates(raster.light, [down, across], order=1, mode="constant", cval=1.0)
    paper = scene.dark + (1 - scene.dark) * total / points**2
    return ndimage.gaussian_filter(paper, scene.blur_px)
