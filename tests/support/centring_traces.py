"""Traces with known focus, coma and colour over the field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glasswright import Setting
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import FocusStep, ReferenceTilt, Stand
from support.chart_traces import make_trace, project_discs
from support.rehearsed_shots import make_lattice_scene, stand_for

WIDTH, HEIGHT, PITCH_UM = 6000, 4000, 6.0
HALF_PX = float(np.hypot(WIDTH, HEIGHT) / 2)
STEP_UM = 6.0


def make_stand(**changes) -> Stand:
    """A stand with a known size of a focus step."""
    return replace(stand_for(make_lattice_scene()), **({"focus_step": FocusStep(um=STEP_UM)} | changes))


def make_body(x_arcmin, y_arcmin, u_arcmin=0.1) -> ReferenceTilt:
    return ReferenceTilt(
        x_arcmin=x_arcmin, y_arcmin=y_arcmin, x_arcmin_u=u_arcmin, y_arcmin_u=u_arcmin, origin="declared in a test"
    )


def lay_discs(layout):
    """Nodes, sensor places and field places in half-diagonals."""
    node, centre = project_discs(layout, true_size=False)
    return node, centre, (centre - [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]) / HALF_PX


def make_field_trace(
    layout,
    *,
    slope=(0.0, 0.0),
    bowl=0.0,
    coma=(0.0, 0.0),
    colour_centre=None,
    colour_px=0.4,
    defocus_um=0.0,
    tilt_um=(0.0, 0.0),
    field_curvature_um=0.0,
    noise=0.0,
    seed=0,
    role="chart",
    count=0,
) -> Trace:
    """One shot: MTF50 is 0.3 times (1 + slope . p + bowl r^2), further lowered by defocus.

    `tilt_um` per half-diagonal and `field_curvature_um` at one: distance of the focus behind the sensor.
    """
    generator = np.random.default_rng(seed)
    node, centre, field = lay_discs(layout)
    square = (field**2).sum(axis=1)
    sharp = 0.3 * (1 + field @ np.array(slope) + bowl * square)
    off_um = defocus_um + field @ np.array(tilt_um) + field_curvature_um * square
    value = (1 / sharp**2 + 0.05 * off_um**2) ** -0.5
    mtf50 = np.repeat(np.tile(value, (3, 1))[..., None], 2, axis=-1)
    mtf50 = mtf50 * (1 + noise * generator.normal(size=mtf50.shape))
    centres = np.tile(centre, (3, 1, 1))
    if colour_centre is not None:
        away = field - np.array(colour_centre)
        centres[0] += colour_px * away
        centres[2] -= 0.5 * colour_px * away * (1 + (away**2).sum(axis=1, keepdims=True))
    centres = centres + 0.003 * noise / 0.003 * generator.normal(size=centres.shape)
    asymmetry = np.tile(np.array(coma), (3, len(node), 1)) + noise * generator.normal(size=(3, len(node), 2))
    return replace(
        make_trace(node, centre, chart=layout.name, width=WIDTH, height=HEIGHT),
        centre_px=centres,
        radius_px=np.full((3, len(node)), 70.0),
        mtf50=mtf50,
        mtf50_u=max(noise, 1e-5) * mtf50,
        asymmetry=asymmetry,
        asymmetry_u=np.full_like(asymmetry, max(noise, 1e-5)),
        role=role,
        sequence_count=count,
        shot=f"{role}/{count:04d}",
        setting=Setting(focal_length_mm=50.0, f_number=2.0),
    )


def make_series(layout, *, steps=7, noise=0.0, **field) -> tuple[Trace, ...]:
    """A focus series about the centre's best focus; each step moves the focus backwards."""
    return tuple(
        make_field_trace(
            layout,
            defocus_um=STEP_UM * (k - (steps - 1) / 2),
            noise=noise,
            seed=k,
            role="focus_series",
            count=k,
            **field,
        )
        for k in range(steps)
    )
