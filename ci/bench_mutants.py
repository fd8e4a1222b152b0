"""Mutation testing: random small changes of the code, and whether nearby tests fail.

Each change is made in a copy of the project: an inverted comparison, a changed sign, number or boolean, or a condition
that is never true. Nearby tests are those of the same package and those that import the module. Each of their files is
run once without a change, under coverage. Then the files that run the changed line are run, the quickest first, until
a test fails: the mutant is killed. (Lines of compiled code are not seen by coverage: there all nearby files count.) A
mutant that survives shows that no test covers it, or that it is equivalent. A reader decides which, and lists
equivalent ones in `EQUIVALENT` with the reason.

ci/bench mutants [--quick] [--count N] [--seed N] [--only TEXT] [--without TEXT] [--workers N] [--json FILE]
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.util
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from queue import SimpleQueue
from threading import Lock

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = {"glasswright": "pipeline", "glasswright_camera": "stages"}
LONGEST_TIMES, LONGEST_S = 4, 240
"""A test file that takes longer than so many times its time without a change, and so many seconds to compile, has been
sent round a loop by its change: killed."""
COMPILED = ("@compiled", "@part")
"""Marks of functions whose lines coverage does not see."""
TURNED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
EQUIVALENT: dict[str, str] = {}
"""Change, as printed -> why it is equivalent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change."""

    file: str
    line: int
    last_line: int
    """Of the statement, where it is a simple one."""
    change: str
    text: str
    """The whole changed file."""


def list_places(tree: ast.Module) -> list[tuple[ast.AST, str]]:
    """Return the nodes that can be changed, and how; annotations, docstrings and messages are excluded."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        parts = [getattr(node, name, None) for name in ("annotation", "returns")]
        parts += [node.value] if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) else []
        parts += [node] if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)) else []
        for part in parts:
            skipped |= {id(each) for each in ast.walk(part)} if part is not None else set()
    found: list[tuple[ast.AST, str]] = []
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in TURNED:
            found.append((node, "comparison"))
        elif isinstance(node, (ast.BinOp, ast.BoolOp)) and type(node.op) in TURNED:
            found.append((node, "operator"))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.Not)):
            found.append((node, "sign"))
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
            found.append((node, "constant"))
        elif isinstance(node, ast.If):
            found.append((node, "condition"))
    return found


def change_node(node: ast.AST, rng: random.Random) -> None:
    """Change a node in place."""
    match node:
        case ast.Compare():
            node.ops[0] = TURNED[type(node.ops[0])]()
        case ast.BinOp() | ast.BoolOp():
            node.op = TURNED[type(node.op)]()
        case ast.UnaryOp():
            node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()
            if isinstance(node.op, ast.Not):
                node.operand = ast.UnaryOp(op=ast.Not(), operand=node.operand)
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant():
            node.value = node.value + rng.choice((1, -1)) if isinstance(node.value, int) else node.value * 1.5 or 0.5
        case ast.If():
            node.test = ast.Constant(value=False)


def draw_mutant(path: Path, rng: random.Random) -> Mutant | None:
    """Return a random change of a file; None if nothing in it can be changed."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    places = list_places(tree)
    if not places:
        return None
    node, _ = rng.choice(places)
    shown = node.test if isinstance(node, ast.If) else node
    before = ast.unparse(copy.deepcopy(shown))
    change_node(node, rng)
    simple = [each for each in ast.walk(tree) if isinstance(each, ast.stmt) and not hasattr(each, "body")]
    last = next((each.end_lineno for each in simple if node in ast.walk(each)), node.lineno)
    after = ast.unparse(node.test if isinstance(node, ast.If) else node)
    return Mutant(
        file=str(path.relative_to(ROOT)),
        line=node.lineno,
        last_line=last or node.lineno,
        change=f"{before} -> {after}",
        text=ast.unparse(tree),
    )


def choose_tests(file: Path) -> list[str]:
    """Return the tests of the module's room, and those elsewhere that import the module."""
    package, *rooms, _ = file.relative_to(ROOT).parts[1:]
    module = ".".join(file.relative_to(ROOT / PACKAGES[package]).with_suffix("").parts)
    tests = ROOT / "tests" / PACKAGES[package]
    near = tests.joinpath(*rooms)
    while not near.is_dir():  # a room within a room has its tests with the outer one's
        near = near.parent
    chosen = set(near.glob("**/test_*.py")) if near != tests else set()
    for each in (ROOT / "tests").rglob("test_*.py"):
        if not {"night", "pages"} & set(each.parts) and f"from {module} " in each.read_text(encoding="utf-8"):
            chosen.add(each)
    return sorted(str(each.relative_to(ROOT)) for each in chosen)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """A test file without a change."""

    seconds: float
    lines: dict[str, frozenset[int]]
    """File of the project -> lines that were run."""


