"""What healthy copies of a lens model measure on this stand: the `camera_lenses` section of a stand file."""

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
    middle: float
    """Median over the copies, in the field's unit."""
    scatter: Annotated[float, Field(ge=0)]
    """Standard deviation over the copies, from the median absolute deviation; what measuring adds is in it."""

    def is_at(self, setting: Setting | None) -> bool:
        """Say whether this was found at a setting; None in either matches all."""
        return setting is None or all(
            own is None or given is None or isclose(own, given, rel_tol=1e-6)
            for own, given in ((self.focal_length_mm, setting.focal_length_mm), (self.f_number, setting.f_number))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLens(Artefact):
    """One lens model. `glasswright reference-values` writes such a file."""

    model: str
    copies: Annotated[int, Field(ge=2)]
    """Lenses that were measured."""
    origin: Annotated[str, Field(min_length=1)]
    """Which copies, when, and who chose them."""
    values: tuple[ReferenceValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLenses(Artefact):
    """The models whose healthy copies are known."""

    models: tuple[ConfigFile[KnownLens], ...] = ()

    def find(self, model: str) -> KnownLens | None:
        """Return what is known of a model; names are compared without regard to case and spaces."""
        return next((each for each in self.models if _plain(each.model) == _plain(model)), None)


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()
