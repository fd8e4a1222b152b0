"""Measurements on third-party photographs of a printed lattice, compared with general libraries.

python ci/bench_photographs.py [--quick] [--only NAME ...]

GLASSWRIGHT_REAL_FILES names the folder with the photographs in `dots`; see tests/support/real_dots.py. --quick uses two
of the ten. Displacements of red and blue from green are compared with scikit-image's centroids at the same threshold.
Columns: dots compared, and those of them that differ by more than 0.1 px; dots that the centroids know within 0.05 px
(standard uncertainty), those of them that differ by more than 0.1 px, whatever the project states, and median, ninth
tenth and largest of their differences; rms of the differences over both stated uncertainties, and share below twice
these (noise moves both methods alike, so the first is below 1); the stated uncertainty along one axis, and the same two
numbers for the scatter of displacements about a smooth field, which noise does show in; uniform and largest radial part
of the differences, each beside the same of two independent ways. Distortion is compared with OpenCV's calibration on
the same centres.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from glasswright import Unmeasurable
from glasswright_camera.distortion.stage import measure_distortion
from glasswright_camera.fringing.stage import measure_fringing
from glasswright_camera.sharpness.stage import measure_mtf50
from support import real_dots

LEAST_GOOD = 9
HEAD = (
    "photograph dots placed mtf50 | red-green: dots, over 0.1; known, over, median, 90 %, largest; pull, within 2 u; "
    "stated, scatter's pull, within 2 u; uniform / of two ways, radial +- u / of two ways | blue-green: the same | "
    "bend opencv's, apart, rms, opencv's rms | lighter than paper, % | caveats"
)


def describe(name: str) -> str:
    """Measure one photograph, and return its line."""
    fit, found, stand = real_dots.locate(name), real_dots.trace(name), real_dots.make_stand()
    measure_fringing((found,), stand)
    bent = measure_distortion((found,), stand)
    sharp = measure_mtf50((found,), stand).green.centre
    colours = [real_dots.compare_displacement(name, plane) for plane in (0, 2)]
    other = real_dots.compare_distortion(name, bent)
    over = max(real_dots.find_overshoot(name, plane) for plane in range(3))
    return " | ".join(
        (
            f"{name} {len(fit.node)} {found.disc_count} {sharp.mean_cy_per_px:.4f}",
            *map(_name_colour, colours),
            f"{other.largest_px:.2f} {other.curve_px:.2f} {bent.residual_rms_px:.2f} {other.rms_px:.2f}",
            f"{100 * over:.1f}",
            ", ".join(found.caveats) or "-",
        )
    )


def _name_colour(apart: real_dots.Displaced) -> str:
    return (
        f"{apart.dot_count} {apart.over_count}; {apart.known_count} {apart.known_over_count} {apart.median_px:.3f} "
        f"{apart.most_px:.3f} {apart.worst_px:.3f}; {apart.pull:.2f} {apart.covered_frac:.3f}; "
        f"{apart.stated_px:.3f} {apart.scatter_pull:.2f} {apart.scatter_covered_frac:.3f}; "
        f"{apart.uniform_px:.3f} / {apart.ways_uniform_px:.3f} "
        f"{apart.radial_px:.3f}+-{apart.radial_px_u:.3f} / {apart.ways_radial_px:.3f}"
    )


def main() -> int:
    """Print the table; 1 where fewer than LEAST_GOOD of the ten could be measured."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="*", metavar="NAME", choices=real_dots.PHOTOGRAPHS, help="these alone")
    given = parser.parse_args()
    if not real_dots.IS_THERE:
        print("GLASSWRIGHT_REAL_FILES names no folder with `dots` in it: nothing to measure")
        return 0
    names = given.only or (real_dots.PHOTOGRAPHS[::5] if given.quick else real_dots.PHOTOGRAPHS)
    print(HEAD)
    good = 0
    for name in names:
        try:
            print(describe(name), flush=True)
            good += 1
        except Unmeasurable as reason:
            print(f"{name}: {reason}", flush=True)
    print(f"{good} of {len(names)} located and measured, px throughout; {LEAST_GOOD} of 10 are asked for")
    return 0 if len(names) < len(real_dots.PHOTOGRAPHS) or good >= LEAST_GOOD else 1


if __name__ == "__main__":
    sys.exit(main())
