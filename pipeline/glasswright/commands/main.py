"""The command line: finds and runs a command, and converts its result into an exit code."""

from __future__ import annotations

import io
import os
import sys
import traceback
from importlib import import_module
from importlib.metadata import entry_points, version
from typing import TYPE_CHECKING, Any, Final, NoReturn

import click

from glasswright.commands.first_line import read_first_line
from glasswright.config.schema.suggestions import did_you_mean
from glasswright.errors import ConfigError, GlasswrightError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from importlib.metadata import EntryPoint

PACKAGE: Final = "glasswright.commands"
COMMANDS: Final = {
    "check": "Check a plan with its stand file, cards and tickets.",
    "adopt": "Write into cards the plan that their limits are valid for.",
    "run": "Measure a night of tickets.",
    "judge": "Judge the tickets in the ledger by the cards.",
    "gate": "Decide whether a lens may go back to its owner.",
    "decide": "Release a lens that is in review, by decision of a named person.",
    "pages": "Write a night as HTML pages.",
    "matrix": "Show every measure at every setting in one view.",
    "compare": "Compare two visits of a lens, or rank copies of a model.",
    "tune": "Propose limits for a lens model from the ledger's history.",
    "returned": "Mark a lens that came back after its release.",
    "inspected": "Record what a person found on inspecting a lens again.",
    "record": "Make the PDF record of a lens, or verify one.",
    "export": "Write the ledger as tables and a night as test results.",
    "mountings": "Plan a study: which lens to mount how often.",
    "study": "Find the stand's repeatability and reproducibility.",
    "watch": "Draw control charts of the reference lens.",
    "verify": "Check the ledger against its own hashes.",
    "stages": "List the stages, or explain one.",
    "plugin": "Write a package with a new stage.",
    "keys": "Print every key of the configuration files.",
}
"""Name (and module) of each command of the engine -> its summary; the module is imported only to run it."""

PLUGIN_GROUP: Final = "glasswright.commands"
THREADS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")

UNEXPECTED: Final = 1
USAGE: Final = 2
INTERRUPTED: Final = 130


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the engine's commands in the order of use, then those of plugins."""
        del ctx
        return [*COMMANDS, *sorted(point.name for point in _plugin_commands())]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command; if a plugin's command cannot be loaded, the error names the plugin."""
        del ctx
        if cmd_name in COMMANDS:
            found: click.Command = getattr(import_module(f"{PACKAGE}.{cmd_name}"), cmd_name)
            return found
        for point in _plugin_commands():
            if point.name == cmd_name:
                return _load(point)
        return None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command; suggest another if there is none with that name."""
        known = self.list_commands(ctx)
        if args and args[0] not in known and not args[0].startswith("-"):
            ctx.fail(f"unknown command `{args[0]}`; {did_you_mean(args[0], known)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands, without importing plugins."""
        del ctx
        plugin_commands = sorted(_plugin_commands(), key=lambda point: point.name)
        rows = [*COMMANDS.items(), *((point.name, read_first_line(point)) for point in plugin_commands)]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def _plugin_commands() -> list[EntryPoint]:
    return [point for point in entry_points(group=PLUGIN_GROUP) if point.name not in COMMANDS]


def _load(point: EntryPoint) -> click.Command:
    try:
        found = point.load()
    except Exception as error:  # a plugin's module may fail in any way
        raise click.ClickException(
            f"the plugin command `{point.name}` ({point.value}) cannot be loaded: {type(error).__name__}: {error}"
        ) from error
    if not isinstance(found, click.Command):
        raise click.ClickException(f"the plugin command `{point.name}` ({point.value}) is not a click command")
    return found


EXAMPLE: Final = """\b
Example, a night and the decision on one lens:
  glasswright check configs/plans/fixed_focal.yaml --stand configs/stands/north_bench.yaml
  glasswright run configs/plans/fixed_focal.yaml --stand configs/stands/north_bench.yaml \\
      --tickets night/ --ledger bench.ledger --cards configs/cards
  glasswright gate T-0412 --ledger bench.ledger
"""


@click.command(
    cls=LazyGroup, epilog=EXAMPLE, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110}
)
@click.version_option(package_name="glasswright", message="%(version)s")
def glasswright() -> None:
    """Measure lenses on the test stand from raw files, and decide which may go back to their owners.

    Exit codes: 0 done (gate: release), 1 the program failed, 2 wrong command or configuration, 10 hold, 11 review, 12
    incomplete, 13 the night is done but some shots could not be used, 14 in review and released by a person, 20 another
    run holds the ledger, 21 the ledger is missing, newer or damaged. Any other code is also a failure; only 0 releases.
    """


def use_one_thread() -> None:
    """Limit the numeric libraries to one thread: one process per core is faster, and sums are reproducible.

    The libraries read this when they are first imported.
    """
    for name in THREADS:
        os.environ[name] = "1"


def run_command(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code; nothing is raised.

    The exit code is what the command returns, 0 if it returns None. The message of a `GlasswrightError` is printed; any
    other exception is a bug and is printed with its traceback.
    """
    try:
        result: Any = glasswright.main(arguments, prog_name="glasswright", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("interrupted", err=True)
        return INTERRUPTED
    except click.ClickException as error:
        error.show()
        return USAGE
    except GlasswrightError as error:
        click.echo(explain(error), err=True)
        return error.exit_code
    except Exception:
        click.echo(traceback.format_exc(), err=True)
        click.echo(f"glasswright {version('glasswright')} failed unexpectedly; the lines above say where", err=True)
        return UNEXPECTED
    return result if isinstance(result, int) else 0


def explain(error: GlasswrightError) -> str:
    """Return the printed form of an error."""
    if isinstance(error, ConfigError):
        count = len(error.problems)
        return f"{error}\n{count} mistake{'s' if count != 1 else ''} in the configuration; nothing was done"
    return f"glasswright: {error}"


def main() -> NoReturn:
    """Run the command line."""
    use_one_thread()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # do not fail if the terminal cannot show a character
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run_command())
