"""Makes the pictures of the README: `python ci/pictures.py` rehearses a night and captures its pages in Chromium."""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from glasswright.commands.main import run_command
from support.browser import EXECUTABLE, Browser

SIZE = (1280, 860)
MOST_BYTES = 150_000
COLOURS = 64
"""Number of colours in the pictures, enough for text and lines."""
FAULTS = ("none", "tilted_group", "none", "lateral_colour", "haze", "none")


def make_night(folder: Path) -> Path:
    """Rehearse six lenses, three of them faulty, measure and judge them, and write the pages."""
    night, ledger, pages = folder / "night", folder / "bench.ledger", folder / "pages"
    faults = [part for fault in FAULTS for part in ("--fault", fault)]
    shots = ["--tickets", str(len(FAULTS)), "--megapixels", "2", "--seed", "7"]
    files = [f"--stand={night}/stands/north_bench.yaml", f"--tickets={night}/tickets", f"--ledger={ledger}"]
    commands = (
        ["rehearse", str(night), *shots, *faults],
        ["run", str(ROOT / "configs/plans/fixed_focal.yaml"), *files, f"--cards={ROOT / 'configs/cards'}"],
        ["pages", f"--ledger={ledger}", f"--out={pages}", f"--tickets={night}/tickets"],
    )
    for command in commands:
        code = run_command(command)
        if code not in (0, 13):
            sys.exit(f"glasswright {command[0]} ended with {code}")
    return pages


def take(browser: Browser, page: Path, out: Path) -> None:
    """Capture the visible part of a page when it is opened."""
    browser.open(page, SIZE)
    picture = Image.open(io.BytesIO(browser.picture())).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(out, optimize=True)
    if out.stat().st_size > MOST_BYTES:
        sys.exit(f"{out} has {out.stat().st_size} bytes, more than {MOST_BYTES}: take a smaller part of the page")
    print(out, out.stat().st_size)


def main() -> None:
    """Make the night, and take both pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "ci", help="Folder of the pictures.")
    given = parser.parse_args()
    if EXECUTABLE is None:
        sys.exit("Chromium is not installed (Debian: apt-get install chromium)")
    with tempfile.TemporaryDirectory() as scratch:
        pages = make_night(Path(scratch))
        browser = Browser(Path(scratch) / "profile")
        try:
            take(browser, pages / "index.html", given.out / "night.png")
            take(browser, pages / "tickets/T-0005.html", given.out / "ticket.png")
        finally:
            browser.close()


if __name__ == "__main__":
    main()
