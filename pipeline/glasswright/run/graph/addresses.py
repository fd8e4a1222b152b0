"""The address of each outcome: a digest of everything that determines it, computed before anything runs."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Final

from glasswright.ledger.encoding import digest
from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright.run.graph.instance import Given, Many, One

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from glasswright.config import Step
    from glasswright.run.graph.instance import Input, Instance, Key

ADDRESS_VERSION: Final = 2
"""Increased whenever the engine itself treats the same inputs differently."""
NUMERIC_LIBRARIES: Final = ("imagecodecs", "numba", "numpy", "rawpy", "scipy", "tifffile")
"""Libraries whose version may affect the last digits of numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """What determines the outcomes of a plan besides their inputs."""

    steps: Mapping[str, str]
    """Step name -> digest of the step as planned, the sources its stage imports and the libraries' versions."""


def numeric_versions() -> dict[str, str]:
    """Return the versions of the installed numeric libraries."""
    found = {}
    for name in NUMERIC_LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def fingerprint(steps: Collection[Step], packages: Collection[str]) -> Fingerprint:
    """Return the digest of each step.

    Parameters
    ----------
    steps
        The plan's steps.
    packages
        Top-level packages of all plugins; a stage's results depend on the modules that it imports from them.
    """
    libraries = numeric_versions()
    modules = {step.stage.function.__module__ for step in steps}
    sources = {module: hash_sources(find_imported_sources([module], packages)) for module in modules}
    return Fingerprint(
        steps={
            step.name: digest(
                {
                    "version": ADDRESS_VERSION,
                    "step": step.name,
                    "stage": step.stage.id,
                    "sources": sources[step.stage.function.__module__],
                    "settings": step.settings,
                    "libraries": libraries,
                }
            )
            for step in steps
        }
    )


def assign_addresses(
    instances: Iterable[Instance],
    prints: Fingerprint,
    known: Mapping[Key, str],
    attempts: Mapping[Key, int],
) -> dict[Key, str]:
    """Return the address of each instance.

    Parameters
    ----------
    instances
        In topological order.
    prints
        Digests of the steps.
    known
        Addresses of instances outside this batch that are taken as inputs.
    attempts
        Number of times that a crashed instance was repeated; each attempt, and everything downstream of it, has a new
        address.
    """
    addresses = dict(known)
    for instance in instances:
        key = instance.key
        addresses[key] = digest(
            {
                "step": prints.steps[key.step],
                "item": key.item,
                "inputs": {name: _address_input(source, addresses) for name, source in instance.inputs.items()},
                "lacks": instance.lacks,
                "attempt": attempts.get(key, 0),
            }
        )
    return {key: address for key, address in addresses.items() if key not in known}


def _address_input(source: Input, addresses: Mapping[Key, str]) -> object:
    if isinstance(source, Given):
        return {"given": source.digest, "refusal": source.refusal}
    if isinstance(source, One):
        return {"step": addresses[source.key], "may_lack": source.may_lack}
    if isinstance(source, Many):
        return {
            "members": [_address_input(member, addresses) for member in source.members],
            "at_least": source.at_least,
            "may_lack": source.may_lack,
        }
    return None
