"""Comparison of the lens and body in EXIF with those of the ticket."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.plain_text import fold_name

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from glasswright.plugin.artefact import CaptureFacts, Shot, Ticket


def find_contradictions(ticket: Ticket, body_serial: str | None, shots: Sequence[Shot]) -> tuple[str, ...]:
    """Return each contradiction between EXIF and the ticket; missing EXIF data are not a contradiction.

    Letter case, blanks and leading zeros are ignored: `Corvane 50mm f/2` is `Corvane 50 mm f/2`.
    """
    checks: tuple[tuple[str, str | None, Callable[[CaptureFacts], str | None]], ...] = (
        ("lens model", ticket.model, lambda facts: facts.lens_model),
        ("lens serial", ticket.serial, lambda facts: facts.lens_serial),
        ("body", ticket.body, lambda facts: facts.body_model),
        ("body serial", body_serial, lambda facts: facts.body_serial),
    )
    findings = []
    for what, declared, read in checks:
        differing: dict[str, list[str]] = {}
        for shot in shots:
            found = read(shot.facts)
            if declared and found and not _same(what, declared, found):
                differing.setdefault(found, []).append(shot.name)
        findings += [_describe(what, declared or "", found, names) for found, names in sorted(differing.items())]
    rendered = [shot.name for shot in shots if shot.facts.rehearsed]
    if rendered and not ticket.rehearsed:
        findings.append(
            f"the frame was rendered by a rehearsal ({_name_first(rendered)}), ticket.yaml does not say "
            "`rehearsed: true`: no lens is released by it"
        )
    return tuple(findings)


def _same(what: str, declared: str, found: str) -> bool:
    one, other = fold_name(declared), fold_name(found)
    # the body model in EXIF may begin with the maker's name
    return one == other or (what == "body" and other.endswith(one))


def _describe(what: str, declared: str, found: str, names: Sequence[str]) -> str:
    return (
        f"EXIF has {what} {found!r} ({_name_first(names)}), ticket.yaml says {declared!r}: correct whichever is wrong"
    )


def _name_first(names: Sequence[str]) -> str:
    return f"{names[0]} and {len(names) - 1} more" if len(names) > 1 else names[0]
