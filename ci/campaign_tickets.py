"""Bad tickets of many kinds: names, links, special files, copies, times, YAML, checksums, changes after measuring.

Each kind is applied to a ticket that would be released and to one that would be held, beside a sound neighbour.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from campaign_tools import FALSE_RELEASE, LOST, Case, cards_of, run_apart

from glasswright.commands.main import run_command
from support.night_bench import Bench, shots_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Apply = Callable[[Path], object]

SHOT: Final = "chart/f2_0.txt"
OTHER: Final = "chart/f2_1.txt"
RELEASED, HELD, NEIGHBOUR = 0, 10, "T-0009"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One way in which a ticket can be bad."""

    name: str
    apply: Apply
    """Function that damages the ticket's folder."""
    harmless: bool | None = False
    """Whether a sound lens must still be released, because no measured file changes. None: it may be."""
    measured_before: bool = False
    """Whether the ticket was measured while it was sound."""
    with_sums: bool = False
    """Whether a correct SHA256SUMS exists before."""


def _all(*each: Apply) -> Apply:
    def apply(folder: Path) -> None:
        for one in each:
            one(folder)

    return apply


def _drop(role: str) -> Apply:
    return lambda folder: shutil.rmtree(folder / role)


def _shot(name: bytes, text: str = "21.93 23.1") -> Apply:
    def apply(folder: Path) -> None:
        with open(os.fsencode(folder) + b"/chart/" + name, "w") as file:  # noqa: PTH123 - pathlib takes no bytes
            file.write(text)

    return apply


def _rename(name: bytes) -> Apply:
    return lambda folder: os.rename(folder, os.fsencode(folder.parent) + b"/" + name)  # noqa: PTH104


def _link(what: str, to: str) -> Apply:
    def apply(folder: Path) -> None:
        path = folder / what
        if path.is_dir():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        path.symlink_to(to)

    return apply


def _instead(what: str, make: Callable[[Path], object]) -> Apply:
    def apply(folder: Path) -> None:
        (folder / what).unlink(missing_ok=True)
        make(folder / what)

    return apply


def _bind(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as each:
        each.bind(os.path.relpath(path))


def _text(what: str, text: str | bytes) -> Apply:
    data = text.encode() if isinstance(text, str) else text
    return lambda folder: (folder / what).write_bytes(data) and None


def _yaml(old: str, new: str) -> Apply:
    def apply(folder: Path) -> None:
        path = folder / "ticket.yaml"
        text = path.read_text()
        if old not in text:
            raise AssertionError(f"{old} is not in the ticket")
        path.write_text(text.replace(old, new))

    return apply


def _more_yaml(text: str) -> Apply:
    def apply(folder: Path) -> None:
        with (folder / "ticket.yaml").open("a") as file:
            file.write(text)

    return apply


def write_sums(folder: Path) -> None:
    """Write a correct SHA256SUMS."""
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder)}\n"
        for path in sorted(folder.glob("*/*"))
        if path.is_file()
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))


def _sums(change: Callable[[str], str | bytes]) -> Apply:
    def apply(folder: Path) -> None:
        path = folder / "SHA256SUMS"
        changed = change(path.read_text())
        path.write_bytes(changed if isinstance(changed, bytes) else changed.encode())

    return apply


def _copy_ticket(number: str, old: str = "", new: str = "") -> Apply:
    """Copy the folder under another number, or the same, changing its ticket file."""

    def apply(folder: Path) -> None:
        twin = folder.parent / "T-0005"
        shutil.copytree(folder, twin)
        text = (twin / "ticket.yaml").read_text().replace(f"ticket: {folder.name}", f"ticket: {number}")
        (twin / "ticket.yaml").write_text(text.replace(old, new) if old else text)

    return apply


def _drop_shot(folder: Path) -> None:
    (folder / SHOT).unlink()
    path = folder / "SHA256SUMS"
    if path.exists():
        path.write_text("".join(line for line in path.read_text().splitlines(keepends=True) if SHOT not in line))


def _stamp(seconds: float) -> Apply:
    return lambda folder: os.utime(folder / SHOT, (seconds, seconds))


def _each_shot(change: Callable[[Path], object]) -> Apply:
    def apply(folder: Path) -> None:
        for path in sorted(folder.glob("chart/*")):
            change(path)

    return apply


def _swap_roles(folder: Path) -> None:
    (folder / "flat").rename(folder / "aside")
    (folder / "chart").rename(folder / "flat")
    (folder / "aside").rename(folder / "chart")


