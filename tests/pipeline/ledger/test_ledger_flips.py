"""One flipped bit in any file of a ledger: every command gives the same answer or reports damage."""

import os
import random
import re
import shutil
import sys
from collections import Counter
from dataclasses import dataclass, field

from click.testing import CliRunner

from glasswright.commands.main import run_command
from glasswright.ledger import Ledger
from support.ledger_toys import STAND_TEXT, run_record, write_card, write_every_table

FLIPS = int(os.environ.get("LEDGER_FLIPS", "12"))
"""A longer campaign: LEDGER_FLIPS=300 pytest -s tests/pipeline/test_ledger_flips.py."""
SOUND, DAMAGED = "answers as before", "says that it is damaged"
LEDGER = "bench.ledger"
SHARES = {"": 0.55, "-wal": 0.2, ".files": 0.15, ".head": 0.1}
"""How often each kind of file is hit, by the end of its name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A command run on every changed ledger; `{ledger}` and `{out}` are filled in."""

    name: str
    arguments: tuple[str, ...]


def questions(tickets, cards, stand):
    """Return the commands that read a ledger: the gate and the record of each ticket, and one of every other."""
    asked = []
    for ticket in tickets:
        asked.append(Question(name="gate", arguments=("gate", ticket, "--ledger", "{ledger}")))
        record = ("record", ticket, "--ledger", "{ledger}", "--out", "{out}/record.pdf")
        asked.append(Question(name="record", arguments=record))
    asked += [
        Question(name="verify", arguments=("verify", "--ledger", "{ledger}")),
        Question(name="export", arguments=("export", "--ledger", "{ledger}", "--out", "{out}/tables")),
        Question(name="pages", arguments=("pages", "--ledger", "{ledger}", "--out", "{out}/pages", "--workers", "1")),
        Question(
            name="judge",
            arguments=("judge", "--ledger", "{ledger}", "--cards", str(cards), "--stand", str(stand)),
        ),
    ]
    return tuple(asked)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Result of a command."""

    code: int
    text: str
    files: tuple[tuple[str, bytes], ...]


@dataclass(slots=True)
class Report:
    """Results of the flips."""

    counts: Counter = field(default_factory=Counter)
    """(command, result) -> count."""
    wrong: list[str] = field(default_factory=list)
    """Wrong answers (neither the right one nor code 21) and tracebacks."""

    def lines(self):
        for name in sorted({name for name, _ in self.counts}):
            results = ", ".join(f"{count} {what}" for (of, what), count in sorted(self.counts.items()) if of == name)
            yield f"  {name}: {results}"
        yield from (f"  WRONG {each}" for each in self.wrong)


def ask(question, ledger, out):
    """Run one command in this process."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    runner = CliRunner()
    with runner.isolation() as (stdout, stderr, _):
        code = run_command([part.format(ledger=ledger, out=out) for part in question.arguments])
        text = (stdout.getvalue() + stderr.getvalue()).decode(errors="replace")
    files = sorted(each for each in out.rglob("*") if each.is_file())
    found = tuple((each.relative_to(out).as_posix(), each.read_bytes()) for each in files)
    return Answer(code=code, text=text, files=found)


def copy_with_log(ledger, folder):
    """Copy a ledger into a folder, with its last commits in the `-wal` file only."""
    with Ledger.open_for_reading(ledger), Ledger.open_for_writing(ledger) as writer:
        writer.end_run(writer.begin_run(run_record()), {}, backup=False)
        folder.mkdir()
        for end in ("", "-wal", ".head"):
            shutil.copy(f"{ledger}{end}", folder / f"{LEDGER}{end}")
        shutil.copytree(f"{ledger}.files", folder / f"{LEDGER}.files")


def flip_bit(folder, dice):
    """Flip one bit of one file of a ledger, and return which."""
    end = dice.choices(list(SHARES), list(SHARES.values()))[0]
    if end == ".files":
        file = dice.choice(sorted(each for each in (folder / f"{LEDGER}.files").rglob("*") if each.is_file()))
    else:
        file = folder / f"{LEDGER}{end}"
    data = bytearray(file.read_bytes())
    place = dice.randrange(len(data) * 8)
    data[place // 8] ^= 1 << (place % 8)
    file.write_bytes(data)
    return f"bit {place} of {file.relative_to(folder)}"


def run_flips(ledger, asked, *, flips, seed, folder):
    """Flip bits of a ledger one at a time, each in a new copy, and run all commands on it.

    The ledger is a sound one; it is copied to the empty folder, after one empty run is added to it.
    """
    sound, copy, out = folder / "sound", folder / "copy", folder / "out"
    copy_with_log(ledger, sound)
    shutil.copytree(sound, copy)
    # answers name the paths that they are given, so both are asked in the same place
    right = []
    for question in asked:
        right.append(ask(question, copy / LEDGER, out))
        shutil.rmtree(copy)
        shutil.copytree(sound, copy)
    dice, report = random.Random(seed), Report()
    for _ in range(flips):
        shutil.rmtree(copy)
        shutil.copytree(sound, copy)
        where = flip_bit(copy, dice)
        flipped = {each.name: each.read_bytes() for each in copy.iterdir() if each.is_file()}
        for question, expected in zip(asked, right, strict=True):
            for each in copy.glob(f"{LEDGER}*"):  # as the flip left it, whatever the command before did
                if each.is_file() and each.name not in flipped:
                    each.unlink()
            for name, data in flipped.items():
                (copy / name).write_bytes(data)
            found = ask(question, copy / LEDGER, out)
            report.counts[question.name, _judge_answer(found, expected)] += 1
            if "Traceback" in found.text or not (found.code == 21 or _same(found, expected)):
                report.wrong.append(f"{where}: {question.name}: {found.code}: {found.text.strip()[-300:]}")
    return report


def _same(found, expected):
    return (found.code, _without_times(found.text), found.files) == (
        expected.code,
        _without_times(expected.text),
        expected.files,
    )


def _without_times(text):
    return re.sub(r"\d\d:\d\d:\d\d", "", text)


def _judge_answer(found, expected):
    if found.code == 21:
        return DAMAGED
    return SOUND if _same(found, expected) else f"ANSWERS {found.code} FOR {expected.code}"


def test_no_flipped_bit_changes_an_answer_or_ends_in_a_traceback(tmp_path):
    ledger = tmp_path / "sound.ledger"
    write_every_table(ledger, tmp_path)
    write_card(tmp_path / "cards" / "card.yaml", ["{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}"])
    (tmp_path / "stand.yaml").write_text(STAND_TEXT, encoding="utf-8")
    (tmp_path / "work").mkdir()
    asked = questions(("T-1", "T-2"), tmp_path / "cards", tmp_path / "stand.yaml")
    report = run_flips(ledger, asked, flips=FLIPS, seed=20260301, folder=tmp_path / "work")
    sys.stdout.write("\n".join([*report.lines(), ""]))
    assert report.wrong == []
    assert report.counts["verify", DAMAGED] > FLIPS / 4
    assert report.counts["gate", DAMAGED] + report.counts["gate", SOUND] == 2 * FLIPS