class Runs:
    """Runs of test files without a change, each made once."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._done: dict[str, Sound] = {}
        self._one: dict[str, Lock] = {}

    def find(self, test: str, scratch: Path) -> Sound:
        """Return what a test file runs."""
        with self._lock:
            mine = self._one.setdefault(test, Lock())
        with mine:
            if test not in self._done:
                self._done[test] = run_sound(test, scratch)
            return self._done[test]


def run_sound(test: str, scratch: Path) -> Sound:
    """Run a test file under coverage."""
    data_file = scratch / ".coverage"
    data_file.unlink(missing_ok=True)
    start = time.perf_counter()
    sources = ",".join(str(scratch / part / package) for package, part in PACKAGES.items())
    words = ["coverage", "run", f"--data-file={data_file}", f"--source={sources}", "-m", "pytest"]
    if failed := run_tests([test], scratch, words, 3600):
        raise SystemExit(f"{test} fails without any change; mend it first:\n{failed}")
    seconds = time.perf_counter() - start
    report = scratch / "coverage.json"
    words = ["json", f"--data-file={data_file}", "-q", "-o", str(report)]
    subprocess.run([sys.executable, "-m", "coverage", *words], cwd=scratch, check=True)
    files = json.loads(report.read_text(encoding="utf-8"))["files"]
    return Sound(seconds=seconds, lines={name: frozenset(each["executed_lines"]) for name, each in files.items()})


def try_mutant(mutant: Mutant, scratch: Path, runs: Runs) -> str:
    """Run the tests with a change: killed, survived, or untested (no nearby test runs the line)."""
    target = scratch / mutant.file
    whole = target.read_text(encoding="utf-8")
    sound = {test: runs.find(test, scratch) for test in choose_tests(ROOT / mutant.file)}
    if not any(mark in whole for mark in COMPILED):
        lines = frozenset(range(mutant.line, mutant.last_line + 1))
        sound = {test: one for test, one in sound.items() if lines & one.lines.get(mutant.file, frozenset())}
    if not sound:
        return "untested"
    target.write_text(mutant.text, encoding="utf-8")
    try:
        for test, one in sorted(sound.items(), key=lambda each: each[1].seconds):
            try:
                if run_tests([test], scratch, ["pytest"], LONGEST_TIMES * one.seconds + LONGEST_S):
                    return "killed"
            except subprocess.TimeoutExpired:
                return "killed"
    finally:
        target.write_text(whole, encoding="utf-8")
    return "survived"


def run_tests(tests: list[str], scratch: Path, words: list[str], longest_s: float) -> str:
    """Run tests on the copy until one fails; return what pytest says then, nothing if all pass."""
    paths = os.pathsep.join(str(scratch / part) for part in ("pipeline", "stages", "tests"))
    command = [sys.executable, "-m", *words, "-q", "-x", "-p", "no:cacheprovider", *tests]
    environment = os.environ | {"PYTHONPATH": paths}
    done = subprocess.run(command, cwd=scratch, env=environment, capture_output=True, timeout=longest_s, check=False)
    if done.returncode not in (0, 1, 2, 4):  # passed, failed, broken while loading
        raise SystemExit(f"pytest ended with {done.returncode}:\n{done.stdout.decode()[-2000:]}")
    return done.stdout.decode()[-2000:] or "no output" if done.returncode else ""


def draw_mutants(count: int, seed: int, only: str, without: str) -> list[Mutant]:
    """Draw changes, from files in proportion to their length, as mistakes are."""
    rng = random.Random(seed)
    files = [each for package, part in PACKAGES.items() for each in sorted((ROOT / part / package).rglob("*.py"))]
    names = {each: str(each.relative_to(ROOT)) for each in files}
    files = [each for each in files if only in names[each] and not (without and without in names[each])]
    lengths = [each.stat().st_size for each in files]
    mutants: list[Mutant] = []
    while len(mutants) < count:
        mutant = draw_mutant(rng.choices(files, lengths)[0], rng)
        if mutant is not None:
            mutants.append(mutant)
    return mutants


def copy_project(folder: Path) -> Path:
    """Return a copy of the project that may be changed."""
    shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(".venv", ".git", ".*_cache", "__pycache__"))
    return folder


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="five changes")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="files whose path holds this")
    parser.add_argument("--without", default="", help="not files whose path holds this")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, help="written after each change; those in it are not tried again")
    options = parser.parse_args()
    if importlib.util.find_spec("coverage") is None:
        parser.error("coverage is not installed: pip install -e .[mutants]")
    mutants = draw_mutants(5 if options.quick else options.count, options.seed, options.only, options.without)
    rows: list[dict] = []
    if options.json and options.json.exists():
        rows = json.loads(options.json.read_text(encoding="utf-8"))["changes"]
    known = {(row["file"], row["line"], row["change"]) for row in rows}
    left = [each for each in mutants if (each.file, each.line, each.change) not in known]
    runs, lock, copies = Runs(), Lock(), SimpleQueue[Path]()

    def try_one(mutant: Mutant) -> None:
        scratch = copies.get()
        try:
            result = "equivalent" if mutant.change in EQUIVALENT else try_mutant(mutant, scratch, runs)
        finally:
            copies.put(scratch)
        with lock:
            rows.append({**asdict(mutant), "result": result, "text": ""})
            print(f"{result:10} {mutant.file}:{mutant.line}  {mutant.change}", flush=True)
            if options.json:
                counts = count_results(rows)
                found = {"seed": options.seed, "counts": counts, "changes": rows}
                options.json.write_text(json.dumps(found, indent=2), encoding="utf-8")

    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(options.workers) as pool:
        for number in range(options.workers):
            copies.put(copy_project(Path(folder) / f"copy{number}"))
        list(pool.map(try_one, left))
    counts = count_results(rows)
    listed = ", ".join(f"{count} {name}" for name, count in counts.items())
    killed = 100 * counts["killed"] / max(len(rows) - counts["equivalent"], 1)
    print(f"\n{len(rows)} changes: {listed}; {killed:.0f} % of those not equivalent killed")
    return 0


def count_results(rows: list[dict]) -> dict[str, int]:
    """Count the changes by result."""
    return {
        name: sum(row["result"] == name for row in rows) for name in ("killed", "survived", "untested", "equivalent")
    }


if __name__ == "__main__":
    raise SystemExit(main())
