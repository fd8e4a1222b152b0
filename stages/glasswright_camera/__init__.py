"""The camera bench: stages that measure a lens from raw shots of the stand's charts and light sources."""

from glasswright_camera.decode_raw import decode_raw
from glasswright_camera.stand import Stand

STAND_SECTION = Stand

__all__ = ["STAND_SECTION", "decode_raw"]
