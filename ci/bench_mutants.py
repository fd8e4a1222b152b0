"""Mutation testing: random small changes of the code, and whether the tests notice.

Each change is made in a copy of the project: an inverted comparison, a changed sign, number or boolean, or a condition
that is never true. `mutants_map` runs the suite once under coverage, without the slowest tests, and records which tests
run which lines. (The first run therefore takes half an hour. The map is kept, and new tests are added to it.) For each
change, the tests that run the changed line are run, the quickest first, spread over test files, up to a time budget. If
one fails, the mutant is killed. A mutant that survives shows that no test covers it, or that it is equivalent. A reader
decides which, and lists equivalent ones in `EQUIVALENT` with the reason. Lines that no test runs are untested; so are
lines that only other processes run, such as the workers of a cluster.

ci/bench mutants [--quick] [--count N] [--seed N] [--only TEXT] [--without TEXT] [--tests PATH ...]
                 [--budget S] [--work DIR] [--json FILE]
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import filecmp
import importlib.util
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("pipeline/glasswright", "stages/glasswright_camera", "stages/glasswright_rehearsal")
SLOW = ("tests/night", "tests/stages/chart/test_real_dots.py")
"""Tests that are not run: they take minutes."""
LEAST_TESTS, FIRST_TESTS, ELSEWHERE_TIMES = 10, 20, 4
"""At least so many tests are run, whatever they take; so many before the rest is loaded. A test of another room than
the module's counts as so many times slower."""
LONGEST_TIMES, LONGEST_S = 4, 100
"""Tests that take longer than so many times their time without a change, and so many seconds to load and compile, have
been sent round a loop by the change: killed."""
COMPILED = ("@compiled", "@part", "@njit")
"""Marks of functions whose lines coverage does not see."""
TURNED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
EQUIVALENT: dict[tuple[str, str], str] = {
    ("pipeline/glasswright/config/yaml/document.py", "return self.lines.get(self.resolve(place), (0))"):
        "a document always has the line of its whole",
    ("pipeline/glasswright/intake/checksums.py", "content = file.read(LARGEST_BYTES + (2))"):
        "only whether there is more than the largest is asked",
    ("pipeline/glasswright/judging/gatekeeper.py",
     "before = [each for each in every if run is None or (each.run < run)]"):
        "a run that adopts a stand file judges with it, so its own adoption always fits",
    ("pipeline/glasswright/judging/stand_values.py", "one == other -> False"):
        "the same text has no differences: reading it is spared",
    ("pipeline/glasswright/ledger/verifying.py",
     'return int(database.rows(f"SELECT count(*) FROM {table}")[(-1)][0])'): "a count is one row",
    ("pipeline/glasswright/plugin/signature.py", "@lru_cache(maxsize=(513))"): "the cache saves time only",
    ("pipeline/glasswright/plugin/measurements.py",
     "return (declared[(-1)] if declared else ANY_NUMBER) & scale_of(name)"): "an annotation has one range at most",
    ("pipeline/glasswright/reports/names.py", "@lru_cache(maxsize=(0))"): "the cache saves time only",
    ("pipeline/glasswright/reports/tables/arrow.py", "left = [(False)]"): "only whether the list is empty is read",
    ("pipeline/glasswright/run/graph/addresses.py", '"attempt": attempts.get(key, (1)),'):
        "a repeat takes the next number that the ledger does not have, whatever the first is",
    ("pipeline/glasswright/run/follow.py", "time.sleep((0.07500000000000001))"):
        "only how often a rest looks whether it is to stop",
    ("pipeline/glasswright/run/workers/dask_runner.py", "self.workers = max(workers, (0))"):
        "the first look at the workers, before any work, replaces it",
    ("pipeline/glasswright/run/tasks.py", "self.indexed is None -> False"): "it is an error of the program only",
    ("pipeline/glasswright/statistics/intervals.py", "@lru_cache(maxsize=(63))"): "the cache saves time only",
    ("pipeline/glasswright/tuning/proposing.py", "if (bound is None and proposal.number is None):"):
        "both are None or neither",
    ("pipeline/glasswright/waiting.py",
     "if (now - start >= SILENT_S) and now - last > BETWEEN_S[not is_terminal]:"): "a clock never reads exactly that",
    ("stages/glasswright_camera/centring/fringing.py",
     "spread = np.linalg.pinv(slope.T @ slope) * float(fit.fun @ fit.fun) / max(len(fit.fun) - 4, (2))"):
        "there are twelve coordinates or more",
    ("stages/glasswright_camera/chart/faults.py",
     "beyond = _count_run(counts.get(k, (1)) >= full for k in range(length, length + 99))"):
        "a full column has more than one disc",
    ("stages/glasswright_camera/chart/report.py", '"cut by the frame": (placed.border <= small.block_px),'):
        "a fitted distance is never exactly a whole number",
    ("stages/glasswright_camera/chart/walk.py",
     "if (abs(taken.get(seed[0], 0.0) / pitch - 1) <= SAME_PITCH):"): "a ratio of distances is never exactly the limit",
    ("stages/glasswright_camera/distortion/numbers.py",
     "return np.asarray(angle[0] + (angle - angle[0] - (180)) % 360 - 180)"):
        "half a turn either way is the same angle",
    ("stages/glasswright_camera/edges/kernel/discs.py",
     "if (fitted[WIDTH] <= (SHARPEST if converged else SHARPEST_NOT_CONVERGED)):"):
        "a fitted width is never exactly the limit",
    ("stages/glasswright_camera/glare/reduce_black_spot.py",
     "parts, count = label((small.light <= edge_frac * np.median(small.light)))"):
        "a block's light is never exactly the threshold",
    ("stages/glasswright_camera/printing/chart.py",
     "if not tiled and ((picture.width_mm >= usable[0] + 1e-06) or picture.height_mm > usable[1] + 1e-6):"):
        "no picture is a millionth of a millimetre wider than the paper",
    ("stages/glasswright_camera/sharpness/best_focus.py", "pair = slice(2 * centre, (1) * centre + 2)"):
        "the centre is the first zone, so both factors are of 0",
    ("stages/glasswright_camera/sharpness/reading.py",
     'return (-1) if colour == "green" and len(planes) == 1 else None'): "the last of one plane is the first",
    ("stages/glasswright_camera/shooting/stage.py",
     "along = fit[1:] / steepness if steepness > 0 else np.array([(1.5), 0.0])"):
        "a fitted slope is exactly 0 only where all ratios are alike, and then so is its u",
    ("stages/glasswright_camera/sweep/stage.py", "for region, count in zip(REGIONS, counts, strict=(False))"):
        "the counts are made from as many series, which are paired strictly before",
    ("stages/glasswright_rehearsal/commissioning/focus_shots.py",
     "angle = (bench.ramp_angle_deg - angle_u_deg * float(generator.standard_normal()))"):
        "a normal error is as likely with either sign",
}  # fmt: skip
"""File and line after the change (for a condition that is never true: the change) -> why it is equivalent."""
NEVER = "if (False):"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change."""

    file: str
    line: int
    last_line: int
    """Of the statement, where it is a simple one."""
    in_function: bool
    change: str
    becomes: str
    """The line after the change."""
    text: str
    """The whole changed file."""


def list_places(tree: ast.Module) -> list[tuple[ast.expr, bool]]:
    """Return the expressions that can be changed, and whether each is a condition that is to be never true.

    Annotations, docstrings, messages, `TYPE_CHECKING` and the flags of a dataclass are excluded.
    """
    skipped: set[int] = set()
    for node in ast.walk(tree):
        parts = [getattr(node, name, None) for name in ("annotation", "returns")]
        parts += [node.value] if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) else []
        parts += [node] if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)) else []
        parts += node.decorator_list if isinstance(node, ast.ClassDef) else []
        for part in parts:
            skipped |= {id(each) for each in ast.walk(part)} if part is not None else set()
    found: list[tuple[ast.expr, bool]] = []
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        match node:
            case ast.Compare(ops=[operator, *_]) | ast.BinOp(op=operator) | ast.BoolOp(op=operator):
                found += [(node, False)] if type(operator) in TURNED else []
            case ast.UnaryOp(op=ast.USub() | ast.Not()) | ast.Constant(value=bool() | int() | float()):
                found.append((node, False))
            case ast.If() if ast.unparse(node.test) != "TYPE_CHECKING":
                found.append((node.test, True))
    return found


def change_node(node: ast.expr, rng: random.Random) -> ast.expr:
    """Return the changed node, which may be changed in place."""
    match node:
        case ast.Compare():
            node.ops[0] = TURNED[type(node.ops[0])]()
        case ast.BinOp() | ast.BoolOp():
            node.op = TURNED[type(node.op)]()
        case ast.UnaryOp():  # minus, not
            return node.operand
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant(value=int()):
            node.value += rng.choice((1, -1))
        case ast.Constant():
            node.value = node.value * 1.5 or 0.5
    return node


def draw_mutant(path: Path, rng: random.Random) -> Mutant | None:
    """Return a random change of a file; None if nothing in it can be changed."""
    source = path.read_bytes()
    tree = ast.parse(source)
    places = list_places(tree)
    if not places:
        return None
    node, is_condition = rng.choice(places)
    changed = ast.Constant(value=False) if is_condition else change_node(copy.deepcopy(node), rng)
    before, after = ast.unparse(node), ast.unparse(changed)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    first, end = starts[node.lineno - 1] + node.col_offset, starts[node.end_lineno - 1] + node.end_col_offset
    text = (source[:first] + f"({after})".encode() + source[end:]).decode()
    try:
        compile(text, path, "exec")
    except SyntaxError:  # a pattern of a case takes no expression
        return None
    simple = [each for each in ast.walk(tree) if isinstance(each, ast.stmt) and not hasattr(each, "body")]
    functions = [each for each in ast.walk(tree) if isinstance(each, (ast.FunctionDef, ast.AsyncFunctionDef))]
    return Mutant(
        file=str(path.relative_to(ROOT)),
        line=node.lineno,
        last_line=next((each.end_lineno for each in simple if node in ast.walk(each)), node.lineno) or node.lineno,
        in_function=any(node in ast.walk(part) for each in functions for part in each.body),
        change=f"{before} -> {after}",
        becomes=text.splitlines()[node.lineno - 1].strip(),
        text=text,
    )


def draw_mutants(count: int, seed: int, only: str, without: str) -> list[Mutant]:
    """Draw changes, from files in proportion to their length, as mistakes are."""
    rng = random.Random(seed)
    files = [each for package in PACKAGES for each in sorted((ROOT / package).rglob("*.py"))]
    names = {each: str(each.relative_to(ROOT)) for each in files}
    files = [each for each in files if only in names[each] and not (without and without in names[each])]
    lengths = [each.stat().st_size for each in files]
    mutants: list[Mutant] = []
    while len(mutants) < count:
        mutant = draw_mutant(rng.choices(files, lengths)[0], rng)
        if mutant is not None:
            mutants.append(mutant)
    return mutants


def copy_project(folder: Path) -> None:
    """Make a copy of the project, or bring one up to date; its compiled code is kept."""
    ignored = shutil.ignore_patterns(".venv", ".git", ".*_cache", "__pycache__", "*.egg-info")
    shutil.copytree(ROOT, folder, ignore=ignored, dirs_exist_ok=True, copy_function=copy_changed)
    for path in folder.rglob("*.py"):
        if not (ROOT / path.relative_to(folder)).exists():
            path.unlink()


def copy_changed(source: str, target: str) -> None:
    """Copy a file unless it is there: compiled code is tied to the time of its file."""
    if not (Path(target).exists() and filecmp.cmp(source, target, shallow=False)):
        shutil.copy2(source, target)


def make_map(work: Path, tests: list[str]) -> None:
    """Run all tests that are not in the map yet."""
    note = work / "commit"
    if not note.exists():
        note.write_text(run_git("rev-parse", "HEAD"), encoding="utf-8")
    left_out = [f"--ignore={each}" for each in SLOW]
    command = [*PYTEST, "-p", "mutants_map", "--continue-on-collection-errors", *left_out, *tests]
    subprocess.run(command, cwd=work / "copy", env=environment(work), check=False)  # failing tests are left out


PYTEST = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]


def environment(work: Path) -> dict[str, str]:
    """Return the environment of tests: they import the copy, and their files go with it."""
    (work / "tmp").mkdir(exist_ok=True)
    paths = os.pathsep.join(str(work / "copy" / part) for part in ("pipeline", "stages", "tests", "ci"))
    return os.environ | {"PYTHONPATH": paths, "MUTANTS_MAP": str(work), "TMPDIR": str(work / "tmp")}


def run_git(*words: str) -> str:
    return subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True).stdout.strip()


class Map:
    """Which tests run a line, and how long they take, as `mutants_map` has recorded it."""

    def __init__(self, work: Path) -> None:
        import coverage

        known = json.loads((work / "tests.json").read_text(encoding="utf-8"))
        self._seconds: dict[str, float] = known["fixtures"] | {
            test: each["seconds"] for test, each in known["tests"].items()
        }
        self._fixtures: dict[str, list[str]] = {test: each["fixtures"] for test, each in known["tests"].items()}
        self._lines = coverage.CoverageData(str(work / "lines.coverage"))
        self._lines.read()
        self._list_runs = cache(self._lines.contexts_by_lineno)
        commit = (work / "commit").read_text(encoding="utf-8")
        self._changed = set(run_git("diff", "--name-only", commit).splitlines())

    def choose_tests(self, mutant: Mutant, budget_s: float) -> tuple[list[str], float]:
        """Return the tests to run, the most promising first, and their seconds without a change."""
        room = Path(mutant.file).parts[2 if "rehearsal" not in mutant.file else 1].removeprefix("glasswright_")
        rank: Counter[str] = Counter()
        order: dict[str, float] = {}
        alone = {test: self._sum_seconds({test, *self._fixtures[test]}) for test in self._find_tests(mutant)}
        for test, seconds in sorted(alone.items(), key=lambda each: each[1]):
            file = test.split("::")[0]
            rank[file] += 1
            order[test] = seconds * rank[file] * (1 if room in file.split("/") else ELSEWHERE_TIMES)
        chosen: list[str] = []
        paid: set[str] = set()
        for test in sorted(order, key=order.__getitem__):
            new = paid | {test, *self._fixtures[test]}
            if len(chosen) < LEAST_TESTS or self._sum_seconds(new) <= budget_s:
                chosen.append(test)
                paid = new
        return chosen, self._sum_seconds(paid)

    def _sum_seconds(self, parts: set[str]) -> float:
        return sum(self._seconds.get(each, 0.0) for each in parts)

    def _find_tests(self, mutant: Mutant) -> set[str]:
        """Return the tests that run the changed line.

        Coverage cannot say it of code that runs at import or while tests are collected, of compiled code, or of modules
        that have changed since the map was made. There they are all tests that run the module or one that imports it.
        """
        runs = self._list_runs(mutant.file)
        contexts = {each for line in range(mutant.line, mutant.last_line + 1) for each in runs.get(line, ())}
        compiled = any(mark in mutant.text for mark in COMPILED)
        if compiled or not mutant.in_function or "" in contexts or mutant.file in self._changed:
            module = ".".join(Path(mutant.file).with_suffix("").parts[1:])
            for file in self._lines.measured_files():
                path = ROOT / file
                if file == mutant.file or (path.exists() and f"from {module} " in path.read_text(encoding="utf-8")):
                    contexts |= {each for found in self._list_runs(file).values() for each in found}
        return {
            test for test, fixtures in self._fixtures.items() if test in contexts or not contexts.isdisjoint(fixtures)
        }


def try_mutant(mutant: Mutant, work: Path, known: Map, budget_s: float) -> tuple[str, str]:
    """Run the tests with a change: killed, survived, or untested (no test runs the line); and what pytest says."""
    tests, seconds = known.choose_tests(mutant, budget_s)
    if not tests:
        return "untested", ""
    target = work / "copy" / mutant.file
    shutil.copy2(target, work / "whole.py")
    target.write_text(mutant.text, encoding="utf-8")
    try:
        for part in (tests[:FIRST_TESTS], tests[FIRST_TESTS:]):
            if part and (failure := run_tests(part, work, LONGEST_TIMES * seconds + LONGEST_S)):
                return "killed", failure
    finally:
        shutil.copy2(work / "whole.py", target)
    return "survived", f"{len(tests)} tests of {seconds:.0f} s"


def run_tests(tests: list[str], work: Path, longest_s: float) -> str:
    """Run tests on the copy until one fails; return the last line that pytest says then, nothing if all pass."""
    said = work / "said.txt"
    with said.open("wb") as stream:
        process = subprocess.Popen(
            [*PYTEST, "-x", "--tb=line", *tests],
            cwd=work / "copy",
            env=environment(work),
            stdout=stream,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        try:
            code = process.wait(longest_s)
        except subprocess.TimeoutExpired:
            return f"no end after {longest_s:.0f} s"
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            shutil.rmtree(work / "tmp", ignore_errors=True)
    lines = said.read_text(encoding="utf-8", errors="replace").splitlines()
    gone = [
        each for each in tests if any(line.startswith("ERROR: not found:") and line.endswith(each) for line in lines)
    ]
    if code == 4 and gone:  # a parameter's name has changed: not a failure
        left = [each for each in tests if each not in gone]
        return run_tests(left, work, longest_s) if left else ""
    if code not in (0, 1, 2, 4):  # passed, failed, broken while loading
        raise SystemExit(f"pytest ended with {code}:\n" + "\n".join(lines[-30:]))
    return next((line for line in lines if line.startswith(("FAILED", "ERROR"))), "no output") if code else ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="five changes of the statistics")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="files whose path holds this")
    parser.add_argument("--without", default="", help="not files whose path holds this")
    parser.add_argument("--tests", nargs="*", default=["tests"], help="files or folders of tests (default: all)")
    parser.add_argument("--budget", type=float, default=60, help="seconds of tests for each change (default: 60)")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "glasswright_mutants")
    parser.add_argument("--json", type=Path, help="written after each change; those in it are not tried again")
    options = parser.parse_args()
    if importlib.util.find_spec("coverage") is None:
        parser.error("coverage is not installed: pip install -e .[mutants]")
    work = options.work.absolute()
    work.mkdir(parents=True, exist_ok=True)
    copy_project(work / "copy")
    if options.quick:
        options.count, options.only = 5, "pipeline/glasswright/statistics"
    make_map(work, ["tests/truth"] if options.quick else options.tests)
    known = Map(work)
    rows: list[dict] = []
    if options.json and options.json.exists():
        rows = json.loads(options.json.read_text(encoding="utf-8"))["changes"]
    tried = {(row["file"], row["line"], row["change"]) for row in rows}
    for mutant in draw_mutants(options.count, options.seed, options.only, options.without):
        if (mutant.file, mutant.line, mutant.change) in tried:
            continue
        known_as = (mutant.file, mutant.change if mutant.becomes == NEVER else mutant.becomes)
        result, why = "equivalent", EQUIVALENT.get(known_as, "")
        if not why:
            result, why = try_mutant(mutant, work, known, options.budget)
        rows.append({**asdict(mutant), "text": "", "result": result, "why": why})
        print(f"{result:10} {mutant.file}:{mutant.line}  {mutant.change}  {why}", flush=True)
        if options.json:
            found = {"seed": options.seed, "counts": count_results(rows), "changes": rows}
            options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")
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
