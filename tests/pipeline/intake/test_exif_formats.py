"""EXIF in the places where raw formats store it: files written here, and heads of real ones if available."""

import json
import math
import os
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest

from glasswright.intake.exif import read_facts
from glasswright.intake.identity import find_contradictions
from glasswright.plugin.artefact import CaptureFacts, Ticket
from support import night_exif as exif

IMAGE = {exif.MAKE: "Ostrel", exif.MODEL: "Ostrel D7"}
TAGS = {
    exif.LENS_MODEL: "Corvane 50 mm f/2",
    exif.LENS_SERIAL: "C50-1",
    exif.BODY_SERIAL: "0031",
    exif.F_NUMBER: (28, 10),
    exif.FOCAL_LENGTH: (50, 1),
    exif.EXPOSURE_TIME: (1, 60),
    exif.ISO: 100,
    exif.TAKEN_AT: "2026:03:01 22:10:00",
}
FACTS = CaptureFacts(
    body_model="Ostrel D7",
    body_serial="0031",
    lens_model="Corvane 50 mm f/2",
    lens_serial="C50-1",
    focal_length_mm=50,
    f_number=2.8,
    exposure_time_s=1 / 60,
    iso=100,
    captured_at="2026:03:01 22:10:00",
)


def tiff(tmp_path, image=IMAGE, tags=TAGS):
    return exif.write_tiff(tmp_path / "whole.tif", image, tags).read_bytes()


def directory(tags):
    """A TIFF structure whose first directory holds these tags, as a cr3 writes each of its directories."""
    (head, data), _ = exif._directory(tags, 8 + 2 + 12 * len(tags) + 4)
    return b"II*\0" + struct.pack("<I", 8) + head + data


def box(name, content):
    return struct.pack(">I", 8 + len(content)) + name + content


def cr3(_):
    boxes = (box(b"CMT1", directory(IMAGE)), box(b"CMT2", directory(TAGS)), box(b"CMT3", directory({})))
    movie = box(b"moov", box(b"uuid", bytes(16) + b"".join(boxes)))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + movie + box(b"mdat", bytes(99))


def long_cr3(tmp_path):
    """The same behind a box whose length takes eight bytes."""
    whole = cr3(tmp_path)
    return whole[:24] + struct.pack(">I4sQ", 1, b"free", 116) + bytes(100) + whole[24:]


def png(tmp_path):
    chunk = b"eXIf" + tiff(tmp_path)
    pixels = imagecodecs.png_encode(np.zeros((4, 4), np.uint8))
    return pixels[:33] + struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk)) + pixels[33:]


def mrw(tmp_path):
    blocks = b"\0PRD" + struct.pack(">I", 24) + bytes(24) + b"\0TTW" + struct.pack(">I", len(tiff(tmp_path)))
    return b"\0MRM" + struct.pack(">I", 999) + blocks + tiff(tmp_path) + bytes(99)


def preview(tmp_path):
    """An unknown header, and a preview in front as in raf and rw2."""
    return b"RAWFRAME0201" + bytes(136) + b"\xff\xd8\xff\xe1\x20\x00Exif\0\0" + tiff(tmp_path) + bytes(999)


@pytest.mark.parametrize("write", [tiff, cr3, long_cr3, mrw, preview, png])
def test_exif_is_read_wherever_a_format_keeps_it(tmp_path, write):
    path = tmp_path / "a.raw"
    path.write_bytes(write(tmp_path))
    assert read_facts(path) == FACTS


def test_a_preview_gives_only_what_the_file_itself_leaves_out(tmp_path):
    own = {exif.F_NUMBER: (4, 1), exif.FOCAL_LENGTH: (50, 1)}
    path = tmp_path / "a.raw"
    path.write_bytes(tiff(tmp_path, IMAGE, own) + preview(tmp_path))
    facts = read_facts(path)
    assert (facts.f_number, facts.iso, facts.lens_serial) == (4, 100, "C50-1")


def heap(records):
    """CIFF: data, then the directory, then its place; short records stand in the directory."""
    data, entries = b"", b""
    for kind, content in records:
        if kind & 0x4000:
            entries += struct.pack("<H", kind) + content.ljust(8, b"\0")
        else:
            entries += struct.pack("<HII", kind, len(content), len(data))
            data += content
    return data + struct.pack("<H", len(records)) + entries + struct.pack("<I", len(data))


def crw(units=1, seconds=1_772_403_000):
    settings = struct.pack("<26H", *([0] * 25), units)
    shot = struct.pack("<6h", 12, 0, 160, 0, 96, 160)  # speed 2**(160/32-5) = 1 of 100; f/2**(96/64); 2**(-160/32) s
    facts = [(0x5029, struct.pack("<HH", 0, 50 * units)), (0x102A, shot), (0x102D, settings)]
    camera = [(0x080A, b"Ostrel\0Ostrel D7\0"), (0x3004, heap([(0x580B, struct.pack("<I", 31))]))]
    own = [(0x180E, struct.pack("<III", seconds, 0, 0)), (0x2807, heap(camera)), (0x300B, heap(facts))]
    return b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12) + heap([(0x2005, bytes(5000)), (0x300A, heap(own))])


