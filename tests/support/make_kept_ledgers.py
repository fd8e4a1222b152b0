"""Make the ledgers that every later version must read: `python tests/support/make_kept_ledgers.py` from the root.

One is of the toy plugin, one of a rehearsed camera ticket. They are committed in `tests/pipeline/ledger/kept` and are
made again only if a release states that earlier ledgers need not be read; any other failure is a fault of
the new version, to be repaired by a default or an upgrade of a kept type.
"""

import contextlib
import csv
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from glasswright.commands.main import run_command
from glasswright.config.schema.plugins import load_plugins
from glasswright.ledger import Ledger
from support import CONFIGS, ROOT
from support.night_bench import TOY_SOURCE, Bench, shots_of

KEPT = ROOT / "tests/pipeline/ledger/kept"


def ask(*arguments: str) -> tuple[int, str]:
    """Run a command; return its exit code and output."""
    output = io.StringIO()
    with contextlib.redirect_stdout(output):
        code = run_command(list(arguments))
    return code, output.getvalue()


def describe(ledger: Path, scratch: Path) -> dict[str, object]:
    """Return the content of a ledger, as the commands print it."""
    load_plugins()  # what was kept is made again from their types
    with Ledger.open_for_reading(ledger) as opened:
        states = opened.latest_tickets()
        outcomes = [each for state in states for each in state.outcomes]
        artefacts = [opened.load_artefact(each.address) for each in outcomes if each.has_artefact]
    tables = scratch / "tables"
    assert ask("export", "--ledger", str(ledger), "--out", str(tables), "--format", "csv")[0] == 0
    with (tables / "measurements.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    numbers = [state.record.ticket.number for state in states]
    return {
        "verify": ask("verify", "--ledger", str(ledger))[0],
        "gate": {number: ask("gate", number, "--ledger", str(ledger))[0] for number in numbers},
        "outcomes": sorted(f"{each.step} {each.shot or each.setting or ''}: {each.status}" for each in outcomes),
        "artefacts": sorted({type(each).__name__ for each in artefacts}),
        "measurements": {
            f"{row['ticket']} {row['step']}.{row['field']} {row['focal_length_mm']} {row['f_number']}": row["value"]
            for row in rows
        },
    }


def make_toy(scratch: Path) -> Path:
    """Make two tickets of the toy bench: one that is released, one with a flat that cannot be read."""
    bench = Bench(scratch)
    bench.add_ticket(1)
    bench.add_ticket(2, {**shots_of(2), "flat/f2_0.txt": "blank"})
    code, _ = ask(*bench.arguments("--serial", "--cards", str(scratch / "cards")))
    assert code in (0, 13), code
    return scratch / "bench.ledger"


def make_camera(scratch: Path) -> Path:
    """Make one rehearsed ticket in small frames, with ramp and black spot; traces make up most of its megabyte."""
    shots = ["--f-number", "2", "--ramp-shots", "5", "--black-spot"]
    size = ["--tickets", "1", "--megapixels", "1", "--fault", "none", "--seed", "5"]
    assert ask("rehearse", str(scratch / "night"), *size, *shots)[0] == 0
    files = [f"--stand={scratch}/night/stands/north_bench.yaml", f"--tickets={scratch}/night/tickets"]
    ledger = scratch / "bench.ledger"
    plan = str(CONFIGS / "plans/fixed_focal.yaml")
    assert ask("run", plan, *files, f"--ledger={ledger}", f"--cards={CONFIGS / 'cards'}", "--serial")[0] in (0, 13)
    return ledger


def main() -> None:
    """Make both, and write their content to files."""
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "site"
        options = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
        subprocess.run([sys.executable, "-m", "pip", "install", *options, "--target", site, TOY_SOURCE], check=True)
        sys.path.insert(0, str(site))
        os.environ["PYTHONPATH"] = str(site)
        for name, make in (("toy", make_toy), ("camera", make_camera)):
            scratch = Path(folder) / name
            scratch.mkdir()
            ledger = make(scratch)
            held = describe(ledger, scratch)
            shutil.rmtree(KEPT / name, ignore_errors=True)
            (KEPT / name).mkdir(parents=True)
            for part in sorted(scratch.glob("bench.ledger*")):
                if part.name.endswith((".lock", "-wal", "-shm")) or ".backup" in part.name:
                    continue
                copy = shutil.copytree if part.is_dir() else shutil.copy2
                copy(part, KEPT / name / part.name)
            text = json.dumps(held, indent=1, sort_keys=True, ensure_ascii=False)
            (KEPT / name / "held.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
