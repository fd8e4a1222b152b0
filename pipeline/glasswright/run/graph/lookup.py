"""Looks up outcomes in the ledger, including repeated attempts at crashed steps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from glasswright.plugin.outcome import Status
from glasswright.run.graph.addresses import assign_addresses

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.addresses import Fingerprint
    from glasswright.run.graph.instance import Instance, Key


class Store(Protocol):
    """The ledger, as far as a night reads it."""

    def find(self, addresses: Iterable[str]) -> dict[str, Outcome]:
        """Return the kept outcomes at some addresses, without their artefacts."""

    def load_artefact(self, address: str) -> Artefact:
        """Return the artefact of an outcome."""


def look_up(
    instances: Sequence[Instance],
    prints: Fingerprint,
    known: Mapping[Key, str],
    store: Store,
    *,
    retry: bool,
) -> tuple[dict[Key, str], dict[Key, Outcome]]:
    """Return the address of each instance, and the outcomes that the ledger already has.

    A crash may be accidental (memory, a killed process), so it can be repeated. The new attempt, and everything that
    depends on it, has a new address; the crash stays in the ledger. The latest attempt counts.

    Parameters
    ----------
    instances
        In topological order.
    prints
        Digests of the steps.
    known
        Addresses of instances outside this batch.
    store
        The ledger.
    retry
        Whether to repeat crashed steps.
    """
    attempts: dict[Key, int] = {}
    settled: set[Key] = set()
    while True:
        addresses = assign_addresses(instances, prints, known, attempts)
        by_address = store.find(addresses.values())
        found = {key: by_address[address] for key, address in addresses.items() if address in by_address}
        crashed = [key for key, each in found.items() if each.status is Status.CRASHED and key not in settled]
        if not crashed:
            return addresses, found
        later = {key: attempts.get(key, 0) + 1 for key in crashed}
        following = assign_addresses(instances, prints, known, {**attempts, **later})
        there = store.find(following[key] for key in crashed)
        for key in crashed:
            if following[key] in there or retry:
                attempts[key] = later[key]
            else:
                settled.add(key)
