"""`glasswright run`: measure a night of tickets."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.remote import AnyPath, locate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.config import Plan, StandFile
    from glasswright.config.schema.plugins import Plugins
    from glasswright.errors import Problem
    from glasswright.judging.cards import CardFile
    from glasswright.run.workers.program import Question
    from glasswright.run.workers.runners import Runner

EXAMPLE = """\b
Example:
  glasswright run configs/plans/fixed_focal.yaml --stand configs/stands/north_bench.yaml \\
      --tickets night/ --ledger bench.ledger --cards configs/cards
"""
PATH = click.Path(path_type=Path)


class Place(click.ParamType):  # type: ignore[type-arg]
    """A folder's path or URL."""

    name = "path or URL"

    def convert(self, value: str | AnyPath, param: click.Parameter | None, ctx: click.Context | None) -> AnyPath:
        """Return the folder."""
        del param, ctx
        return locate(value) if isinstance(value, str) else value


@click.command(epilog=EXAMPLE)
@click.argument("plan", type=PATH)
@click.option("--stand", required=True, type=PATH, help="Stand file.")
@click.option(
    "--tickets", required=True, type=Place(), help="Folder of ticket folders, or one ticket's folder; may be a URL."
)
@click.option("--ledger", required=True, type=PATH, help="The ledger; made if it does not exist.")
@click.option("--cards", type=PATH, help="Folder of cards: judge each ticket once it is measured.")
@click.option("--serial", is_flag=True, help="Run everything in this process, for debugging.")
@click.option("--workers", type=click.IntRange(min=1), help="Worker processes. Default: one per core.")
@click.option(
    "--cluster", metavar="ADDRESS", help="Use the workers of a running dask scheduler, such as tcp://bench:8786."
)
@click.option("--retry", is_flag=True, help="Repeat steps that crashed in an earlier run.")
@click.option(
    "--time-limit",
    type=click.FloatRange(min=0.1),
    default=600.0,
    show_default=True,
    help="Seconds that one step may take; not with --serial.",
)
@click.option(
    "--follow", is_flag=True, help="Keep watching --tickets, and measure each ticket when its copy is complete."
)
@click.option(
    "--quiet-seconds",
    type=click.FloatRange(min=1),
    default=20.0,
    show_default=True,
    help="With --follow: time without change after which a copy without SHA256SUMS is complete.",
)
@click.option(
    "--pages", type=click.Path(path_type=Path, file_okay=False), help="With --follow: folder for the day's pages."
)
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON document.")
@click.option("-v", "--verbose", is_flag=True, help="List every reason under each ticket, including skipped steps.")
def run(
    plan: Path,
    stand: Path,
    tickets: AnyPath,
    ledger: Path,
    cards: Path | None,
    serial: bool,
    workers: int | None,
    cluster: str | None,
    retry: bool,
    time_limit: float,
    follow: bool,
    quiet_seconds: float,
    pages: Path | None,
    as_json: bool,
    verbose: bool,
) -> int:
    """Measure a night of tickets by a plan, and keep everything in the ledger.

    Outcomes that are already in the ledger are not measured again, so a stopped night continues where it was.

    With --follow the folder is watched until SIGTERM or Ctrl-C: shots are looked at as they arrive, and one to be
    repeated is named at once; a ticket is measured and judged when its copy is complete, which SHA256SUMS says, or else
    that nothing has changed for a while. The ledger is held for a commit only, so `judge`, `decide` or `returned` work
    beside it.

    With --cluster the workers of a running dask scheduler measure. Start them on each machine with `dask worker ADDRESS
    --nthreads 1`. They need the same versions of Python, libraries and plugins, and the tickets under the same path.
    Each worker is asked before it receives a shot; one that differs is named and receives none. TLS is set up in dask's
    own configuration.

    Exit codes: 0 done, 13 done but some shots could not be used (the summary says which and why), 1 stopped early or
    an unexpected failure, 2 wrong command or configuration, 20 another run holds the ledger, 21 the ledger is newer
    than this program or damaged. A verdict never changes it.
    """
    from glasswright.commands.following import FollowOptions, follow_folder
    from glasswright.config.schema.files import find_data_files
    from glasswright.intake.tickets import find_folders
    from glasswright.ledger import Ledger
    from glasswright.run.session import Session, hold_session
    from glasswright.run.summary import Summary, describe, summary_data
    from glasswright.run.workers.program import make_question

    if sum((serial, workers is not None, cluster is not None)) > 1:
        raise click.UsageError("--serial, --workers and --cluster exclude one another")
    start = time.monotonic()
    if cluster is not None and isinstance(tickets, Path):
        tickets = tickets.absolute()  # workers run in other folders
    plugins = load_plugins_aloud()
    if follow:
        if as_json or retry:
            raise click.UsageError("--follow runs until it is stopped: leave out --json and --retry")
        if not isinstance(tickets, Path):
            raise click.UsageError("--follow watches a folder of this machine: leave it out for tickets at a URL")
        options = FollowOptions(tickets=tickets, ledger=ledger, quiet_s=quiet_seconds, pages=pages)
        # the plan may change meanwhile, so workers are asked for all stages
        functions = [each.function for each in plugins.stages.values()]
        question = make_question(functions, plugins.packages, tickets)
        runner = choose_runner(question, time_limit, serial=serial, workers=workers, cluster=cluster)
        return follow_folder(options, plugins, lambda: _read(plan, stand, cards, plugins), runner)
    if pages is not None:
        raise click.UsageError("--pages needs --follow; after a night run `glasswright pages`")
    read_plan, read_stand, read_cards = _read(plan, stand, cards, plugins)
    find_folders(tickets)  # raises for a wrong folder, before a ledger is made
    with Ledger.open_for_writing(ledger) as opened:
        session = Session(
            plan=read_plan,
            stand=read_stand,
            cards=read_cards,
            packages=plugins.packages,
            ledger=opened,
            retry=retry,
            roles=plugins.roles,
        )
        files = [file.path for file in find_data_files(read_stand.sections)]
        question = make_question([step.stage.function for step in read_plan.steps], plugins.packages, tickets, files)
        runner = choose_runner(question, time_limit, serial=serial, workers=workers, cluster=cluster)
        result = hold_session(session, tickets, runner, quiet=as_json)
        summary = Summary(result=result, plugin_failures=plugins.failures, seconds=time.monotonic() - start)
        opened.end_run(result.run, summary_data(summary))
    if as_json:
        click.echo(json.dumps(summary_data(summary), indent=2))
    else:
        click.echo("\n".join(describe(summary, plugins.field_names, detail=verbose)))
    return summary.exit_code()


