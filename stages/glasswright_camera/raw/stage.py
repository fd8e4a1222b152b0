"""The stage that reads a file as a mosaic, or refuses it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Shot, Unmeasurable, format_against, stage
from glasswright_camera.light.linearity import Curve, undo_response
from glasswright_camera.light.sensor_map import divide_by_map
from glasswright_camera.monochrome import is_monochrome
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.raw.container import is_tiff
from glasswright_camera.raw.damage import PixelCensus, refuse_damage, take_census
from glasswright_camera.raw.file_checks import check_bits, check_container, is_mosaic_tiff
from glasswright_camera.raw.file_levels import check_black
from glasswright_camera.raw.image import is_image, read_image
from glasswright_camera.raw.libraw import RawFrame, read_raw
from glasswright_camera.raw.pixel_digest import digest_pixels
from glasswright_camera.roles.recognise import UNLIT, refuse_other_role
from glasswright_camera.stand import Fraction, Sensor, Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

UNLIT_ROLE = "dark"
BLACKS_APART = 0.01
"""Largest difference of black levels, of white; those of sensors differ by a tenth of it."""
COARSE_DN: Final = 255
"""Largest value of files with such coarse steps that noise may be below one step."""


@stage
def decode_raw(
    shot: Shot, stand: Stand, *, clipped_limit_frac: Fraction = 0.3, starved_limit_frac: Fraction = 0.02
) -> Mosaic:
    """Read a raw file, TIFF or PNG as undemosaiced linear sensor data; refuse damaged or altered files.

    `flat`, `panel`, `black_spot` and `dark` shots are refused here, for all later stages, if they do not look like
    their role or are too bright or too dim.

    Parameters
    ----------
    shot
        The file. Its SHA-256 is checked elsewhere; the checks here also find damage from before it was hashed.
    stand
        For the body's colour filter, transfer curve, levels and response map.
    clipped_limit_frac
        Largest share of clipped pixels, 0 to 1.
    starved_limit_frac
        Least light of the brightest hundredth of the frame, of white; not for `dark` shots.

    Raises
    ------
    Unmeasurable
        For files that are damaged, altered after the sensor, of a layout that cannot be measured, overexposed or
        underexposed, or in the folder of another role.
    """
    mosaic, ceiling, coarse = read_mosaic(shot, stand.sensor)
    census = take_census(mosaic.values, period=mosaic.pattern.shape[2], white_dn=mosaic.white_dn)
    size = mosaic.values.size
    black_frac = float(mosaic.black_dn.min()) / mosaic.white_dn
    unlit = shot.role == UNLIT_ROLE
    refuse_damage(
        census,
        size=size,
        ceiling_dn=ceiling,
        black_frac=black_frac,
        coarse=coarse,
        unlit=unlit,
    )
    brightest = measure_brightest(census, mosaic)
    refuse_exposure(
        census,
        brightest,
        size=size,
        clipped_limit=clipped_limit_frac,
        starved_limit=0.0 if unlit else starved_limit_frac,
    )
    refuse_other_role(mosaic, brightest)
    if stand.sensor.linearity is not None:
        undo_response(mosaic, Curve(*stand.sensor.linearity))
    if stand.sensor.sensor_map is not None:
        divide_by_map(mosaic, stand.sensor.sensor_map)
    return mosaic


def read_mosaic(shot: Shot, sensor: Sensor) -> tuple[Mosaic, int, bool]:
    """Read the file; return the mosaic, the largest value of its bit depth, and whether its steps are coarse."""
    if is_image(shot.path) and not (is_tiff(shot.path) and is_mosaic_tiff(shot.path)):
        return read_image_mosaic(shot, sensor)
    notes = check_container(shot.path, monochrome=sensor.monochrome, black_is_known=sensor.black_dn is not None)
    frame = read_raw(shot.path, monochrome=sensor.monochrome, largest_px=sensor.largest_frame_px)
    if shot.role != UNLIT_ROLE:
        check_bits(shot.path, frame.values.size)
    if sensor.black_dn is None:
        check_black(shot.path, frame)
    ceiling = depth_ceiling(frame.white_dn)
    return make_mosaic(shot, frame, sensor, (*notes, *frame.notes)), ceiling, ceiling <= COARSE_DN


def make_mosaic(shot: Shot, frame: RawFrame, sensor: Sensor, notes: tuple[str, ...]) -> Mosaic:
    """Return the mosaic of a raw frame, with the stand's levels where it has any, else the file's."""
    black = frame.black_dn if sensor.black_dn is None else lay_black(sensor.black_dn, frame.black_dn.shape)
    return check_levels(
        Mosaic(
            values=frame.values[None],
            pattern=frame.pattern[None],
            planes=frame.planes,
            black_dn=black[None],
            white_dn=frame.white_dn if sensor.white_dn is None else sensor.white_dn,
            facts=shot.facts,
            role=shot.role,
            shot=shot.name,
            sequence_count=shot.sequence,
            pixel_digest=digest_pixels(frame.values[None], period=frame.pattern.shape[0]),
            notes=notes,
        )
    )


def lay_black(declared: float | tuple[tuple[float, ...], ...], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return the stand's black level for each site of the colour pattern."""
    black = np.array(declared, dtype=np.float64)
    if black.ndim and black.shape != shape:
        raise Unmeasurable(
            f"the stand file's `black_dn` has {black.shape[1]} x {black.shape[0]} levels, the colour pattern "
            f"{shape[1]} x {shape[0]} sites: give one level, or one for each site"
        )
    return np.broadcast_to(black, shape).copy()


