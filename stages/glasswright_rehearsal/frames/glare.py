"""Render a black patch before the diffuse source: light in its image is veiling glare."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.scene.light import lay_light

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.frames.render import Scene

RIM_PX = 1.5
"""Width of the patch's soft border; the blur of the lens does not matter here."""


def render_black_spot(scene: Scene, diameter_frac: float = 0.12) -> NDArray[np.float32]:
    """Render an even bright field with a perfectly black round patch in the frame's middle, without noise.

    Parameters
    ----------
    scene
        The diffuse source; a layout is not drawn.
    diameter_frac
        Diameter of the patch's image over the frame's height.

    Returns
    -------
    (channels, height, width), as a fraction of white.
    """
    frame = scene.frame
    y, x = np.ogrid[: frame.height_px, : frame.width_px]
    distance = np.hypot(x - frame.centre_px[0], y - frame.centre_px[1])
    cover = np.clip((diameter_frac * frame.height_px / 2 - distance) / RIM_PX + 0.5, 0, 1).astype(np.float32)
    picture = np.repeat(cover[None], len(scene.sensor.pattern), axis=0)
    lay_light(
        picture,
        scene.sensor.pattern_array(),
        scene.sensor.planes,
        frame,
        scene.lens,
        scene.lighting,
        0.0,
        scene.dust,
    )
    return picture
