"""Mutation testing: random small changes of the code, and whether nearby tests fail.

Each change is made in a copy of the project: an inverted comparison, a changed sign, number or boolean, or a condition
that is never true. Then the tests of the same package and those that import the module run until one fails: the mutant
is killed. A mutant that survives shows that no test covers it, or that it is equivalent. A reader decides which, and
lists equivalent ones in `EQUIVALENT` with the reason.

ci/bench mutants [--quick] [--count N] [--seed N] [--only TEXT] [--json FILE]
"""

from __future__ import annotations

import argparse
import ast
import copy
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = {"glasswright": "pipeline", "glasswright_camera": "stages"}
LONGEST_S = 300
"""A test run that takes longer has been sent round a loop by its change: killed."""
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
    after = ast.unparse(node.test if isinstance(node, ast.If) else node)
    return Mutant(
        file=str(path.relative_to(ROOT)), line=node.lineno, change=f"{before} -> {after}", text=ast.unparse(tree)
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


def try_mutant(mutant: Mutant, scratch: Path, sound: set[str]) -> str:
    """Run the tests with a change: killed, survived, or untested.

    `sound` collects the tests that are known to pass without a change.
    """
    tests = choose_tests(ROOT / mutant.file)
    if not tests:
        return "untested"
    if new := [each for each in tests if each not in sound]:
        if run_tests(new, scratch):
            raise SystemExit(f"{', '.join(new)}: these fail without any change; mend them first")
        sound.update(new)
    target = scratch / mutant.file
    whole = target.read_text(encoding="utf-8")
    target.write_text(mutant.text, encoding="utf-8")
    try:
        return "killed" if run_tests(tests, scratch) else "survived"
    except subprocess.TimeoutExpired:
        return "killed"
    finally:
        target.write_text(whole, encoding="utf-8")


def run_tests(tests: list[str], scratch: Path) -> bool:
    """Run tests on the copy until one fails; return whether one did, or could not be loaded."""
    paths = os.pathsep.join(str(scratch / part) for part in ("pipeline", "stages", "tests"))
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    environment = os.environ | {"PYTHONPATH": paths}
    done = subprocess.run(command, cwd=scratch, env=environment, capture_output=True, timeout=LONGEST_S, check=False)
    if done.returncode not in (0, 1, 2, 4):  # passed, failed, broken while loading
        raise SystemExit(f"pytest ended with {done.returncode}:\n{done.stdout.decode()[-2000:]}")
    return done.returncode != 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="five changes")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="files whose path holds this")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    files = [each for package, part in PACKAGES.items() for each in sorted((ROOT / part / package).rglob("*.py"))]
    # files in proportion to their length, as mistakes are
    files = [each for each in files if options.only in str(each.relative_to(ROOT))]
    lengths = [each.stat().st_size for each in files]
    rows: list[dict] = []
    sound: set[str] = set()
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder) / "copy"
        shutil.copytree(ROOT, scratch, ignore=shutil.ignore_patterns(".venv", ".git", ".*_cache", "__pycache__"))
        while len(rows) < (5 if options.quick else options.count):
            mutant = draw_mutant(rng.choices(files, lengths)[0], rng)
            if mutant is None:
                continue
            result = "equivalent" if mutant.change in EQUIVALENT else try_mutant(mutant, scratch, sound)
            rows.append({**asdict(mutant), "result": result, "text": ""})
            print(f"{result:10} {mutant.file}:{mutant.line}  {mutant.change}", flush=True)
    counts = {
        name: sum(row["result"] == name for row in rows) for name in ("killed", "survived", "untested", "equivalent")
    }
    listed = ", ".join(f"{count} {name}" for name, count in counts.items())
    judged = len(rows) - counts["equivalent"]
    killed = 100 * counts["killed"] / max(judged, 1)
    print(f"\n{len(rows)} changes: {listed}; {killed:.0f} % of those not equivalent killed")
    if options.json:
        options.json.write_text(json.dumps({"seed": options.seed, "counts": counts, "changes": rows}, indent=2))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
