"""The address of each outcome: a digest of all that determines it, known before anything runs."""

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
"""Raised whenever the engine itself begins to treat the same inputs differently."""
NUMERIC_LIBRARIES: Final = ("imagecodecs", "numba", "numpy", "rawpy", "scipy", "tifffile")
"""Libraries whose version may change a number's last digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """What determines every outcome of a plan besides its inputs."""

    steps: Mapping[str, str]
    """Step name -> digest of the step as planned, the sources its stage imports and the libraries' versions."""


def numeric_versions() -> dict[str, str]:
    """Return the versions of the numeric libraries that are installed."""
    found = {}
    for name in NUMERIC_LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def fingerprint(steps: Iterable[Step], packages: Collection[str]) -> Fingerprint:
    """Take the digest of each step.

    Parameters
    ----------
    steps
        The plan's steps.
    packages
        Outermost packages of all plugins: what a stage imports of them determines its results.
    """
    libraries = numeric_versions()
    return Fingerprint(
        steps={
            step.name: digest(
                {
                    "version": ADDRESS_VERSION,
                    "step": step.name,
                    "stage": step.stage.id,
                    "sources": hash_sources(find_imported_sources([step.stage.function.__module__], packages)),
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
        In an order in which every input comes before what takes it.
    prints
        Digests of the steps.
    known
        Addresses of instances outside this batch that are taken as inputs.
    attempts
        How often an instance that crashed was measured again; a new attempt is a new address, and so is
        everything downstream of it.
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
