"""One disc drawn by the fast renderer."""

import numpy as np

from glasswright_rehearsal.frames.draw import draw_discs
from glasswright_rehearsal.optics.blur import find_spread_px
from glasswright_rehearsal.optics.profiles import build_kernels, tabulate
from glasswright_rehearsal.scene.geometry import fit_polar

OFFSET = (0.3, 0.17)


ROUND, STRETCHED = np.diag([44.0, 44.0]), np.diag([46.5, 42.0])


def draw_fast(axes, blur, size):
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    edge = np.stack([np.cos(turn), np.sin(turn)], axis=1) @ axes.T + np.array(OFFSET) + size / 2
    centre, radius = fit_polar(edge[None, None])
    big, small = np.linalg.svd(axes)[1]
    top = float(min(blur.cutoff[0], 4.0))
    kernels = build_kernels(
        small**2 / big, big**2 / small, find_spread_px(blur), top, is_asymmetric=blur.coma_waves > 0
    )
    tables = tabulate(blur, kernels)
    picture = np.zeros((1, size, size), dtype=np.float32)
    sizes = kernels.radius_px, kernels.near_px, kernels.far_px
    pattern = np.zeros((1, 1, 1), dtype=np.int64)
    draw_discs(picture, pattern, 1.0, centre, radius, tables.near[None], tables.tail[None], tables.odd[None], *sizes)
    return picture[0]
