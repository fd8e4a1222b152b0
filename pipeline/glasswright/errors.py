"""The program's errors and their exit codes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Iterable


class GlasswrightError(Exception):
    """A failure that one message explains; the command line prints it without a traceback."""

    exit_code = 1


class Unmeasurable(Exception):  # noqa: N818 - it names a state of the data, not a fault of the program
    """Raised by a stage if the data are too poor to measure; the message says what was found."""


class NotApplicable(Unmeasurable):
    """Raised by a stage for what this stand cannot give, as its file says; the message names what the file says.

    Nothing is wrong with such data, so no shot is asked for again, and a limit on it is listed as not applicable. A
    stage raises it only where the stand file and what was shot agree: data that ought to have it is unmeasurable.
    """


WHOLE_FILE: Final = 0
"""Line number of a problem that concerns the whole file: it is missing, or is not text."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One mistake in a configuration file: where it is, what is wrong, and the remedy."""

    file: str
    line: int
    message: str

    def __str__(self) -> str:
        """Return `file:line: message`, which editors can jump to; without a line for a whole file."""
        if self.line == WHOLE_FILE:
            return f"{escape(self.file)}: {self.message}"
        return f"{escape(self.file)}:{self.line}: {self.message}"


class ConfigError(GlasswrightError):
    """All mistakes found in the configuration."""

    exit_code = 2

    def __init__(self, problems: Iterable[Problem]) -> None:
        """Keep the problems, sorted by file and line."""
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class PluginError(GlasswrightError):
    """A plugin or stage breaks the rules; the message names the stage, the field and the remedy."""

    exit_code = 2


class LedgerBusyError(GlasswrightError):
    """Another run holds the ledger."""

    exit_code = 20


class LedgerDamagedError(GlasswrightError):
    """The ledger is missing, newer than this program, or does not match its own hashes."""

    exit_code = 21
