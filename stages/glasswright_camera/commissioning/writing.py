"""Write the result of a commissioning step into the stand file."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any, Final

from glasswright.config import StandWriteError, check, propose_constants, replace_stand, scan_bytes
from glasswright.outputs import make_folder
from glasswright.plugin.paper import write_file
from glasswright_camera.commissioning.step_result import format_with_u
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.config import Document, StandConstant
    from glasswright_camera.commissioning.step_result import StepResult, StepValue

FOUND_FILE: Final = "found.json"


def keep_names_apart(result: StepResult) -> StepResult:
    """Return the result with its files named after their content, so that no file replaces another."""
    names = {name: _name_by_content(name, data) for name, data in result.files.items()}

    def rename(value: Any) -> Any:  # noqa: ANN401 - whatever YAML holds
        if isinstance(value, dict):
            return {key: rename(each) for key, each in value.items()}
        if isinstance(value, list):
            return [rename(each) for each in value]
        return names.get(value, value) if isinstance(value, str) else value

    return replace(
        result,
        files={names[name]: data for name, data in result.files.items()},
        changes={place: rename(value) for place, value in result.changes.items()},
    )


def _name_by_content(name: str, data: bytes) -> str:
    path = PurePosixPath(name)
    return str(path.with_name(f"{path.stem}_{hashlib.sha256(data).hexdigest()[:8]}{path.suffix}"))


def propose_text(document: Document, result: StepResult, by: str) -> str:
    """Return the stand file's text with a step's result."""
    return propose_constants(document, result.step, result.as_entry(by), result.changes)


def write_result(document: Document, result: StepResult, text: str) -> None:
    """Write the files of a step, then the stand file.

    Raises
    ------
    StandWriteError
        If the stand file would not be valid with the proposed text; it is then unchanged.
    """
    for name, data in result.files.items():
        path = document.path.parent / name
        make_folder(path.parent)
        write_file(path, data)
    problems = check(scan_bytes(document.path, text.encode()), Stand, "camera")[1]
    if problems:
        raise StandWriteError(f"{document.path}: cannot be written: {problems[0]}")
    replace_stand(document, text)


def compare_findings(result: StepResult, before: StandConstant | None) -> list[str]:
    """Return a line for each constant: its value, and its difference from the stand file's."""
    old = {} if before is None else before.values
    return [_compare(each, old[each.name].value if each.name in old else None,
                     old[each.name].u if each.name in old else 0.0) for each in result.findings]  # fmt: skip


def _compare(finding: StepValue, before: float | None, before_u: float) -> str:
    line = f"{finding.name} = {format_with_u(finding.value, finding.u)} ({finding.meaning})"
    if before is not None:
        u = (finding.u**2 + before_u**2) ** 0.5
        apart = f", {abs(finding.value - before) / u:.1f} u apart" if u else ""
        line += f"; was {format_with_u(before, before_u)}{apart}"
    if finding.is_wide:
        line += f"; u is above the acceptable {finding.ceiling_u:.2g}: shoot more"
    return line


def write_found(folder: Path, result: StepResult) -> None:
    """Store a step's result beside its shots, for the report."""
    data = asdict(result)
    data["files"] = sorted(result.files)
    data["changes"] = {".".join(map(str, place)): value for place, value in result.changes.items()}
    data["measured"] = result.measured.isoformat()
    write_file(folder / FOUND_FILE, json.dumps(data, indent=1).encode())


def read_found(folder: Path) -> Mapping[str, Any] | None:
    """Return a step's stored result; None if it was not run on this folder."""
    path = folder / FOUND_FILE
    found: Mapping[str, Any] | None = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None
    return found
