"""Writes into a card the method its limits were made for, with name, date and reason."""

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

COMMENT: Final = "How the numbers are made that the limits speak of, written by `glasswright adopt`."


class PlanWriteError(GlasswrightError):
    """The plan could not be written into the card, which is as it was."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Adoption:
    """A plan adopted by a card, not written yet."""

    file: CardFile
    card: Card
    """As it will read."""
    text: str
    """The file's new text."""
    changes: tuple[str, ...]
    """In what the plan differs from the one adopted before; empty where there was none or nothing differs."""


def find_changes(card: Card, plan: Plan) -> tuple[str, ...]:
    """Say in what a plan makes the card's numbers otherwise than the plan adopted; nothing where none is."""
    if card.plan is None:
        return ()
    method = describe_method(plan)
    steps = sorted(step for step in card.steps() if step in method.stages)
    return tuple(dict.fromkeys(each for step in steps for each in find_differences(card.plan, method, step)))


def adopt_plan(file: CardFile, plan: Plan, by: str, at: str, why: str) -> Adoption | None:
    """Return a card that names a plan as its own; None where it names that method already.

    Where another plan was adopted before, the card's history says what differs, who had adopted that plan and when.

    Parameters
    ----------
    by
        Who adopts it.
    at
        The day.
    why
        In a few words.

    Raises
    ------
    ConfigError
        Where the plan does not measure what the card asks for, or a limit decides nothing.
    PlanWriteError
        Where the file would not read back as meant.
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
        reason = str(found[0]) if found else "it would read back otherwise"
        raise PlanWriteError(f"{file.document.path}: the plan cannot be written into the card ({reason})")
    return Adoption(file=file, card=card, text=text, changes=changes)


def write_adoption(adoption: Adoption) -> None:
    """Replace the card's file, whole or not at all.

    Raises
    ------
    PlanWriteError
        Where it was changed since it was read, or cannot be written.
    """
    path = adoption.file.document.path
    if path.read_bytes().decode("utf-8-sig", "replace") != adoption.file.document.text:
        raise PlanWriteError(f"{path}: the card was changed meanwhile: run the command again")
    try:
        write_whole(path, adoption.text.encode())
    except OSError as error:
        raise PlanWriteError(f"{path}: cannot be written ({error.strerror}): check who may write there") from error


def _edit(text: str, adopted: AdoptedPlan, entries: tuple[CardChange, ...]) -> str:
    def edit(data: Any) -> None:  # noqa: ANN401 - whatever the file holds
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
    """Return what is not empty of a step."""
    return {key: value for key, value in entry.model_dump(mode="json").items() if value not in (None, {})}


def _entry(change: CardChange) -> CommentedMap:
    return CommentedMap(
        at=DoubleQuotedScalarString(change.at),
        by=DoubleQuotedScalarString(change.by),
        changed=CommentedSeq(DoubleQuotedScalarString(each) for each in change.changed),
        evidence=DoubleQuotedScalarString(change.evidence),
    )
