"""Writes a plan into a card as the method that its limits are valid for, with name, date and reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from glasswright.config import check, scan_bytes
from glasswright.config.plan.method import describe_method, find_closure, find_differences
from glasswright.config.yaml.round_trip import as_flow, edit_yaml
from glasswright.errors import ConfigError, GlasswrightError
from glasswright.judging.card import AdoptedPlan, Card, CardChange
from glasswright.judging.cards import check_card
from glasswright.whole_files import write_whole

if TYPE_CHECKING:
    from glasswright.config import Plan
    from glasswright.config.plan.file import StageEntry
    from glasswright.judging.cards import CardFile

COMMENT: Final = "The method that the limits are valid for, written by `glasswright adopt`."


class PlanWriteError(GlasswrightError):
    """The plan could not be written into the card, which is unchanged."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Adoption:
    """A card with an adopted plan, not written yet."""

    file: CardFile
    card: Card
    """The card with the plan."""
    text: str
    """The file's new text."""
    changes: tuple[str, ...]
    """Differences from the plan adopted before; empty if there was none, or if nothing differs."""


def find_changes(card: Card, plan: Plan) -> tuple[str, ...]:
    """Return the differences between a plan and the card's adopted one for the card's steps; empty if none is
    adopted."""
    if card.plan is None:
        return ()
    method = describe_method(plan)
    steps = sorted(step for step in card.steps() if step in method.stages)
    return tuple(dict.fromkeys(each for step in steps for each in find_differences(card.plan, method, step)))


def adopt_plan(file: CardFile, plan: Plan, by: str, at: str, why: str) -> Adoption | None:
    """Return a card with a plan adopted; None if it already has that method.

    If another plan was adopted before, the card's history records the differences, and who adopted that plan and when.

    Parameters
    ----------
    by
        Name of the person who adopts it.
    at
        The day.
    why
        The reason, in a few words.

    Raises
    ------
    ConfigError
        If the plan does not measure what the card needs, or a limit cannot be met or missed.
    PlanWriteError
        If the file would not read back as intended.
    """
    problems = check_card(file, plan.fields())
    if problems:
        raise ConfigError(problems)
    method = describe_method(plan)
    adopted = AdoptedPlan(
        name=plan.name,
        by=by,
        at=at,
        why=why,
        settings=method.settings,
        stages=find_closure(method, file.card.steps()),
    )
    old = file.card.plan
    if old is not None and (old.name, old.text) == (adopted.name, adopted.text):
        return None
    changes = find_changes(file.card, plan)
    history = file.card.history
    if old is not None:
        what = f"plan `{old.name}`, adopted by {old.by} on {old.at} ({old.why}) -> `{adopted.name}`"
        history = (*history, CardChange(at=at, by=by, changed=(what, *changes), evidence=why))
    card = file.card.model_copy(update={"plan": adopted, "history": history})
    text = _edit(file.document.text, adopted, history[len(file.card.history) :])
    read, found = check(scan_bytes(file.document.path, text.encode()), Card)
    if found or read != card:
        reason = str(found[0]) if found else "it would not read back as intended"
        raise PlanWriteError(f"{file.document.path}: the plan cannot be written into the card ({reason})")
    return Adoption(file=file, card=card, text=text, changes=changes)


def write_adoption(adoption: Adoption) -> None:
    """Replace the card's file, whole or not at all.

    Raises
    ------
    PlanWriteError
        If it was changed since it was read, or cannot be written.
    """
    path = adoption.file.document.path
    if path.read_bytes().decode("utf-8-sig", "replace") != adoption.file.document.text:
        raise PlanWriteError(f"{path}: the card was changed in the meantime: run the command again")
    try:
        write_whole(path, adoption.text.encode())
    except OSError as error:
        raise PlanWriteError(f"{path}: cannot be written ({error.strerror}): check who may write there") from error


def _edit(text: str, adopted: AdoptedPlan, entries: tuple[CardChange, ...]) -> str:
    def edit(data: Any) -> None:  # noqa: ANN401 - any YAML value
        is_new = "plan" not in data
        data["plan"] = _section(adopted)
        if is_new:
            data.yaml_set_comment_before_after_key("plan", before=COMMENT)
        for entry in entries:
            data.setdefault("history", CommentedSeq()).append(_entry(entry))

    return edit_yaml(text, edit)


def _section(adopted: AdoptedPlan) -> CommentedMap:
    section = CommentedMap(name=adopted.name)
    section.update({key: DoubleQuotedScalarString(getattr(adopted, key)) for key in ("by", "at", "why")})
    nominal = {name: list(values) for name, values in adopted.settings if values}
    if nominal:
        section["settings"] = as_flow(nominal)
    section["stages"] = CommentedMap({name: as_flow(_step(entry)) for name, entry in adopted.stages.items()})
    return section


def _step(entry: StageEntry) -> dict[str, object]:
    """Return the non-empty keys of a step."""
    return {key: value for key, value in entry.model_dump(mode="json").items() if value not in (None, {})}


def _entry(change: CardChange) -> CommentedMap:
    return CommentedMap(
        at=DoubleQuotedScalarString(change.at),
        by=DoubleQuotedScalarString(change.by),
        changed=CommentedSeq(DoubleQuotedScalarString(each) for each in change.changed),
        evidence=DoubleQuotedScalarString(change.evidence),
    )
