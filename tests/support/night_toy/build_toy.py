"""Build the toy plugin's wheel with the standard library alone (PEP 517, PEP 427), so that no network is needed."""

import base64
import hashlib
import zipfile
from pathlib import Path

NAME = "glasswright_toy"
INFO = f"{NAME}-1.0.dist-info"
ENTRY_POINTS = f"[glasswright.stages]\ntoy = {NAME}\nbroken = {NAME}.no_such_module\n"
METADATA = "Metadata-Version: 2.1\nName: glasswright-toy\nVersion: 1.0\n"
WHEEL = "Wheel-Version: 1.0\nGenerator: toy\nRoot-Is-Purelib: true\nTag: py3-none-any\n"


def build_wheel(wheel_directory, config_settings=None, metadata_directory=None):
    del config_settings, metadata_directory
    files = {f"{NAME}/{path.name}": path.read_text() for path in sorted(Path(NAME).glob("*.py"))}
    files |= {f"{INFO}/METADATA": METADATA, f"{INFO}/WHEEL": WHEEL, f"{INFO}/entry_points.txt": ENTRY_POINTS}
    record = "".join(f"{name},sha256={_digest(text)},{len(text.encode())}\n" for name, text in files.items())
    wheel = f"{NAME}-1.0-py3-none-any.whl"
    with zipfile.ZipFile(Path(wheel_directory) / wheel, "w") as archive:
        for name, text in {**files, f"{INFO}/RECORD": f"{record}{INFO}/RECORD,,\n"}.items():
            archive.writestr(name, text)
    return wheel


def _digest(text):
    return base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()
