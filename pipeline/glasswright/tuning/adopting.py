"""Writes new limits into a card's file; comments, order and everything else stay unchanged."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from glasswright.config import check, scan_bytes
from glasswright.config.yaml.round_trip import edit_yaml
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.judging.card import Card, CardChange
from glasswright.whole_files import write_whole

if TYPE_CHECKING:
    from glasswright.judging.cards import CardFile
    from glasswright.tuning.tuning import Tuning

ENDS = ("min", "max")


class AdoptError(GlasswrightError):
    """The card could not be written as proposed; it is unchanged."""

    exit_code = 2


def describe_changes(tuning: Tuning) -> tuple[str, ...]:
    """Return each changed number as text: `measure_mtf50... at f/2, min: 0.2 -> 0.213`."""
    return tuple(
        f"{each.side}: {'none' if each.old_number is None else f'{each.old_number:g}'} -> {each.proposal.number:g}"
        for each in tuning.sides
        if each.proposal.number is not None and each.proposal.number != each.old_number
    )


def describe_evidence(tuning: Tuning) -> str:
    """Return the evidence for the new numbers in a sentence."""
    evidence, aims = tuning.evidence, tuning.aims
    lenses = [*evidence.healthy, *evidence.bad]
    days = sorted(lens.night.isoformat() for lens in lenses)
    span = f", measured {days[0]} to {days[-1]}" if days else ""
    methods = sorted(
        {each.proposal.method.replace("_", " ") for each in tuning.sides if each.proposal.number is not None}
    )
    found = [f"{lens.ticket} {lens.sound}" for lens in evidence.healthy if lens.sound]
    sound = f"; {'; '.join(found)}" if found else ""
    proven = methods and all(each.proposal.proven for each in tuning.sides if each.proposal.number is not None)
    promise = (
        f"; at most {100 * aims.held:g} % of healthy tickets held, confidence {aims.confidence:g}" if proven else ""
    )
    rehearsed = "rehearsed, not measured: " if evidence.rehearsed else ""
    return (
        f"{rehearsed}{format_count(len(evidence.healthy), 'healthy lens')} and {len(evidence.bad)} bad{span}{sound}; "
        f"{', '.join(methods)}{promise}; "
        f"evidence {evidence.digest[:16]}"
    )


def write_card(file: CardFile, tuning: Tuning, at: str, by: str) -> None:
    """Write the new numbers into the card's file, with an entry in its history.

    The file is replaced atomically, and only if the new text reads back exactly as proposed.

    Parameters
    ----------
    at
        The day.
    by
        Name of the person who adopts it.

    Raises
    ------
    AdoptError
        If the file was changed in the meantime, or does not read back as proposed.
    """
    path = file.document.path
    if path.read_bytes().decode("utf-8-sig", "replace") != file.document.text:
        raise AdoptError(f"{path}: the card was changed in the meantime: run the command again")
    change = CardChange(at=at, by=by, changed=describe_changes(tuning), evidence=describe_evidence(tuning))
    written = edit_card(file.document.text, tuning.new_card, change)
    expected = tuning.new_card.model_copy(update={"history": (*file.card.history, change)})
    read, problems = check(scan_bytes(path, written.encode()), Card)
    if problems or read != expected:
        why = str(problems[0]) if problems else "it would not read back as intended"
        raise AdoptError(f"{path}: the card cannot be written ({why}): write the numbers by hand")
    try:
        write_whole(path, written.encode())
    except OSError as error:
        raise AdoptError(f"{path}: cannot be written ({error.strerror}): check who may write there") from error


def edit_card(text: str, card: Card, change: CardChange) -> str:
    """Return a card's text with the numbers of another card with the same limits, and a new entry in its history."""

    def edit(data: Any) -> None:  # noqa: ANN401 - any YAML value
        for node, limit in zip(data["limits"], card.limits, strict=True):
            for end in ENDS:
                number = getattr(limit, end)
                if number is not None and (end not in node or float(node[end]) != number):
                    node[end] = int(number) if float(number).is_integer() else number
        if "history" not in data:
            data["history"] = CommentedSeq()
        data["history"].append(_entry(change))

    return edit_yaml(text, edit)


def _entry(change: CardChange) -> CommentedMap:
    return CommentedMap(
        at=DoubleQuotedScalarString(change.at),
        by=DoubleQuotedScalarString(change.by),
        changed=CommentedSeq(DoubleQuotedScalarString(each) for each in change.changed),
        evidence=DoubleQuotedScalarString(change.evidence),
    )
