"""The head of a ledger's chain, kept beside the database, so that a ledger whose end is missing is noticed.

A database that has lost its last commits (copied without its `-wal` file, put back from a backup) is whole in itself.
Only something outside it can say that there was more.
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
"""Characters of a digest that people compare by eye."""
FORMAT: Final = "glasswright-head-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last link of a chain: the ledger as it was after that commit."""

    ledger: str
    """The ledger's random name."""
    commits: int
    made_at: str
    digest: str

    def __str__(self) -> str:
        """Return it as it is printed."""
        return f"commit {self.commits}, {self.digest[:SHOWN_DIGEST]}"


class HeadDamagedError(LedgerDamagedError):
    """A ledger and its head do not fit; a person may accept the ledger without its end, which is then kept in it."""

    def __init__(self, ledger: Path, finding: str, remedy: str) -> None:
        """Say what was found, what mends it, and how it is accepted where nothing does."""
        self.finding = finding
        accept = f"glasswright verify --ledger {ledger} --accept-restored --by NAME --why REASON"
        last = f"else, where this is all that is left, accept that by name: `{accept}`"
        super().__init__(f"{ledger}: {finding}: {remedy}; {last}")


def read_head(database: Database, commits: int | None = None) -> Head | None:
    """Return the head of the chain, or what it was after a number of commits; None if the chain is shorter."""
    which = "(SELECT max(id) FROM link)" if commits is None else "?"
    sql = f"SELECT id, made_at, digest, (SELECT previous FROM link WHERE id = 1) FROM link WHERE id = {which}"
    for number, made_at, digest, ledger in database.rows(sql, *([] if commits is None else [commits])):
        return Head(ledger=str(ledger), commits=number, made_at=made_at, digest=digest)
    return None


class HeadFile:
    """The file `<ledger>.head`, replaced after every commit."""

    def __init__(self, ledger: Path) -> None:
        """Name the file; the first commit writes it."""
        self.ledger = ledger
        self.path = ledger.with_name(ledger.name + ".head")
        self.signer: Signer | None = None
        """What signs the heads that are written."""

    def read(self) -> Head | None:
        """Return the head; None if there is no file.

        Raises
        ------
        HeadDamagedError
            If it is not as this program writes it.
        """
        signed = self._read_signed()
        return None if signed is None else signed[0]

    def _read_signed(self) -> tuple[Head, str] | None:
        """Return the head and its signature, empty if there is none."""
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
            raise self._damage(f"the head {self.path.name} is not as it was written") from None
        if _spell(head, signature) != text:
            raise self._damage(f"the head {self.path.name} is not as it was written")
        return head, signature

    def read_or_damage(self) -> Head | HeadDamagedError | None:
        """Return what `read` gives or raises."""
        try:
            return self.read()
        except HeadDamagedError as error:
            return error

    def write(self, head: Head) -> None:
        """Keep the head; the file is whole at any moment, and lasts through a power cut."""
        try:
            signature = self.signer.sign(_spell(head).encode()) if self.signer is not None else ""
            write_whole({self.path: _spell(head, signature).encode()})
        except OSError as error:
            why = f"the head {self.path.name} cannot be written ({error.strerror or error})"
            msg = f"{self.ledger}: {why}: make room or check who may write there, and run again; nothing kept is lost"
            raise GlasswrightError(msg) from error

    def find_damage(self, database: Database, said: Head | HeadDamagedError | None) -> HeadDamagedError | None:
        """Tell whether the database is older than its head, or of another history; None if it is not.

        A database may be one commit newer: a writer may have died between its commit and the writing of the head.

        Parameters
        ----------
        said
            What `read_or_damage` gave *before* the database was opened; a writer may have gone on since.
        """
        now = read_head(database)
        if now is None:
            return self._damage("the ledger has lost its chain")
        if isinstance(said, HeadDamagedError):
            return said
        if said is None:
            # a ledger is new until its first commit is made, and so may be its head
            files = f"copy {self.path.name} to it as well, for it belongs to the ledger"
            return self._damage(f"the head {self.path.name} is missing", files) if now.commits > 1 else None
        if said.commits > now.commits and said.ledger == now.ledger:
            what = (
                f"the end of the ledger is missing: it ends with commit {now.commits} of {now.made_at}, and its head "
                f"is commit {said.commits} of {said.made_at}"
            )
            files = f"if this was copied without its file {self.ledger.name}-wal, copy that as well"
            return self._damage(what, files)
        if read_head(database, said.commits) != said:
            return self._damage(f"the head {self.path.name} is of another ledger, or of another history of this one")
        if said.commits < now.commits - 1:
            later = self.read_or_damage()
            if not isinstance(later, Head) or later.commits < now.commits - 1:
                what = f"the head {self.path.name} is older than the ledger (commit {said.commits} of {now.commits})"
                return self._damage(what)
        return None

    def find_false_signature(self, public_key: str) -> HeadDamagedError | None:
        """Tell whether the head is not signed by a key; None if it is."""
        signed = self._read_signed()
        if signed is not None and is_signed_by(public_key, _spell(signed[0]).encode(), signed[1]):
            return None
        how = "signed by another key, or changed" if signed is not None and signed[1] else "not signed"
        remedy = f"write the ledger where the environment variable {KEY_VARIABLE} names the file of its private key"
        return self._damage(f"the head {self.path.name} is {how}; the key is {public_key}", remedy)

    def _damage(self, finding: str, remedy: str = "put back the head that belongs to it") -> HeadDamagedError:
        return HeadDamagedError(self.ledger, finding, remedy)


def _spell(head: Head, signature: str = "") -> str:
    """Write a head as its file holds it; without a signature, that is what is signed."""
    return json.dumps({"format": FORMAT, **asdict(head), "signature": signature}, indent=1) + "\n"
