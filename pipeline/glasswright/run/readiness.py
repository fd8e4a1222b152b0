"""Whether a ticket can be decided: each limit of its card against the existing shots, the plan and the stand file.

Nothing is measured. The findings are those that the gate would otherwise report after the night.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from glasswright.config.plan.method import describe_method, find_differences
from glasswright.formatting import format_count
from glasswright.intake.checksums import FILE_NAME
from glasswright.intake.index import IDENTITY_CONTRADICTION, UNVERIFIED_COPY
from glasswright.judging.card import At
from glasswright.judging.hand_checks import UNASKED_PHASES
from glasswright.judging.judge import ENOUGH_SHOTS, find_spreads
from glasswright.judging.method import NO_PLAN
from glasswright.plugin.roles import Role
from glasswright.plugin.stage import Scope
from glasswright.run.graph.lineage import own_roles

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.config import Plan, StandFile, TicketFile
    from glasswright.intake.index import Survey
    from glasswright.judging.card import Card, Limit
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.setup_check import SetupFinding

Outlook = Literal["not applicable", "can be met", "review at best", "cannot be met"]
NOT_APPLICABLE: Final = "not applicable"
CAN: Final = "can be met"
REVIEW: Final = "review at best"
CANNOT: Final = "cannot be met"


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingShots:
    """Shots that a ticket lacks."""

    role: str
    at: str
    """Setting as text; empty for a role without one."""
    count: int

    def __str__(self) -> str:
        """Return a line for the shooting list."""
        return f"{self.role}{f' at {self.at}' if self.at else ''}: {format_count(self.count, 'shot')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitOutlook:
    """Whether one limit can be met with the existing shots, plan and stand file."""

    limit: str
    """Measure and setting."""
    outlook: Outlook
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketOutlook:
    """Whether one ticket can be decided, before it is measured."""

    number: str
    model: str
    serial: str
    limits: tuple[LimitOutlook, ...]
    missing: tuple[MissingShots, ...]
    """Shots that limits still need."""
    others: tuple[tuple[Outlook, str], ...] = ()
    """Obstacles that concern the whole ticket."""

    @property
    def outlook(self) -> Outlook:
        """The worst outlook of all limits and obstacles."""
        every = {each.outlook for each in self.limits} | {each for each, _ in self.others}
        # a card of which nothing applies passes no lens
        return CANNOT if CANNOT in every or not every - {NOT_APPLICABLE} else REVIEW if REVIEW in every else CAN


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The plan, stand file and roles that tickets are checked against."""

    plan: Plan
    stand: StandFile | None
    roles: Mapping[str, Role]
    found: Sequence[SetupFinding] = ()
    """Findings of plugins on stand file and cards."""

    def why_blocked(self, model: str) -> list[str]:
        """Return the reasons why a model's card is not valid on this stand."""
        return [each.message for each in self.found if each.blocks and each.model == model]

    def why_not_applicable(self, measure: str) -> list[str]:
        """Return the reasons why a measure is not available on this stand."""
        step, _, field = measure.partition(".")
        stages = [each.stage.id for each in self.plan.steps if each.name == step]
        return [
            each.message
            for each in self.found
            for stage in stages
            if any(f"{stage}.{field}.".startswith(f"{beginning}.") for beginning in each.not_applicable)
        ]


def needed_roles(plan: Plan) -> dict[str, dict[str, int]]:
    """Return for each step the roles whose shots it needs, with their number."""
    found: dict[str, dict[str, int]] = {}
    for step in plan.steps:
        described = {each.name: each for each in step.stage.inputs}
        least = 1 if step.at_least is None else step.at_least
        needs: dict[str, int] = {}
        for name, source in step.inputs.items():
            if described[name].optional or (described[name].gathers and least == 0):
                continue
            roles = {source.name: 1} if source.kind == "role" else found.get(source.name, {})
            for role, count in roles.items() if source.kind in ("role", "step") else ():
                many = max(count, least) if described[name].gathers else count
                needs[role] = max(needs.get(role, 0), many)
        found[step.name] = needs
    return found


