"""The hand checks: what to check, how, and with which cautions."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

GLASS = "Glass breaks and cuts: both hands on the lens, low over a soft mat; do not touch a chipped edge."
RADIOACTIVE = (
    "Some old lenses hold radioactive (thoriated) glass: never scrape or grind it, wash your hands, and do not keep "
    "your eye at it for longer than the look takes."
)
SOLVENT = "Solvents burn and their vapours harm: fresh air, gloves, no flame, and none in this check."
SUN = "Never look through a lens at the sun, a laser or a bright lamp: it burns the eye in an instant."
CURRENT = (
    "The body is under power: no metal and no liquid near the contacts, and nothing is opened; flash capacitors stay "
    "charged at dangerous voltages."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """How one hand check is done."""

    title: str
    how: str
    """One sentence."""
    caution: str
    """Dangers of the check; empty if there are none."""


HAND_LIST: Mapping[str, Instruction] = MappingProxyType(
    {
        "front_glass": Instruction(
            title="front glass",
            how=(
                "Turn the front element under a lamp at a low angle and look for scratches, chips, worn coating and "
                "marks of wiping."
            ),
            caution=f"{GLASS} {RADIOACTIVE}",
        ),
        "rear_glass": Instruction(
            title="rear glass",
            how=(
                "Turn the rear element under a lamp at a low angle and look for scratches, chips, oil and marks of "
                "wiping."
            ),
            caution=f"{GLASS} {RADIOACTIVE} {SOLVENT}",
        ),
        "look_through": Instruction(
            title="look-through",
            how=(
                "Open the aperture fully, hold the lens before an evenly lit white wall and look through it from both"
                " ends for haze, fungus, separation and loose parts."
            ),
            caution=f"{SUN} {GLASS}",
        ),
        "mount": Instruction(
            title="mount",
            how=(
                "Mount the lens on the body and feel for play, grinding and a lock that does not catch; look at the "
                "flange for bends and loose screws."
            ),
            caution=GLASS,
        ),
        "contacts": Instruction(
            title="contacts",
            how="With the lens off the body, look whether every contact is clean, even and springs back.",
            caution=CURRENT,
        ),
        "zoom_creep_up": Instruction(
            title="zoom creep, pointing up",
            how=(
                "Set the middle of the zoom range, point the lens straight up, tap it once and see whether the zoom "
                "stays."
            ),
            caution=GLASS,
        ),
        "zoom_creep_down": Instruction(
            title="zoom creep, pointing down",
            how=(
                "Set the middle of the zoom range, point the lens straight down, tap it once and see whether the zoom"
                " stays."
            ),
            caution=GLASS,
        ),
        "focus_ring_manual": Instruction(
            title="focus ring in manual focus",
            how=(
                "In manual focus turn the ring from end to end and back, and feel for rough spots, play and uneven "
                "drag."
            ),
            caution="",
        ),
        "focus_ring_autofocus": Instruction(
            title="focus ring in autofocus",
            how=(
                "In autofocus let the body focus near and far five times each, with the ring free, and listen and "
                "feel for rubbing, stalling and hunting."
            ),
            caution=CURRENT,
        ),
        "switches": Instruction(
            title="switches and buttons",
            how=(
                "Move every switch and press every button of the lens, and see whether each catches and the body "
                "obeys it."
            ),
            caution=CURRENT,
        ),
        "aperture_blades": Instruction(
            title="aperture blades",
            how=(
                "Close the aperture to its smallest and back by the body or the ring, and look for oil, bent blades "
                "and an opening that is not even or comes slowly."
            ),
            caution=f"{SUN} {SOLVENT}",
        ),
        "stabiliser_noise": Instruction(
            title="stabiliser noise",
            how=(
                "Switch the stabiliser on, half-press for ten seconds and listen for knocking or rattling beyond the "
                "usual hum, then switch it off and listen for the lock."
            ),
            caution=CURRENT,
        ),
    }
)
"""Name in cards and tickets -> instruction, in the order of asking."""