TICKET_MODEL: Final = 'model: "Corvane 50 mm f/2"'
KINDS: Final = (
    Kind(name="a shot's name in Latin-1", apply=_shot(b"f2_gr\xf6.txt"), harmless=None),
    Kind(name="a line break in a shot's name", apply=_shot(b"f2_a\nb.txt"), harmless=None),
    Kind(name="terminal escapes in a shot's name", apply=_shot(b"f2_\x1b[2K\rRELEASE.txt"), harmless=None),
    Kind(name="writing turned about in a name", apply=_shot("f2_\u202etxt.gnp".encode()), harmless=None),
    Kind(name="a backslash in a name", apply=_shot(b"f2_a\\nb.txt"), harmless=None),
    Kind(name="a name of 255 bytes", apply=_shot(b"f2_" + b"x" * 248 + b".txt"), harmless=True),
    Kind(name="a name that looks like an option", apply=_shot(b"f2_--json.txt"), harmless=True),
    Kind(name="blanks and signs in a name", apply=_shot("f2_ \u00e9 \U0001f4f7 <b>&amp;.txt".encode()), harmless=True),
    Kind(
        name="two names composed differently",
        apply=_all(_shot("f2_\u00e4.txt".encode()), _shot(b"f2_a\xcc\x88.txt", "22 23")),
        harmless=None,
    ),
    Kind(name="the folder's name in Latin-1", apply=_rename(b"T-\xf6")),
    Kind(name="a line break in the folder's name", apply=_rename(b"T-0001\nT-0009")),
    Kind(name="the folder is hidden", apply=_rename(b".T-0001")),
    Kind(name="a shot is a link to one elsewhere", apply=_link(SHOT, f"../../{NEIGHBOUR}/{SHOT}")),
    Kind(name="a shot is a link to itself", apply=_link(SHOT, "f2_0.txt")),
    Kind(name="a shot is a link to a device", apply=_link(SHOT, "/dev/zero")),
    Kind(name="a role folder is a link", apply=_link("chart", f"../{NEIGHBOUR}/chart")),
    Kind(name="ticket.yaml is a link to a device", apply=_link("ticket.yaml", "/dev/zero")),
    Kind(name="ticket.yaml is a link to another", apply=_link("ticket.yaml", f"../{NEIGHBOUR}/ticket.yaml")),
    Kind(name="SHA256SUMS is a link to itself", apply=_link("SHA256SUMS", "SHA256SUMS"), harmless=True),
    Kind(name="a link to the whole night", apply=_link("panel", ".."), harmless=True),
    Kind(name="a shot is a pipe", apply=_instead(SHOT, os.mkfifo)),
    Kind(name="a shot is a socket", apply=_instead(SHOT, _bind)),
    Kind(name="a shot is a folder", apply=_instead(SHOT, lambda path: path.mkdir())),
    Kind(name="ticket.yaml is a pipe", apply=_instead("ticket.yaml", os.mkfifo)),
    Kind(name="ticket.yaml is a folder", apply=_instead("ticket.yaml", lambda path: path.mkdir())),
    Kind(name="SHA256SUMS is a pipe", apply=_instead("SHA256SUMS", os.mkfifo), harmless=True),
    Kind(name="an empty shot", apply=_text(SHOT, "")),
    Kind(name="a shot of four tebibytes", apply=lambda folder: os.truncate(folder / SHOT, 2**42)),
    Kind(name="a shot that is no text", apply=_text(SHOT, b"\xff\xfe\0\1" * 50)),
    Kind(name="a shot of 1970", apply=_stamp(0.0), harmless=True),
    Kind(name="a shot of 2200", apply=_stamp(7_258_118_400.0), harmless=True),
    Kind(
        name="a shot is there twice",
        apply=lambda folder: shutil.copy(folder / SHOT, folder / "chart/f2_7.txt"),
        harmless=None,
    ),
    Kind(
        name="a shot is there twice by a hard link",
        apply=lambda folder: os.link(folder / SHOT, folder / "chart/f2_7.txt"),
        harmless=None,
    ),
    Kind(name="the ticket again under its number", apply=_copy_ticket("T-0001")),
    Kind(name="the ticket again under another number", apply=_copy_ticket("T-0005")),
    Kind(
        name="an intake ticket again as a release",
        apply=_all(_yaml("phase: release", "phase: intake"), _copy_ticket("T-0005", "phase: intake", "phase: release")),
        measured_before=True,
    ),
    Kind(
        name="the neighbour's shots",
        apply=_each_shot(lambda path: shutil.copy(path.parents[2] / NEIGHBOUR / "chart" / path.name, path)),
    ),
    Kind(name="ticket.yaml is empty", apply=_text("ticket.yaml", "")),
    Kind(name="ticket.yaml is gone", apply=lambda folder: (folder / "ticket.yaml").unlink()),
    Kind(name="ticket.yaml is no YAML", apply=_text("ticket.yaml", "ticket: [unclosed\n: : :")),
    Kind(name="ticket.yaml is no text", apply=_text("ticket.yaml", bytes(range(256)) * 8)),
    Kind(name="ticket.yaml in UTF-16", apply=_text("ticket.yaml", "ticket: T-0001\n".encode("utf-16"))),
    Kind(name="ticket.yaml of two mebibytes", apply=_more_yaml("# x\n" * 600_000)),
    Kind(name="ticket.yaml nested without end", apply=_more_yaml("notes: " + "[" * 100_000)),
    Kind(name="aliases that multiply", apply=_more_yaml("a: &a [x, x]\nb: &b [*a, *a]\nnotes: *b\n")),
    Kind(name="a tag that builds an object", apply=_more_yaml("notes: !!python/object/apply:os.system ['true']\n")),
    Kind(name="two documents", apply=_more_yaml("---\nticket: T-0001\n")),
    Kind(name="the phase given twice", apply=_more_yaml("phase: intake\n")),
    Kind(name="an unknown key", apply=_more_yaml("release: true\n")),
    Kind(name="control characters in the notes", apply=_more_yaml('notes: "\\e[2K\\rT-0001: RELEASE"\n')),
    Kind(name="a NUL in the notes", apply=_more_yaml('notes: "\\0"\n')),
    Kind(name="half of a surrogate pair in the notes", apply=_more_yaml('notes: "\\ud800"\n')),
    Kind(name="notes of many lines", apply=_more_yaml("notes: |\n" + "  it was cleaned\n" * 2000), harmless=True),
    Kind(name="a ticket number that is a path", apply=_yaml("ticket: T-0001", "ticket: ../T-0001")),
    Kind(name="a ticket number with leading zeros", apply=_yaml("ticket: T-0001", "ticket: 0001")),
    Kind(name="the neighbour's number", apply=_yaml("ticket: T-0001", f"ticket: {NEIGHBOUR}")),
    Kind(name="a model without a card", apply=_yaml(TICKET_MODEL, 'model: "Nobody 35 mm f/2"')),
    Kind(name="a model that is a formula", apply=_yaml(TICKET_MODEL, "model: \"=1+1|'cmd'!A0\"")),
    Kind(name="another body", apply=_yaml("Ostrel D7", "Ostrel D8")),
    Kind(name="no lens", apply=_yaml("lens:", "lense:")),
    Kind(name="an intake ticket", apply=_yaml("phase: release", "phase: intake")),
    Kind(name="a rehearsed ticket", apply=_more_yaml("rehearsed: true\n"), harmless=True),
    Kind(
        name="a focal length that is no number",
        apply=_yaml("focal_length_mm: 50, f_number: 2", "focal_length_mm: .nan, f_number: 2"),
    ),
    Kind(name="an f-number far off", apply=_yaml("f_number: 2}", "f_number: 22}")),
    Kind(name="shots outside the ticket's folder", apply=_yaml("*/f2_*", f"../{NEIGHBOUR}/*")),
    Kind(
        name="an answer in the future",
        apply=_more_yaml("hand_checks: {mount: {answer: pass, who: K. Moreau, when: 2999-01-01}}\n"),
        harmless=True,
    ),
    Kind(name="a wrong sum", apply=_sums(lambda text: text.replace(text[:8], "00000000", 1)), with_sums=True),
    Kind(
        name="every sum wrong",
        apply=_sums(lambda text: text.translate(str.maketrans("0123456789", "1234567890"))),
        with_sums=True,
    ),
    Kind(
        name="a sum of a shot that is not there",
        apply=_sums(lambda text: text + "0" * 64 + "  chart/f2_5.txt\n"),
        with_sums=True,
        harmless=None,
    ),
    Kind(
        name="sums of files outside",
        apply=_sums(lambda text: text + "0" * 64 + "  ../../plan.yaml\n"),
        with_sums=True,
        harmless=True,
    ),
    Kind(
        name="sums that contradict each other",
        apply=_sums(lambda text: "0" * 64 + f"  {SHOT}\n" + text),
        with_sums=True,
    ),
    Kind(name="sums that are no text", apply=_sums(lambda _: bytes(range(256)) * 40), with_sums=True, harmless=True),
    Kind(
        name="sums with line ends of Windows",
        apply=_sums(lambda text: text.replace("\n", "\r\n")),
        with_sums=True,
        harmless=True,
    ),
    Kind(
        name="sums in capitals",
        apply=_sums(lambda text: "".join(line[:64].upper() + line[64:] for line in text.splitlines(keepends=True))),
        with_sums=True,
        harmless=True,
    ),
    Kind(
        name="sums of 20 mebibytes", apply=_sums(lambda text: text + "# x\n" * 5_000_000), with_sums=True, harmless=True
    ),
    Kind(name="a shot changed after its sum", apply=_text(SHOT, "21.5 22"), with_sums=True),
    Kind(name="a shot dropped before measuring", apply=_drop_shot, with_sums=True),
    Kind(name="a shot dropped after measuring", apply=_drop_shot, measured_before=True, with_sums=True),
    Kind(name="a shot replaced after measuring", apply=_text(SHOT, "21.5 22"), measured_before=True),
    Kind(name="the chart's shots dropped after measuring", apply=_drop("chart"), measured_before=True),
    Kind(name="every shot dropped after measuring", apply=_all(_drop("chart"), _drop("flat")), measured_before=True),
    Kind(
        name="ticket.yaml made unreadable after measuring",
        apply=_text("ticket.yaml", "ticket: ["),
        measured_before=True,
    ),
    Kind(
        name="another serial after measuring",
        apply=_yaml("C50-T-0001", "C50-T-0002"),
        measured_before=True,
    ),
    Kind(
        name="a wrong sum after measuring",
        apply=_sums(lambda text: text.replace(text[:8], "00000000", 1)),
        measured_before=True,
        with_sums=True,
    ),
    Kind(name="flat and chart changed over", apply=_swap_roles, measured_before=True),
    Kind(name="the chart's folder misspelt", apply=lambda folder: (folder / "chart").rename(folder / "Chart")),
    Kind(
        name="the chart's shots in a folder below",
        apply=lambda folder: shutil.move(str(folder / "chart"), folder / "aside/chart"),
    ),
)


