"""Drawing of a shot: its frame, reduced, with outlines of the discs found."""

from __future__ import annotations

from base64 import b64encode
from typing import TYPE_CHECKING

import imagecodecs
import numpy as np

from glasswright import Unmeasurable
from glasswright.plugin.drawing import Picture, canvas, dot, element, path
from glasswright_camera.edges.repeats import main_plane
from glasswright_camera.raw.image import is_image, read_image
from glasswright_camera.raw.libraw import RawFrame, read_raw

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright import Shot
    from glasswright_camera.chart.chart_fit import ChartFit
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.light.flat import FlatShot

    Array = NDArray[np.float64]

WIDTH = 640
QUALITY = 72
STYLE = (
    ".disc{fill:none;stroke:#25d0c0;stroke-width:1.6}"
    ".lost{fill:none;stroke:#ff9d2e;stroke-width:2.2}"
    ".edge{fill:none;stroke:#111;stroke-opacity:.55;stroke-width:3.2}"
)


def shrink(values: NDArray[np.uint16], black: float, white: float) -> NDArray[np.uint8]:
    """Return a frame as block means, 0 to 255, with a gamma for screens."""
    step = max(2, 2 * round(values.shape[1] / WIDTH / 2))
    rows, columns = values.shape[0] // step, values.shape[1] // step
    blocks = values[: rows * step, : columns * step].reshape(rows, step, columns, step)
    light = (blocks.mean(axis=(1, 3), dtype=np.float32) - black) / (white - black)
    top = max(float(np.percentile(light, 99.5)), 1e-3)
    return np.asarray(255 * np.clip(light / top, 0, 1) ** (1 / 2.2), dtype=np.uint8)


def read_small(file: Path) -> tuple[NDArray[np.uint8], tuple[int, int]]:
    """Read a file as a small picture; return it and the frame's width and height in sensor pixels."""
    if is_image(str(file)):
        image = read_image(str(file), transfer="linear")
        values = image.values.mean(axis=0).astype(np.uint16)
        black, white = 0.0, float(values.max() or 1)
    else:
        frame = read_either(file)
        values, black, white = frame.values, float(frame.black_dn.mean()), frame.white_dn
    return shrink(values, black, white), (values.shape[1], values.shape[0])


def read_either(file: Path) -> RawFrame:
    """Read a raw file with or without colour filters; which it is, only the stand file says."""
    try:
        return read_raw(str(file), monochrome=False)
    except Unmeasurable as refusal:
        try:
            return read_raw(str(file), monochrome=True)
        except Unmeasurable:
            raise refusal from None


def lay_out(file: Path, title: str, outlines: str, described: str) -> list[Picture]:
    """Put outlines, in sensor pixels, over the small frame; the drawing includes its own style sheet."""
    small, (width, height) = read_small(file)
    data = b64encode(imagecodecs.jpeg8_encode(small, level=QUALITY)).decode()
    tall = WIDTH * height / width
    frame = element("image", href=f"data:image/jpeg;base64,{data}", width=float(WIDTH), height=tall)
    moved = element("g", outlines, transform=f"scale({WIDTH / width:.6g}) translate(0.5 0.5)") if outlines else ""
    return [Picture(title, canvas(WIDTH, tall, element("style", STYLE), frame, moved, label=title), described)]


def _circles(centre: Array, radius: Array, class_: str) -> str:
    thick = [
        dot(float(x), float(y), "edge", float(r)).replace("/>", ' vector-effect="non-scaling-stroke"/>')
        for (x, y), r in zip(centre, radius, strict=True)
    ]
    thin = [
        dot(float(x), float(y), class_, float(r)).replace("/>", ' vector-effect="non-scaling-stroke"/>')
        for (x, y), r in zip(centre, radius, strict=True)
    ]
    return "".join(thick + thin)


def draw_trace_frame(trace: Trace, file: Path) -> list[Picture]:
    """Outline the discs whose edges were measured."""
    plane = main_plane(trace)
    good = trace.is_placed([trace.planes[plane]])
    outlines = _circles(trace.centre_px[plane, good], trace.radius_px[plane, good], "disc")
    lost = int((~good).sum())
    failed = f"; {lost} found, but their edges could not be fitted" if lost else ""
    never = max(trace.left_out_count - lost, 0)
    left_out = f"; {never} left out" if never else ""
    return lay_out(file, trace.shot, outlines, f"{int(good.sum())} discs measured, outlined{failed}{left_out}")


def draw_fit_frame(fit: ChartFit, file: Path) -> list[Picture]:
    """Outline the discs of a shot whose edges were not measured."""
    outlines = _circles(fit.centre_px, fit.radius_px, "lost")
    return lay_out(file, fit.shot, outlines, f"{len(fit.node)} discs found, outlined; their edges were not measured")


def draw_flat_frame(flat: FlatShot, file: Path) -> list[Picture]:
    """Show a frame of an even field, and cross out the blocks that had too few good pixels."""
    plane = flat.planes.index("green") if "green" in flat.planes else 0
    rows, columns = np.nonzero(~np.isfinite(flat.light[plane]))
    size = flat.block_px
    crosses = "".join(
        path([(x * size, y * size), ((x + 1) * size, (y + 1) * size)], "lost")
        for y, x in zip(rows.tolist(), columns.tolist(), strict=True)
    )
    lost = f", {len(rows)} blocks without enough good pixels crossed out" if len(rows) else ""
    return lay_out(file, flat.shot, crosses, f"evenness taken from the whole frame{lost}")


def draw_bare_frame(shot: Shot, file: Path) -> list[Picture]:
    """Show a frame on which nothing was measured."""
    return lay_out(file, shot.name, "", "nothing was measured on this frame")