def test_a_ciff_heap_has_the_same_facts(tmp_path):
    path = tmp_path / "a.crw"
    path.write_bytes(crw())
    assert read_facts(path) == CaptureFacts(
        body_model="Ostrel D7",
        body_serial="31",
        focal_length_mm=50,
        f_number=2**1.5,
        exposure_time_s=1 / 32,
        iso=100,
        captured_at="2026:03:01 22:10:00",
    )
    path.write_bytes(crw(units=32))
    assert (read_facts(path).body_serial, read_facts(path).focal_length_mm) == (None, 50)


@pytest.mark.parametrize("lens", ["----", "0.0 mm f/0.0", "0mm", "N/A", "unknown", ""])
def test_a_lens_without_contacts_has_no_model_and_no_serial(tmp_path, lens):
    path = exif.write_tiff(tmp_path / "a.tif", IMAGE, {exif.LENS_MODEL: lens, exif.LENS_SERIAL: "0000000000"})
    assert (read_facts(path).lens_model, read_facts(path).lens_serial) == (None, None)


def test_leading_zeros_of_a_serial_number_are_no_contradiction(shot_with):
    ticket = Ticket(number="T-1", model="m", serial="417", phase="release", body="b")
    assert find_contradictions(ticket, "31", [shot_with(CaptureFacts(body_serial="0031", lens_serial="000417"))]) == ()
    (finding,) = find_contradictions(ticket, "31", [shot_with(CaptureFacts(body_serial="0310"))])
    assert "EXIF has body serial '0310'" in finding


@pytest.fixture
def shot_with():
    from glasswright.plugin.artefact import Shot

    return lambda facts: Shot(ticket="T-1", role="chart", name="chart/1", path="", sha256="", sequence=0, facts=facts)


@pytest.mark.parametrize("write", [cr3, mrw, preview, lambda _: crw()], ids=["cr3", "mrw", "preview", "crw"])
def test_damage_anywhere_is_no_crash(tmp_path, write):
    whole, path = write(tmp_path), tmp_path / "a.raw"
    generator = np.random.default_rng(4)
    for _ in range(150):
        data = bytearray(whole[: generator.integers(1, len(whole) + 1)])
        for place in generator.integers(0, min(len(data), 600), 4):
            data[place] = generator.integers(0, 256)
        path.write_bytes(data)
        assert isinstance(read_facts(path), CaptureFacts)


# --- real files, where there are any; each read by another reader of metadata too

REAL = Path(os.environ.get("GLASSWRIGHT_REAL_FILES", "/nowhere"))
needs_real_files = pytest.mark.skipif(not REAL.is_dir(), reason="GLASSWRIGHT_REAL_FILES names no folder")
READER = "exiftool"  # of the Debian package libimage-exiftool-perl; reads every format by code of its own


def real_files():
    return [path for folder in ("heads", "raws") for path in sorted((REAL / folder).glob("*"))] if REAL.is_dir() else []


def ask_other_reader(path):
    command = [READER, "-json", "-n", "-FNumber", "-FocalLength", "-ExposureTime", "-ISO", "-DateTimeOriginal"]
    command += ["-Model", "-EXIF:SerialNumber", "-MakerNotes:SerialNumber", "-EXIF:LensModel", "-EXIF:LensSerialNumber"]
    done = subprocess.run([*command, str(path)], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)[0]


@needs_real_files
@pytest.mark.skipif(shutil.which(READER) is None, reason="the other reader of metadata is not installed")
@pytest.mark.parametrize("path", real_files(), ids=lambda path: path.name)
def test_facts_of_a_real_file_agree_with_another_reader(path):
    facts, other = read_facts(path), ask_other_reader(path)
    # crw keeps what was set and what was reckoned apart; readers choose differently, within a sixth of a stop
    near = 2 ** (1 / 12) if path.suffix == ".crw" else 1.001
    for name, value in (
        ("FNumber", facts.f_number),
        ("FocalLength", facts.focal_length_mm),
        ("ExposureTime", facts.exposure_time_s),
        ("ISO", facts.iso),
    ):
        expected = float(str(other.get(name) or 0).split()[-1])
        assert (value is None) == (expected == 0), (name, value, expected)
        # exposure is a stop a factor of two, the f-number one of the square root of two
        allowed = near**2 if name == "ExposureTime" else near
        assert value is None or abs(math.log(value / expected)) <= math.log(allowed), (name, value, expected)
    if other.get("DateTimeOriginal"):
        assert facts.captured_at == other["DateTimeOriginal"]
    assert facts.body_model is not None
    assert facts.body_model.endswith(" ".join(other["Model"].split()))
    if other.get("SerialNumber"):
        assert (facts.body_serial or "").lstrip("0") == str(other["SerialNumber"]).lstrip("0")
    if other.get("LensModel"):
        assert facts.lens_model == other["LensModel"]
    if str(other.get("LensSerialNumber") or "0").strip("0"):
        assert facts.lens_serial == str(other["LensSerialNumber"])


@needs_real_files
@pytest.mark.parametrize("path", real_files(), ids=lambda path: path.name)
def test_a_real_file_cut_or_changed_in_its_head_is_no_crash(tmp_path, path):
    whole = path.read_bytes()[:20_000]
    generator = np.random.default_rng(len(whole))
    other = tmp_path / path.name
    for _ in range(8):
        data = bytearray(whole[: generator.integers(1, len(whole) + 1)])
        for place in generator.integers(0, len(data), 20):
            data[place] = generator.integers(0, 256)
        other.write_bytes(data)
        assert isinstance(read_facts(other), CaptureFacts)