def read_image_mosaic(shot: Shot, sensor: Sensor) -> tuple[Mosaic, int, bool]:
    """Read a TIFF or PNG; the stand's levels are in the file's values and are converted by the same curve."""
    image = read_image(shot.path, transfer=sensor.transfer, largest_px=sensor.largest_frame_px)
    if is_monochrome(image.planes) and not sensor.monochrome:
        raise Unmeasurable(
            "the image is grey: save it in colour, or the sensor has no filter (then say `monochrome: true` for the "
            "stand's sensor)"
        )
    if sensor.monochrome and not is_monochrome(image.planes):
        raise Unmeasurable("the stand file says `monochrome: true`, but the image is in colour: is it from this body?")
    if isinstance(sensor.black_dn, tuple):
        raise Unmeasurable("the stand file's `black_dn` is for sites of a mosaic, but this is an image: give one level")
    table = image.light_of_value
    top = len(table) - 1
    levels = np.interp(
        [sensor.black_dn or 0.0, top if sensor.white_dn is None else sensor.white_dn], range(top + 1), table
    )
    mosaic = Mosaic(
        values=image.values,
        pattern=np.arange(len(image.planes), dtype=np.int64)[:, None, None],
        planes=image.planes,
        black_dn=np.full((len(image.planes), 1, 1), levels[0]),
        white_dn=float(levels[1]),
        facts=shot.facts,
        role=shot.role,
        shot=shot.name,
        sequence_count=shot.sequence,
        pixel_digest=image.pixel_digest,
    )
    return check_levels(mosaic), int(table[-1]), top <= COARSE_DN


def depth_ceiling(white_dn: float) -> int:
    """Return the largest value of a white level's bit depth: 16383 for 15000."""
    return (1 << int(white_dn).bit_length()) - 1


def check_levels(mosaic: Mosaic) -> Mosaic:
    """Return the mosaic unchanged; raise Unmeasurable if white is not above black, or the blacks are far apart."""
    if mosaic.white_dn <= mosaic.black_dn.max():
        raise Unmeasurable(
            f"white ({mosaic.white_dn:g}) is not above black ({mosaic.black_dn.max():g}): the file's levels are wrong; "
            "give `black_dn` and `white_dn` for the stand's sensor"
        )
    apart = float(np.ptp(mosaic.black_dn))
    if apart > BLACKS_APART * mosaic.white_dn:
        raise Unmeasurable(
            f"the black levels of the colour pattern's sites differ by {apart:g} DN, more than those of any sensor: "
            "copy the file again, or give `black_dn` for the stand's sensor"
        )
    return mosaic


def measure_brightest(census: PixelCensus, mosaic: Mosaic) -> float:
    """Return the light of the brightest hundredth of a frame, of white."""
    black = float(mosaic.black_dn.mean())
    return (float(np.percentile(census.run_means, 99)) - black) / (mosaic.white_dn - black)


def refuse_exposure(
    census: PixelCensus, brightest: float, *, size: int, clipped_limit: float, starved_limit: float
) -> None:
    """Raise Unmeasurable if too much of the frame is clipped, or its brightest parts are too dark."""
    clipped = census.clipped / size
    if clipped > clipped_limit:
        raise Unmeasurable(
            f"overexposed: {format_against(100 * clipped, 100 * clipped_limit)} % of the pixels are clipped, "
            f"more than {100 * clipped_limit:g} %; expose less"
        )
    if brightest < starved_limit:
        dark = "; if it is a dark frame, move it to `dark/`" if brightest < UNLIT else ""
        raise Unmeasurable(
            "underexposed: the brightest hundredth of the frame has "
            f"{format_against(100 * brightest, 100 * starved_limit)} % of white, less than {100 * starved_limit:g} %; "
            f"expose more{dark}"
        )
