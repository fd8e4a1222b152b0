"""Finds what is already in the ledger, and where another attempt at a crashed step is kept."""

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
    """What a night reads of the ledger."""

    def find(self, addresses: Iterable[str]) -> dict[str, Outcome]:
        """Return the outcomes that are kept at some addresses, without their artefacts."""

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
    """Return the address of each instance, and the outcomes that are there already.

    A crash may be an accident of one night (memory, a killed process), so it can be measured again; the new attempt
    and all that takes its value have addresses of their own, and the crash stays in the ledger beside it. The
    latest attempt counts.

    Parameters
    ----------
    instances
        Inputs before what takes them.
    prints
        Digests of the steps.
    known
        Addresses of instances outside this batch.
    store
        The ledger.
    retry
        Whether what crashed is to be measured again.
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