def prepare(scratch: Path, count: int) -> Callable[[Case], None]:
    """Return the function that runs one case."""
    del scratch, count

    def spoil(case: Case) -> None:
        kind = KINDS[(case.number // 2) % len(KINDS)]
        truth = (RELEASED, HELD)[case.number % 2]
        case.name = f"{kind.name}; {'to be released' if truth == RELEASED else 'to be held'}"
        bench = Bench(case.folder / "bench")
        far = {name: f"9999 {text}" if name.startswith("chart") else text for name, text in shots_of(1).items()}
        folder = bench.add_ticket(1, far if truth == HELD else None)
        bench.add_ticket(9)
        if kind.with_sums:
            write_sums(folder)
        if kind.measured_before:
            _run(case, bench)
            if case.gate(folder.name, bench.folder / "bench.ledger") != truth:
                raise AssertionError(f"the sound ticket is not judged {truth}")
        kind.apply(folder)
        ended = _run(case, bench)
        summary = json.loads(ended.output[ended.output.find("{") : ended.output.rfind("}") + 1] or "{}")
        if ended.code not in (0, 13) or not summary:
            case.find(LOST, f"the night ended with {ended.code}: {ended.output[-300:]}")
            return
        _look(case, bench, kind, truth, summary)

    return spoil


def _run(case: Case, bench: Bench):
    ended = run_apart(lambda: run_command(bench.arguments("--serial", "--json", *cards_of(bench))))
    case.check("`run`", ended)
    return ended


def _look(case: Case, bench: Bench, kind: Kind, truth: int, summary: dict) -> None:
    """Check the gate's decision on the ticket, on any copy of it, and on its neighbour."""
    ledger = bench.folder / "bench.ledger"
    own, copy = case.gate("T-0001", ledger), case.gate("T-0005", ledger)
    if RELEASED in (own, copy) and (truth == HELD or kind.harmless is False):
        case.find(FALSE_RELEASE, f"{kind.name}: the gate says {own}, of a copy {copy}")
    if truth == RELEASED and kind.harmless and own != RELEASED:
        case.find(LOST, f"{kind.name}: a sound ticket is refused, the gate says {own}")
    neighbour = case.gate(NEIGHBOUR, ledger)
    is_shared = "neighbour" in kind.name or "link to another" in kind.name or "link to one" in kind.name
    if neighbour != RELEASED and not is_shared:
        case.find(LOST, f"{kind.name}: the neighbour suffers, the gate says {neighbour}")
    named = [each["number"] for each in summary["tickets"]] + [each["folder"] for each in summary["refused_tickets"]]
    if not any("T-0001" in each or "T-\\xf6" in each for each in named) and "hidden" not in kind.name:
        case.find(LOST, f"{kind.name}: the night does not name the ticket")
    if case.run("verify", "--ledger", str(ledger)).code != 0:
        case.find(LOST, f"{kind.name}: `verify` fails")
