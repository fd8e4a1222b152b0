"""The rules from signs to faults. They are applied in order; a sign explained by one rule is not used by a later one.

The rules are common practice, without a source: a tilted surface of focus leaves a band of the field sharp; coma on the
axis means a decentred element; blur that is the same everywhere and grows with the aperture is spherical aberration; a
veil over the discs is scattered light; and so on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright_camera.diagnosis.result import Finding, Sign
from glasswright_camera.diagnosis.signs import STANDS_OUT, format_sign, list_signs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

WELL_BEYOND: Final = 2.0
"""Multiple of `STANDS_OUT` from which a sign alone supports `likely`."""
HALF_SEEN: Final = 2.0
"""Strength from which a sign that is not significant still makes a fault possible. At most 1 in 20 signs of a healthy
lens is that strong. Two decentred elements rehearsed at 0.35 of the default strength (decentred_element:0.35, 2
megapixels) had one-sided softness of 6.4 and coma of 4.2; at 0.2, 3.4 and 2.0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One fault and the signs that indicate it."""

    name: str
    lead: tuple[str, ...]
    """Kinds of sign, any of which indicates it."""
    claims: tuple[str, ...]
    """Further kinds of sign that it explains."""
    says: str
    rivals: tuple[tuple[str, float], ...] = ()
    """(kind of sign, departure): signs of rival faults. The fault is `likely` only if each of them was measured well
    enough that a departure of this size would have been significant."""
    alternative: str = ""
    """Note if the rivals could not be excluded."""
    confused_with: tuple[tuple[str, str], ...] = ()
    """(kind of sign, fault): faults that show the same signs and one more. Where that sign is between HALF_SEEN and
    significant, both faults are named, as `possible`."""
    sense: int = 0
    """1: only above the reference. -1: only below. 0: either."""


TILT = "tilted group or mount"
DECENTRED = "decentred element"
SPACING = "wrong spacing or spherical blur"
CURVATURE = "field curvature"
HAZE = "haze"
AUTOFOCUS = "autofocus offset"
OBSTRUCTION = "something in the light's way"
COLOUR = "lateral colour unlike the model"
SHIFT = "focus shift on stopping down"
ZOOMED = "focus changes on zooming"
DIM = "light lost in the glass"
AXIAL = "longitudinal colour unlike the model"
DISTORTED = "distortion unlike the model"

RULES: Final = (
    Rule(
        name=HAZE,
        lead=("glare", "spilt light"),
        claims=("centre sharpness", "coarse contrast", "corner softening", "corner light", "transmission"),
        sense=1,
        says="light is scattered over the picture: haze, fungus or oil on inner surfaces, or a missing coating",
    ),
    Rule(
        name=OBSTRUCTION,
        lead=("one dark corner", "clipped corner"),
        claims=("uneven corners", "falloff off centre", "corner light"),
        sense=1,
        says="a corner is darker than the others, or clipped: a part, a hood or a baffle blocks light",
    ),
    Rule(
        name=DECENTRED,
        lead=("coma on the axis",),
        claims=(
            "colour shift",
            "falloff off centre",
            "uneven corners",
            "softer side",
            "soft sides",
            "centre sharpness",
            "coarse contrast",
            "corner softening",
            "lateral colour",
        ),
        sense=1,
        says="points in the middle of the field have tails to one side: an element is off the axis",
    ),
    Rule(
        name=TILT,
        lead=("soft sides", "focus tilt", "softer side"),
        claims=("corner softening",),
        sense=1,
        rivals=(("coma on the axis", 0.3),),
        alternative="a decentred element could show the same",
        confused_with=(("coma on the axis", DECENTRED),),
        says="the surface of best focus is tilted: a group or the mount is tilted",
    ),
    Rule(
        name=SPACING,
        lead=("centre sharpness",),
        claims=("coarse contrast", "corner softening", "field curvature", "focus shift", "breathing"),
        sense=-1,
        rivals=(("field curvature", 12.0),),
        alternative="it was measured as shot, so chart shots out of focus could show the same; shoot a focus series",
        says="the whole field is soft, also the middle: elements at wrong distances, or spherical aberration",
    ),
    Rule(
        name=CURVATURE,
        lead=("field curvature",),
        claims=("corner softening",),
        confused_with=(("centre sharpness", SPACING),),
        says="the corners' best focus differs from the middle's, equally on all sides",
    ),
    Rule(
        name=CURVATURE,
        lead=("corner softening",),
        claims=(),
        sense=1,
        rivals=(("field curvature", 12.0),),
        alternative="it was measured as shot; a focus series would separate curvature from blur that grows outwards",
        confused_with=(("centre sharpness", SPACING),),
        says="the middle is sharp and the corners are not, equally on all sides",
    ),
    Rule(
        name=AUTOFOCUS,
        lead=("focus offset",),
        claims=(),
        says="autofocus missed the subject: adjustment of lens to body, if it misses by the same amount again",
    ),
    Rule(
        name=COLOUR,
        lead=("lateral colour",),
        claims=(),
        says="the sizes of red and blue differ from those of healthy copies: a wrong element, or wrong distances",
    ),
    Rule(
        name=SHIFT,
        lead=("focus shift",),
        claims=(),
        says="best focus moves as the aperture closes, with the focus locked: spherical aberration, from elements at "
        "wrong distances or a wrong element",
    ),
    Rule(
        name=ZOOMED,
        lead=("parfocal error",),
        claims=(),
        says="best focus moves on zooming, with the focus locked: the flange distance, or a zoom group off its path",
    ),
    Rule(
        name=DIM,
        lead=("transmission",),
        claims=(),
        sense=-1,
        says="less light than through other copies: a coating, yellowed glass, a film of oil, or blades that do not "
        "open fully; shoot the reference lens too, since the source may have changed",
    ),
    Rule(
        name=AXIAL,
        lead=("longitudinal colour",),
        claims=(),
        says="red or blue focus differs from that of healthy copies: a wrong element, or wrong distances",
    ),
    Rule(
        name=DISTORTED,
        lead=("bent lines",),
        claims=(),
        says="lines are curved unlike those of healthy copies: a wrong element, or wrong distances",
    ),
)


RULE_SENSE: Final = {rule.name: rule.sense for rule in reversed(RULES)}
"""Fault -> the sense of its leading signs, from its first rule."""


def apply_rules(signs: Sequence[Sign]) -> tuple[tuple[Finding, ...], tuple[Sign, ...]]:
    """Apply the rules in order.

    Returns
    -------
    tuple
        The faults, in the rules' order, and the significant signs that none of them explains.
    """
    free = [sign for sign in signs if abs(sign.strength) >= STANDS_OUT]
    findings: list[Finding] = []
    for rule in RULES:
        lead = [sign for sign in free if sign.kind in rule.lead and rule.sense * sign.strength >= 0]
        if not lead:
            continue
        claimed = [sign for sign in free if sign.kind in (*rule.lead, *rule.claims)]
        free = [sign for sign in free if sign not in claimed]
        findings += _make_findings(rule, lead, claimed, signs)
    return tuple(findings), tuple(free)


def _make_findings(
    rule: Rule, lead: Sequence[Sign], claimed: Sequence[Sign], signs: Sequence[Sign]
) -> Iterator[Finding]:
    excluded = all(any(sign.kind == kind and sign.seen_from <= size for sign in signs) for kind, size in rule.rivals)
    strong = max(abs(sign.strength) for sign in lead) >= WELL_BEYOND * STANDS_OUT
    open_points = ([] if excluded else [rule.alternative]) + ([] if strong else ["the signs are only just significant"])
    order = (*lead, *(sign for sign in claimed if sign not in lead))
    rivals = [
        (other, sign)
        for kind, other in rule.confused_with
        for sign in signs
        if sign.kind == kind and HALF_SEEN <= RULE_SENSE[other] * sign.strength < STANDS_OUT
    ]
    open_points += [f"{other} is possible too: {format_sign(sign)}" for other, sign in rivals]
    yield Finding(
        name=rule.name,
        surety="possible" if open_points else "likely",
        says="; ".join([rule.says, *open_points]) + f" ({list_signs(order)})",
        signs=tuple(order),
    )
    for other, sign in rivals:
        says = (
            f"it shows the same signs as {rule.name}, and one more that is not quite significant: {format_sign(sign)}"
        )
        yield Finding(name=other, surety="possible", says=says, signs=(*order, sign))