def choose_runner(
    question: Question, time_limit_s: float, *, serial: bool, workers: int | None, cluster: str | None
) -> Runner:
    """Return the runner for the options; dask is imported only if it is used."""
    if serial:
        from glasswright.run.workers.runners import SerialRunner

        return SerialRunner()
    from glasswright.run.workers.dask_runner import DaskRunner
    from glasswright.run.workers.limits import Limits, memory_of_worker

    if cluster is not None:
        return DaskRunner(question, Limits(step_s=time_limit_s), address=cluster)
    count = workers or len(os.sched_getaffinity(0))
    return DaskRunner(question, Limits(step_s=time_limit_s, memory_bytes=memory_of_worker(count)), workers=count)


def _read(
    plan: Path, stand: Path, cards: Path | None, plugins: Plugins
) -> tuple[Plan, StandFile, Mapping[str, CardFile] | None]:
    """Read plan, stand file and cards; all mistakes in them are raised together."""
    from glasswright.config import load_plan, load_stand, match_stand
    from glasswright.errors import ConfigError
    from glasswright.judging.cards import check_card, load_cards

    problems: list[Problem] = []
    read_plan = read_stand = read_cards = None
    try:
        read_plan = load_plan(plan, plugins)
    except ConfigError as error:
        problems += error.problems
    try:
        read_stand = load_stand(stand, plugins)
    except ConfigError as error:
        problems += error.problems
    try:
        read_cards = load_cards(cards) if cards is not None else None
    except ConfigError as error:
        problems += error.problems
    if read_plan is not None and read_stand is not None:
        problems += match_stand(read_stand, read_plan)
    if read_plan is not None:
        problems += [found for card in (read_cards or {}).values() for found in check_card(card, read_plan.fields())]
    if problems or read_plan is None or read_stand is None:
        raise ConfigError(problems)
    return read_plan, read_stand, read_cards
