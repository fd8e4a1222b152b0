"""What a sensor without colour filters cannot give: it is not applicable, and nobody need shoot anything again.

That a sensor has none is known from the stand file, and `decode_raw` refuses a file that says otherwise. Only then
does a frame's one plane bear the name `white`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

WHITE: Final = "white"
"""Name of the one plane."""
NO_COLOURS: Final = "the stand file says `monochrome: true`, and a sensor without colour filters tells no colours apart"
_PLANES: Final = ("red", "blue")
_AXIAL: Final = ("red_green_um", "blue_green_um")
COLOUR_FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "measure_fringing": (),
    "measure_mtf50": _PLANES,
    "measure_best_focus": (*_PLANES, *_AXIAL),
    "measure_focus_offset": (*_PLANES, *_AXIAL),
    "measure_vignetting": ("red_shading_ev", "blue_shading_ev"),
    "measure_centring": tuple(f"{name}_centre_{axis}_frac" for name in _PLANES for axis in "xy"),
}
"""Stage -> its fields, or the beginnings of several, that single out or compare colours; empty where all do."""


def is_monochrome(planes: Iterable[str]) -> bool:
    """Say whether planes are those of a sensor without colour filters."""
    return tuple(planes) == (WHITE,)


def leave_out_colours(planes: Iterable[str], stage: str) -> tuple[tuple[str, str], ...]:
    """Return a stage's colour fields as `Artefact.not_applicable` has them; none where the sensor has colours.

    Parameters
    ----------
    planes
        Of the frames that were measured.
    stage
        Name of the stage.
    """
    return tuple((field, NO_COLOURS) for field in COLOUR_FIELDS[stage]) if is_monochrome(planes) else ()
