"""What `diagnose` says: which fault a ticket's measurements together look like."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One measured field at one setting, against what healthy copies of the model, or a perfect lens, show there."""

    kind: str
    """Name of the sign, as rules speak of it."""
    measure: str
    """Stage and field: `measure_mtf50.green.centre.mean_cy_per_px`."""
    where: str
    """The setting; empty for the whole ticket."""
    value: float
    u: float
    reference: float
    """Median of healthy copies, or what a perfect lens shows; NaN where neither is known."""
    reference_u: float
    """Standard deviation of healthy copies; 0 where the reference is a perfect lens."""
    strength: float
    """(value - reference) over the standard deviation that scatter, uncertainty and the least effect worth speaking of
    give together; NaN where nothing is known to compare with."""
    seen_from: float
    """The least departure that would have stood out, in the field's unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One pattern that fits."""

    name: str
    surety: str
    """`likely`: what it rests on leaves no other pattern of the list. `possible`: another one could show the same."""
    says: str
    """In plain words, with what was seen."""
    signs: tuple[Sign, ...]
    """What it rests on, strongest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis(Artefact):
    """What a ticket's measurements point to. It is a hint where to look first, and no limit should speak of it."""

    points_to: str
    """Names of the patterns that fit, strongest first, joined by ` and `; `no clear pattern` where something is
    unusual that none of them explains; `nothing unusual`."""
    surety: str
    """Of the first: `likely` or `possible`; `none` where no pattern fits."""
    fault_count: int
    unusual_count: int
    """Signs that stand out."""
    unexplained_count: int
    """Of those, signs that belong to no pattern that fits."""
    sign_count: int
    """Signs that could be compared with something."""
    compared_with: str
    """Where the reference values are from; `perfect lens` where the model is not known on this stand."""
    findings: tuple[Finding, ...]
    signs: tuple[Sign, ...]
    """Every sign that was read, strongest first."""
