"""The head of a ledger's chain, in a file beside the database, which reveals that the last commits are missing.

A database that has lost its last commits (copied without its `-wal` file, restored from a backup) is consistent in
itself; only a record outside it can reveal the loss.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError, LedgerDamagedError
from glasswright.ledger.files import write_whole
from glasswright.signing import KEY_VARIABLE, is_signed_by

if TYPE_CHECKING:
    from pathlib import Path

    from glasswright.ledger.store import Database
    from glasswright.signing import Signer

SHOWN_DIGEST: Final = 16
"""Number of characters of a digest that are printed for comparison by eye."""
FORMAT: Final = "glasswright-head-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last link of a chain: identifies the ledger's content after that commit."""

    ledger: str
    """The ledger's random name."""
    commits: int
    made_at: str
    digest: str

    def __str__(self) -> str:
        """Return the head as printed."""
        return f"commit {self.commits}, {self.digest[:SHOWN_DIGEST]}"


class HeadDamagedError(LedgerDamagedError):
    """A ledger and its head do not match; a person may accept the ledger as it is, which is then recorded in it."""

    def __init__(self, ledger: Path, finding: str, remedy: str) -> None:
        """Make the message: the finding, the remedy, and how to accept the ledger if there is no remedy."""
        self.finding = finding
        accept = f"glasswright verify --ledger {ledger} --accept-restored --by NAME --why REASON"
        last = f"if no better copy exists, accept this one by name: `{accept}`"
        super().__init__(f"{ledger}: {finding}: {remedy}; {last}")


def read_head(database: Database, commits: int | None = None) -> Head | None:
    """Return the head of the chain, now or after a number of commits; None if the chain is shorter."""
    which = "(SELECT max(id) FROM link)" if commits is None else "?"
    sql = f"SELECT id, made_at, digest, (SELECT previous FROM link WHERE id = 1) FROM link WHERE id = {which}"
    for number, made_at, digest, ledger in database.rows(sql, *([] if commits is None else [commits])):
        return Head(ledger=str(ledger), commits=number, made_at=made_at, digest=digest)
    return None


class HeadFile:
    """The file `<ledger>.head`, replaced after every commit."""

    def __init__(self, ledger: Path) -> None:
        """Set the path; the first commit writes the file."""
        self.ledger = ledger
        self.path = ledger.with_name(ledger.name + ".head")
        self.signer: Signer | None = None
        """Signs the heads that are written."""

    def read(self) -> Head | None:
        """Return the head; None if there is no file.

        Raises
        ------
        HeadDamagedError
            If the file is not in this program's format.
        """
        signed = self._read_signed()
        return None if signed is None else signed[0]

    def _read_signed(self) -> tuple[Head, str] | None:
        """Return the head and its signature (empty if there is none); None if there is no file."""
        try:
            text = self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise self._damage(f"the head {self.path.name} cannot be read ({error})") from error
        try:
            fields = json.loads(text)
            head = Head(**{name: fields[name] for name in Head.__dataclass_fields__})
            signature = str(fields["signature"])
        except (ValueError, TypeError, LookupError):
            raise self._damage(f"the head {self.path.name} has been changed") from None
        if _spell(head, signature) != text:
            raise self._damage(f"the head {self.path.name} has been changed")
        return head, signature

    def read_or_damage(self) -> Head | HeadDamagedError | None:
        """Return the result of `read`, or the error that it raises."""
        try:
            return self.read()
        except HeadDamagedError as error:
            return error

    def write(self, head: Head) -> None:
        """Write the head atomically and durably."""
        try:
            signature = self.signer.sign(_spell(head).encode()) if self.signer is not None else ""
            write_whole({self.path: _spell(head, signature).encode()})
        except OSError as error:
            why = f"the head {self.path.name} cannot be written ({error.strerror or error})"
            msg = f"{self.ledger}: {why}: make room or check who may write there, and run again; nothing kept is lost"
            raise GlasswrightError(msg) from error

    def find_damage(self, database: Database, stored: Head | HeadDamagedError | None) -> HeadDamagedError | None:
        """Return an error if the database is older than its head or has another history; None otherwise.

        The database may be one commit newer: a writer may have died after its commit, before it wrote the head.

        Parameters
        ----------
        stored
            Result of `read_or_damage` from *before* the database was opened; a writer may have continued since.
        """
        now = read_head(database)
        if now is None:
            return self._damage("the ledger has no chain")
        if isinstance(stored, HeadDamagedError):
            return stored
        if stored is None:
            # a new ledger has no head before its first commit
            files = f"copy {self.path.name} as well, because it belongs to the ledger"
            return self._damage(f"the head {self.path.name} is missing", files) if now.commits > 1 else None
        if stored.commits > now.commits and stored.ledger == now.ledger:
            what = (
                f"the last commits are missing: the ledger ends with commit {now.commits} of {now.made_at}, and its "
                f"head is commit {stored.commits} of {stored.made_at}"
            )
            files = f"if this was copied without its file {self.ledger.name}-wal, copy that as well"
            return self._damage(what, files)
        if read_head(database, stored.commits) != stored:
            return self._damage(f"the head {self.path.name} is of another ledger, or of another history of this one")
        if stored.commits < now.commits - 1:
            later = self.read_or_damage()
            if not isinstance(later, Head) or later.commits < now.commits - 1:
                what = f"the head {self.path.name} is older than the ledger (commit {stored.commits} of {now.commits})"
                return self._damage(what)
        return None

    def find_false_signature(self, public_key: str) -> HeadDamagedError | None:
        """Return an error if the head is not signed by a key; None if it is."""
        signed = self._read_signed()
        if signed is not None and is_signed_by(public_key, _spell(signed[0]).encode(), signed[1]):
            return None
        how = "signed by another key, or changed" if signed is not None and signed[1] else "not signed"
        remedy = f"write the ledger where the environment variable {KEY_VARIABLE} names the file of its private key"
        return self._damage(f"the head {self.path.name} is {how}; the key is {public_key}", remedy)

    def _damage(self, finding: str, remedy: str = "put back the head that belongs to it") -> HeadDamagedError:
        return HeadDamagedError(self.ledger, finding, remedy)


def _spell(head: Head, signature: str = "") -> str:
    """Return the text of a head file; with an empty signature it is the text that is signed."""
    return json.dumps({"format": FORMAT, **asdict(head), "signature": signature}, indent=1) + "\n"
