"""Results of `diagnose`: signs, and the faults they indicate."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One measured field at one setting, compared with healthy copies of the model or with a perfect lens."""

    kind: str
    """Name of the sign in the rules."""
    measure: str
    """Stage and field: `measure_mtf50.green.centre.mean_cy_per_px`."""
    where: str
    """The setting; empty for the whole ticket."""
    value: float
    u: float
    reference: float
    """Median of healthy copies, or the value of a perfect lens; NaN if neither is known."""
    reference_u: float
    """Standard deviation of healthy copies; 0 where the reference is a perfect lens."""
    strength: float
    """(value - reference) / s, where s combines the scatter of healthy copies, the uncertainty of the value, and the
    smallest departure that matters. NaN without a reference."""
    seen_from: float
    """Smallest departure that would have counted as significant, in the field's unit."""
    side: str = ""
    """Clock position on the lens, seen from its front with the camera upright; empty without a significant
    direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault that the signs indicate."""

    name: str
    surety: str
    """`likely`: no other fault of the list explains its signs. `possible`: another fault could show the same signs."""
    says: str
    """The explanation, with the values found."""
    signs: tuple[Sign, ...]
    """The signs that support it, strongest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis(Artefact):
    """Faults that a ticket's measurements indicate. It is a hint where to look first; no limit should use it."""

    points_to: str
    """Names of the faults, likely ones first, joined by ` and `. `no clear pattern` if signs are significant and no
    fault explains them; `nothing unusual` otherwise."""
    surety: str
    """`likely` or `possible`, of the first fault; `none` without one."""
    fault_count: int
    unusual_count: int
    """Significant signs."""
    unexplained_count: int
    """Significant signs that no fault explains."""
    sign_count: int
    """Signs with a reference."""
    compared_with: str
    """Origin of the reference values; `perfect lens` if the stand file has none for the model."""
    findings: tuple[Finding, ...]
    signs: tuple[Sign, ...]
    """Every sign, strongest first."""
