"""Reference values of lens models on this stand, from healthy copies: the `camera_lenses` section of a stand file."""

from __future__ import annotations

from dataclasses import dataclass
from math import isclose
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from glasswright import Artefact
from glasswright.config import ConfigFile

if TYPE_CHECKING:
    from glasswright import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceValue:
    """One measured field of healthy copies at one setting."""

    measure: str
    """Stage and field: `measure_mtf50.green.centre.mean_cy_per_px`."""
    focal_length_mm: float | None = None
    f_number: float | None = None
    focus_distance_m: float | None = None
    middle: float
    """Median over the copies, in the field's unit."""
    scatter: Annotated[float, Field(ge=0)]
    """Standard deviation over the copies, from the median absolute deviation; it includes that of measuring."""

    def is_at(self, setting: Setting | None) -> bool:
        """Return whether the value is for a setting; None in either matches all focal lengths and f-numbers."""
        if setting is None:
            return True
        pairs = ((self.focal_length_mm, setting.focal_length_mm), (self.f_number, setting.f_number))
        # a lens may differ at two distances, so that a value for none is not valid for one
        distances = (self.focus_distance_m, setting.focus_distance_m)
        return distances[0] == distances[1] and all(
            own is None or given is None or isclose(own, given, rel_tol=1e-6) for own, given in pairs
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLens(Artefact):
    """One lens model. `glasswright reference-values` writes such a file."""

    model: str
    copies: Annotated[int, Field(ge=2)]
    """Number of lenses measured."""
    origin: Annotated[str, Field(min_length=1)]
    """Which copies, when, and who chose them."""
    values: tuple[ReferenceValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLenses(Artefact):
    """The models with reference values."""

    models: tuple[ConfigFile[KnownLens], ...] = ()

    def find(self, model: str) -> KnownLens | None:
        """Return the reference values of a model, or None; case and spaces of names are ignored."""
        return next((each for each in self.models if _plain(each.model) == _plain(model)), None)


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()
