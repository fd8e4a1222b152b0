"""The lenses for scoring the diagnosis, with seeds that were not used when the rules were made."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright_camera.diagnosis.found import DIRT, LAMP_OR_APERTURE, SCRATCH, STAND
from glasswright_camera.diagnosis.rules import (
    AUTOFOCUS,
    COLOUR,
    CURVATURE,
    DECENTRED,
    DISTORTED,
    HAZE,
    OBSTRUCTION,
    SPACING,
    TILT,
)

FIFTY, PORTRAIT, ZOOM = "Corvane 50 mm f/2", "Halden 85 mm f/1.8", "Corvane 24-70 mm f/4"
F_NUMBERS = {FIFTY: (2.0, 8.0), PORTRAIT: (1.8, 5.6), ZOOM: (4.0,)}
"""Two apertures give nearly the same result as more, in less time."""
SHORT = {FIFTY: "fifty", PORTRAIT: "portrait", ZOOM: "zoom"}
"""Names of nights' folders; two models of one maker must not share a folder."""
SHOWS = {
    "tilted_group": TILT,
    "decentred_element": DECENTRED,
    "wrong_spacing": SPACING,
    "curved_field": CURVATURE,
    "haze": HAZE,
    "autofocus_offset": AUTOFOCUS,
    "lateral_colour": COLOUR,
    "barrel_shift": DISTORTED,
    "vignetting_obstruction": OBSTRUCTION,
    "lamp_drift": STAND,
    "shake": STAND,
    "tilted_chart": STAND,
    "fungus": DIRT,
    "lens_dust": DIRT,
    "scratched": SCRATCH,
}
"""Rehearsed fault -> the pattern that it should be read as."""
ALSO_SHOWS = {"lamp_drift": LAMP_OR_APERTURE}
"""Rehearsed fault -> another pattern that is true of it."""
DIRTY = ("fungus", "lens_dust", "scratched")
CLEAN = tuple(name for name in SHOWS if name not in DIRTY)
PAIRS = (
    "tilted_group+haze",
    "tilted_group+lateral_colour",
    "decentred_element+haze",
    "decentred_element+autofocus_offset",
    "curved_field+haze",
    "curved_field+autofocus_offset",
    "wrong_spacing+barrel_shift",
    "wrong_spacing+vignetting_obstruction",
    "haze+barrel_shift",
    "tilted_group+vignetting_obstruction",
)
"""Two faults of one lens that touch different measures; what hides behind a stronger one cannot be told by anybody."""


PLAIN = tuple(name for name in CLEAN if name != "autofocus_offset")
PLAIN_PAIRS = tuple(pair for pair in PAIRS if "autofocus_offset" not in pair)
"""For lenses without a ramp shot."""
FEW, FEW_WHOLE = "few", "few_whole"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultNight:
    """One rehearsed night: healthy lenses first, then one with each of the faults."""

    name: str
    model: str
    seed: int
    faults: tuple[str, ...]
    healthy: int = 0
    ramp_shots: int = 1
    f_numbers: tuple[float, ...] = ()
    """Those of the model in F_NUMBERS, unless given."""

    @property
    def apertures(self) -> tuple[float, ...]:
        """All f-numbers that are shot."""
        return self.f_numbers or F_NUMBERS[self.model]

    @property
    def tickets(self) -> int:
        """All lenses of the night."""
        return self.healthy + len(self.faults)


def plan_nights() -> tuple[FaultNight, ...]:
    """Return the nights of the full scoring: 150 healthy lenses, 167 with one fault, 46 with two; 210 with a ramp
    shot."""
    return (
        FaultNight(name="fifty", model=FIFTY, seed=2001, healthy=100, faults=(*CLEAN * 3, *PAIRS * 2)),
        FaultNight(name="portrait", model=PORTRAIT, seed=2002, healthy=20, faults=(*CLEAN * 2, *PAIRS)),
        FaultNight(name="fifty_plain", model=FIFTY, seed=2003, faults=(*PLAIN * 5, *PLAIN_PAIRS)),
        FaultNight(name="portrait_plain", model=PORTRAIT, seed=2004, healthy=30, faults=(*PLAIN * 2, *PLAIN_PAIRS)),
        FaultNight(name="fifty_dirty", model=FIFTY, seed=2005, faults=DIRTY * 4),
        FaultNight(name="portrait_dirty", model=PORTRAIT, seed=2006, faults=DIRTY * 2),
        # added when shadows in a corner were mended, after the first scoring had shown them up as scratches
        FaultNight(name="fifty_corners", model=FIFTY, seed=2007, faults=("vignetting_obstruction",) * 8),
        FaultNight(name="portrait_corners", model=PORTRAIT, seed=2008, faults=("vignetting_obstruction",) * 4),
    )


def plan_few() -> tuple[FaultNight, ...]:
    """Return nights of seventeen lenses, as a quick regression check."""
    few = (*PLAIN, "fungus", "scratched", "tilted_group+haze")
    return (
        # drawing the ramp takes as long as the rest
        FaultNight(name=FEW, model=FIFTY, seed=2101, faults=few, ramp_shots=0),
        # with all that the model's card asks for, so that the gate can release them
        FaultNight(
            name=FEW_WHOLE,
            model=FIFTY,
            seed=2102,
            healthy=2,
            # well beyond the limit: with the usual strength the lens may be in review
            faults=("autofocus_offset:1.5",),
            f_numbers=(2.0, 4.0, 8.0),
        ),
    )


STRENGTHS = (0.2, 0.35, 0.5, 0.7, 1.0, 1.5)
"""Relative to a fault's default strength; at 0.2 most stay within the card's limits, at 1.5 all are obvious."""


def plan_strengths(rounds: int, least: float, most: float) -> tuple[FaultNight, ...]:
    """Return nights with every fault at every strength from `least` to `most`, and with double faults of strength 1, on
    three models: 3 x 11 single faults a strength, and 3 x 8 double ones, in each round."""
    nights = []
    for turn in range(rounds):
        for number, strength in enumerate(STRENGTHS):
            faults = tuple(f"{fault}:{strength:g}" for fault in PLAIN)
            if least <= strength <= most:
                nights += [_night(turn, number, place, f"{strength:g}", faults) for place in range(len(SHORT))]
        if least <= 1 <= most:
            nights += [_night(turn, 6, place, "pairs", PLAIN_PAIRS) for place in range(len(SHORT))]
    return tuple(nights)


def _night(turn: int, number: int, place: int, label: str, faults: tuple[str, ...]) -> FaultNight:
    model = tuple(SHORT)[place]
    seed = 3001 + 100 * turn + 10 * place + number
    return FaultNight(name=f"{SHORT[model]}_{label}_{turn}", model=model, seed=seed, faults=faults, ramp_shots=0)