def foresee(ticket: TicketFile, survey: Survey, card: Card | None, bench: Bench) -> TicketOutlook:
    """Return which limits of a ticket's card can be met, and what the others lack.

    Parameters
    ----------
    survey
        The ticket's shots, from EXIF.
    card
        The card of the lens's model; None if there is none.
    """
    head = {"number": ticket.ticket, "model": ticket.lens.model, "serial": ticket.lens.serial}
    if card is None:
        why = f"there is no card for `{ticket.lens.model}`: write one, or correct the model in ticket.yaml"
        return TicketOutlook(**head, limits=(), missing=(), others=((CANNOT, why),))
    counts: dict[tuple[str, Setting | None], int] = defaultdict(int)
    for shot in survey.shots:
        counts[shot.role, shot.setting] += 1
    blocked = [*_why_card_fails(ticket, card, bench), *bench.why_blocked(card.card)]
    if card.identity == "serial" and survey.lens_serials[0] < survey.lens_serials[1]:
        carrying, shots = survey.lens_serials
        without = f"{shots - carrying} of {shots} files carry no lens serial"
        blocked.append(f"the card requires `identity: serial`, but {without}")
    missing: dict[tuple[str, str], int] = {}
    needs = needed_roles(bench.plan)
    limits = []
    for limit in card.limits:
        measure = limit.measure if limit.at == At() else f"{limit.measure} at {limit.at}"
        if not blocked and (beyond := bench.why_not_applicable(limit.measure)):
            limits.append(LimitOutlook(limit=measure, outlook=NOT_APPLICABLE, reasons=tuple(beyond)))
            continue
        lacking = _lacking(limit, bench, needs, counts)
        for each in lacking:
            missing[each.role, each.at] = max(missing.get((each.role, each.at), 0), each.count)
        cannot = [*blocked, *_why_made_otherwise(card, limit, bench.plan), *(f"{each} lacking" for each in lacking)]
        cannot += _why_untimed(limit, bench.plan, survey)
        few = max(counts.values(), default=0) < ENOUGH_SHOTS
        review = _why_review(limit, card, survey, bench.stand, few=few)
        limits.append(
            LimitOutlook(
                limit=measure,
                outlook=CANNOT if cannot else REVIEW if review else CAN,
                reasons=tuple(dict.fromkeys(cannot or review)),
            )
        )
    return TicketOutlook(
        **head,
        limits=tuple(limits),
        missing=_list_missing(missing),
        others=tuple(_others(ticket, card)),
    )


def _list_missing(missing: Mapping[tuple[str, str], int]) -> tuple[MissingShots, ...]:
    """Return the missing shots, sorted; a role listed at some setting is not also listed for the whole ticket."""
    placed = {role for role, at in missing if at}
    return tuple(
        MissingShots(role=role, at=at, count=count)
        for (role, at), count in sorted(missing.items())
        if at or role not in placed
    )


def _why_card_fails(ticket: TicketFile, card: Card, bench: Bench) -> list[str]:
    """Return the reasons why the card is not valid for this ticket on this stand."""
    found = [] if card.plan is not None else [NO_PLAN]
    stands, bodies = (_names(card.valid_for.stand), _names(card.valid_for.body))
    if bench.stand is not None and bench.stand.name not in stands:
        found.append(f"the card is valid for stand {', '.join(stands)}, this is `{bench.stand.name}`")
    if ticket.body.model not in bodies:
        found.append(f"the card is valid for body {', '.join(bodies)}, the ticket was shot with `{ticket.body.model}`")
    if bench.stand is not None and ticket.body.model not in bench.stand.bodies:
        found.append(f"body `{ticket.body.model}` is not one of the stand's: {', '.join(bench.stand.bodies)}")
    return found


def _names(names: str | tuple[str, ...]) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else names


def _why_made_otherwise(card: Card, limit: Limit, plan: Plan) -> list[str]:
    method = describe_method(plan)
    if card.plan is None or limit.step not in method.stages:
        return []
    differences = find_differences(card.plan, method, limit.step)
    return [f"plan `{plan.name}` differs from the card's plan: {differences[0]}"] if differences else []


