"""Best focus on the inclined board of lenses that are soft outwards or have a curved field, against the drawn focus.

ci/bench board [--quick]

Prints errors over their standard uncertainties, for green and for longitudinal colour: root mean square, share within
two, and the boards beyond three.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.edges.trace_ramp import trace_ramp
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_rehearsal.frames.ramp import find_best_focus_mm
from glasswright_rehearsal.optics.depth import sharp_image_um
from support.ramp_shots import make_ramp_scene, make_ramp_stand
from support.rehearsed_shots import take_shot

F_NUMBERS, FOCI_UM = (2.0, 4.0), (-17.0, -9.0, 0.0, 9.0, 17.0)
GROWTHS_UM, CURVATURES_UM = ((0.0, 0.0), (1.0, 1.5), (2.0, 3.0), (4.0, 5.0)), (0.0, 8.0, -8.0, 20.0, -20.0)
"""Growth of the sagittal and tangential blur, and defocus, at a half-diagonal."""


def try_board(f_number: float, focus_um: float, growth_um: tuple[float, float], curvature_um: float) -> list[float]:
    """Return the errors of green, red - green and blue - green over their u."""
    scene, stand = make_ramp_scene(focus_um, f_number=f_number), make_ramp_stand()
    field = {
        "sagittal_growth_um": growth_um[0],
        "tangential_growth_um": growth_um[1],
        "field_curvature_um": curvature_um,
    }
    scene = replace(scene, lens=replace(scene.lens, aberrations=replace(scene.lens.aberrations, **field)))
    mosaic = take_shot(scene, role="ramp")
    trace = replace(trace_ramp(mosaic, locate_ramp(mosaic, stand), stand, None), setting=mosaic.setting)
    found = measure_focus_offset((trace,))
    red, green, blue = (
        -float(sharp_image_um(np.array(place), scene.pose, scene.lens)) for place in find_best_focus_mm(scene).values()
    )
    return [
        (found.green.shift_um - green) / found.green.shift_um_u,
        (found.red_green_um - (red - green)) / found.red_green_um_u,
        (found.blue_green_um - (blue - green)) / found.blue_green_um_u,
    ]


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="eight boards")
    given = parser.parse_args()
    cases = list(product(F_NUMBERS, FOCI_UM, GROWTHS_UM, CURVATURES_UM))
    if given.quick:
        cases = cases[:: len(cases) // 8]
    ratios = np.array([try_board(*case) for case in cases])
    for name, column in zip(("green", "red - green", "blue - green"), ratios.T, strict=True):
        rms, share = np.sqrt(np.mean(column**2)), np.mean(np.abs(column) <= 2)
        print(f"{name:13} {len(column)} boards: errors {rms:.2f} u (rms), {share:.1%} within two")
    for case, ratio in zip(cases, ratios, strict=True):
        if np.abs(ratio).max() > 3:
            f_number, focus_um, growth_um, curvature_um = case
            print(
                f"beyond 3 u: f/{f_number:g}, focus {focus_um:g} um, growth {growth_um} um, "
                f"curvature {curvature_um:g} um: {ratio[0]:.1f}, {ratio[1]:.1f}, {ratio[2]:.1f}"
            )


if __name__ == "__main__":
    main()
