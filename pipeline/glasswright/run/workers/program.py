"""Describes the code and libraries of a worker, so that workers with other versions can be refused.

An address names the sources that made a result; a worker with other sources would store other results under it.
"""

from __future__ import annotations

import importlib
import os
import platform
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright.remote import UrlError, is_remote, locate
from glasswright.run.graph.addresses import numeric_versions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from glasswright.remote import AnyPath

ENGINE: Final = "glasswright.run.workers.work"
"""Module that imports all of the engine that runs in a worker."""
ONE_THREAD_NAMES: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Question to a worker before it receives a shot."""

    modules: tuple[str, ...]
    """Modules of the stages."""
    packages: frozenset[str]
    """Top-level packages of all plugins."""
    folder: str
    """Folder of the tickets, or its URL."""
    files: tuple[str, ...] = ()
    """Other files that stages open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """Code and libraries of a process."""

    machine: str
    versions: Mapping[str, str]
    """Versions of Python and the numeric libraries."""
    sources: Mapping[str, str]
    """Module -> digest of its source and all its imports; empty if it is not installed."""
    faults: tuple[str, ...] = ()
    """Other reasons why it cannot measure."""


def make_question(
    stages: Iterable[Callable[..., object]], packages: Iterable[str], folder: AnyPath, files: Iterable[str] = ()
) -> Question:
    """Return the question for a night that runs some stage functions on the tickets of a folder.

    Parameters
    ----------
    files
        Paths of the files that the stand file names.
    """
    modules = {stage.__module__ for stage in stages}
    return Question(
        modules=tuple(sorted(modules)), packages=frozenset(packages), folder=str(folder), files=tuple(files)
    )


def describe_program(question: Question, seen: dict[str, str]) -> Program:
    """Describe this process. The modules are imported, so that files changed later do not matter.

    Parameters
    ----------
    question
        Which modules and folder.
    seen
        Module -> digest at the time when this process imported it; filled here.
    """
    faults = []
    if ENGINE not in seen:
        seen[ENGINE] = _hash_module(ENGINE, {"glasswright"})
    for module in question.modules:
        if module not in seen:
            seen[module] = _hash_module(module, question.packages)
        try:
            importlib.import_module(module)
        except Exception as error:  # a plugin may raise anything
            faults.append(f"cannot load {module} ({type(error).__name__}: {error})")
    threads = [name for name in ONE_THREAD_NAMES if os.environ.get(name) != "1"]
    if threads:
        faults.append(f"would compute with many threads: start it with {' '.join(f'{name}=1' for name in threads)}")
    faults += _find_folder_fault(question.folder)
    faults += [
        f"does not see {file}, which the stand file names: mount it there under the same path"
        for file in question.files
        if not Path(file).is_file()
    ]
    return Program(
        machine=socket.gethostname(),
        versions={"python": platform.python_version(), **numeric_versions()},
        sources={module: seen[module] for module in (ENGINE, *question.modules)},
        faults=tuple(faults),
    )


def _find_folder_fault(name: str) -> list[str]:
    """Return why the tickets' folder cannot be read here; empty if it can."""
    remedy = "set the same credentials and install the same libraries there" if is_remote(name) else ""
    try:
        if locate(name).is_dir():
            return []
        why = "does not see"
    except (OSError, UrlError) as error:
        why = f"cannot read ({error})"
    return [f"{why} the folder {name}: {remedy or 'mount it there under the same path'}"]


def _hash_module(module: str, packages: Iterable[str]) -> str:
    sources = find_imported_sources([module], frozenset(packages))
    return hash_sources(sources) if sources else ""


def find_differences(own: Program, other: Program) -> list[str]:
    """Return the reasons why a worker cannot measure for a night with the program `own`; empty if there are none."""
    found = []
    for name, expected in own.versions.items():
        there = other.versions.get(name)
        if there != expected:
            found.append(f"has {name} {there or 'not at all'}, and the night {expected}")
    for module, digest in own.sources.items():
        there = other.sources.get(module, "")
        if there != digest:
            found.append(f"has other sources for {module}" if there else f"has no {module}")
    return [*dict.fromkeys(found), *other.faults]
