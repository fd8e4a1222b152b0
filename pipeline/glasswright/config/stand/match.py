"""Check of a stand file against a plan."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from glasswright.config.plan.plan import Plan
    from glasswright.config.stand.file import StandFile
    from glasswright.config.stand.keys import Spread
    from glasswright.config.yaml.document import Place
    from glasswright.errors import Problem


FEW: Final = 3
"""Up to so many entries of other plans are noted one by one; more are noted together."""


def match_stand(stand: StandFile, plan: Plan) -> tuple[Problem, ...]:
    """Check a stand file against a plan.

    Returns
    -------
    A problem for each plugin section that a step takes and the file lacks, and for each uncertainty in a field's unit
    whose wildcard matches fields of several units.
    """
    return (*_find_missing(stand, plan), *_find_mixed_units(stand, plan))


def find_idle_spreads(stand: StandFile, plan: Plan) -> tuple[Problem, ...]:
    """Return a note for each entry of a stand file about fields that the plan does not have; another plan may have
    them."""
    named: list[tuple[Place, str]] = [
        ((table, pattern), pattern) for table, spreads in _tables(stand).items() for pattern in spreads
    ]
    named += [(("watch", "fields", measure), measure) for measure in (stand.watch.fields if stand.watch else ())]
    idle = [(place, pattern) for place, pattern in named if not _matching(pattern, plan)]
    steps = {measure.partition(".")[0] for measure in plan.fields()}
    # a missing step probably belongs to another plan; a missing field of a step in this plan may be misspelt
    others = [(place, pattern) for place, pattern in idle if pattern.partition(".")[0] not in steps]
    notes = [
        stand.document.problem(place, f"no field of plan `{plan.name}` is `{pattern}`")
        for place, pattern in (idle if len(others) <= FEW else [each for each in idle if each not in others])
    ]
    if len(others) > FEW:
        first = ", ".join(dict.fromkeys(f"`{pattern.partition('.')[0]}`" for _, pattern in others))
        message = f"{len(others)} entries are of steps that plan `{plan.name}` does not have: {first}"
        notes.append(stand.document.problem(others[0][0], message))
    return tuple(notes)


def _tables(stand: StandFile) -> Mapping[str, Mapping[str, Spread]]:
    return {"repeatability": stand.repeatability, "reproducibility": stand.reproducibility}


def _matching(pattern: str, plan: Plan) -> list[str]:
    return [measure for measure in plan.fields() if fnmatchcase(measure, pattern)]


def _find_missing(stand: StandFile, plan: Plan) -> Iterator[Problem]:
    wanted = {
        source.name: step.name
        for step in reversed(plan.steps)
        for description in step.stage.inputs
        if (source := step.inputs.get(description.name)) is not None
        and source.kind == "stand"
        and source.name not in stand.sections
        and not description.optional
    }
    for plugin, step in sorted(wanted.items()):
        yield stand.document.problem((), f"section `{plugin}` is missing; step `{step}` of plan `{plan.name}` takes it")


def _find_mixed_units(stand: StandFile, plan: Plan) -> Iterator[Problem]:
    fields = plan.fields()
    for table, spreads in _tables(stand).items():
        for pattern, spread in spreads.items():
            units = sorted({fields[measure].unit for measure in _matching(pattern, plan)})
            if spread.u is not None and len(units) > 1:
                yield stand.document.problem(
                    (table, pattern),
                    f"`{pattern}` matches fields in {' and in '.join(units)}, but `u` is in one unit: write one line "
                    "for each unit, or use `relative_u`",
                )