def _why_review(limit: Limit, card: Card, survey: Survey, stand: StandFile | None, *, few: bool) -> list[str]:
    found = []
    is_guarded = card.rule_of(limit) == "guarded"
    if stand is not None and is_guarded and not find_spreads(stand.reproducibility, limit.measure):
        found.append("the stand file declares no reproducibility for it: add it, or study the stand")
    if stand is not None and is_guarded and few and not find_spreads(stand.repeatability, limit.measure):
        found.append(f"the stand file declares no repeatability for it, and there are fewer than {ENOUGH_SHOTS} shots")
    if UNVERIFIED_COPY not in limit.accept and survey.unlisted:
        what = f"{survey.unlisted} of its shots are not in {FILE_NAME}" if survey.has_checksums else f"no {FILE_NAME}"
        found.append(f"{what}: run `sha256sum */* > {FILE_NAME}` in the ticket's folder on the computer that copied it")
    if survey.is_other_lens:
        found.append(f"EXIF and ticket.yaml name different lenses or bodies ({IDENTITY_CONTRADICTION})")
    return found


def _lacking(
    limit: Limit,
    bench: Bench,
    needs: Mapping[str, Mapping[str, int]],
    counts: Mapping[tuple[str, Setting | None], int],
) -> list[MissingShots]:
    """Return the shots that a limit needs and the ticket lacks, by setting."""
    step = next((each for each in bench.plan.steps if each.name == limit.step), None)
    if step is None:
        return []
    wanted = needs[step.name]
    settings = sorted({at for _, at in counts if at is not None and at.exposure_time_s is None}, key=str)
    here = [at for at in settings if limit.at.holds(at)]
    lacking = []
    for role, count in wanted.items():
        if not bench.roles.get(role, Role()).has_setting or step.scope >= Scope.TICKET:
            have = sum(many for (each, _), many in counts.items() if each == role)
            lacking += [] if have >= count else [MissingShots(role=role, at="", count=count - have)]
        elif not here:
            lacking.append(
                MissingShots(role=role, at="each setting" if limit.at == At() else str(limit.at), count=count)
            )
        else:
            lacking += _short(role, count, here, counts)
    return lacking


def _short(
    role: str, count: int, settings: Iterable[Setting], counts: Mapping[tuple[str, Setting | None], int]
) -> list[MissingShots]:
    """Return the settings with too few shots of a role; exposure times are ignored."""
    have: dict[tuple[float | None, float | None, float | None], int] = defaultdict(int)
    for (each, at), many in counts.items():
        if each == role and at is not None:
            have[at.focal_length_mm, at.f_number, at.focus_distance_m] += many
    found = []
    for at in settings:
        number = have[at.focal_length_mm, at.f_number, at.focus_distance_m]
        # shots without focus distance count at every one
        number += have[at.focal_length_mm, at.f_number, None] if at.focus_distance_m is not None else 0
        if number < count:
            found.append(MissingShots(role=role, at=str(at), count=count - number))
    return found


def _why_untimed(limit: Limit, plan: Plan, survey: Survey) -> list[str]:
    """Return the reason if a limit needs exposure times that neither EXIF nor the ticket gives."""
    steps = {step.name: step for step in plan.steps}
    waiting, seen = [limit.step], set[str]()
    while waiting:
        name = waiting.pop()
        if name in steps and name not in seen:
            seen.add(name)
            waiting += [source.name for source in steps[name].inputs.values() if source.kind == "step"]
    made_from = own_roles(plan)
    roles = {role for name in seen if steps[name].stage.returns.needs_exposure_time for role in made_from[name]}
    shots = [shot for shot in survey.shots if shot.role in roles]
    untimed = [shot.name for shot in shots if not shot.facts.exposure_time_s]
    if not untimed:
        return []
    return [
        f"{len(untimed)} of {format_count(len(shots), 'shot')} have no exposure time in EXIF or ticket.yaml "
        f"({untimed[0]}): give `exposure_time_s` in ticket.yaml under `shots`"
    ]


def _others(ticket: TicketFile, card: Card) -> Iterable[tuple[Outlook, str]]:
    if not card.limits:
        yield CANNOT, f"the card for `{card.card}` has no limits: an empty card passes no lens"
    if ticket.phase in UNASKED_PHASES:
        return
    signed = {name for name, note in ticket.hand_checks.items() if note.who and note.when}
    rest = [name for name in card.hand_checks if name not in signed]
    if rest:
        yield CANNOT, f"hand checks without a signed answer: {', '.join(rest)}; run `glasswright hand-checks`"
