"""Tickets at a URL such as `s3://bucket/tonight`, read by fsspec. The only module that knows URLs.

`RemotePath` has the part of `pathlib.Path` that listing and reading tickets use. Raw files are copied to a local file
before they are opened, because raw decoders need one.
"""

from __future__ import annotations

import errno
import fcntl
import io
import os
import re
import shutil
import tempfile
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, Self, TypeAlias

from glasswright.errors import GlasswrightError
from glasswright.plain_text import escape, is_plain

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

URL: Final = re.compile(r"(?P<protocol>[a-z][a-z0-9+.-]*)://(?P<host>[^/]*)", re.IGNORECASE)
SECRET_NAME: Final = re.compile(r"KEY|SECRET|TOKEN|PASSWORD|CREDENTIAL", re.IGNORECASE)
"""Names of environment variables whose values no message may show."""
SHORTEST_SECRET: Final = 6
COPIES: Final = "glasswright-copies-"
"""Beginning of the names of folders with local copies."""


class UrlError(GlasswrightError):
    """A URL that cannot be used."""

    exit_code = 2


@dataclass(frozen=True, slots=True, order=True)
class RemotePath:
    """A file or folder at a URL. What a listing says of it is kept, so that it need not be asked for again.

    A request that fails raises OSError, whatever the protocol's library raises, without values of secret environment
    variables in its message.
    """

    url: str
    kind: str = field(default="", compare=False)
    """`file` or `directory` if it comes from a listing."""
    size: int | None = field(default=None, compare=False)
    """Bytes, if it comes from a listing that has them."""

    def __str__(self) -> str:
        """Return the URL."""
        return self.url

    @property
    def name(self) -> str:
        """The last part."""
        return self.url.rpartition("/")[2]

    @property
    def stem(self) -> str:
        """The name without its suffix."""
        return PurePosixPath(self.name).stem

    @property
    def suffix(self) -> str:
        """The ending of the name, with its dot."""
        return PurePosixPath(self.name).suffix

    def __truediv__(self, name: str) -> RemotePath:
        """Return the path of something inside."""
        return RemotePath(f"{self.url}/{name}")

    def exists(self) -> bool:
        """Return whether anything is there."""
        return bool(self._find_kind())

    def is_dir(self) -> bool:
        """Return whether it is a folder."""
        return self._find_kind() == "directory"

    def is_file(self) -> bool:
        """Return whether it is a file."""
        return self._find_kind() == "file"

    def is_symlink(self) -> bool:
        """Return False: a URL is not a symbolic link."""
        return False

    def iterdir(self) -> Iterator[RemotePath]:
        """Yield what is in a folder."""
        with _asking(self.url) as (files, place):
            entries = files.ls(place, detail=True)
            own = files._strip_protocol(place).rstrip("/")
        for entry in entries:
            there = str(entry["name"]).rstrip("/")
            name = there.rpartition("/")[2]
            if name and there.strip("/") != own.strip("/"):  # stores list a folder's own marker as well
                yield RemotePath(f"{self.url}/{name}", kind=str(entry["type"]), size=entry.get("size"))

    def open(self, mode: Literal["rb"]) -> BinaryIO:
        """Read a small file into memory."""
        del mode
        with _asking(self.url) as (files, place):
            return io.BytesIO(files.cat_file(place))

    def copy_to(self, target: Path) -> None:
        """Copy the file to a local one."""
        with _asking(self.url) as (files, place):
            files.get_file(place, str(target))

    def _find_kind(self) -> str:
        if self.kind:
            return self.kind
        try:
            with _asking(self.url) as (files, place):
                return str(files.info(place)["type"])
        except FileNotFoundError:
            return ""


AnyPath: TypeAlias = Path | RemotePath


def locate(text: str | os.PathLike[str]) -> AnyPath:
    """Return the path that a user named: of this machine, or a URL.

    Raises
    ------
    UrlError
        If a URL cannot be used.
    """
    text = os.fspath(text)
    if "://" not in text:
        return Path(text)
    found = URL.match(text)
    if found is None:
        raise UrlError(f"{escape(text)}: chained URLs are not supported: name the folder")
    protocol, host = found["protocol"].lower(), found["host"]
    if "@" in host or "?" in text or "#" in text:
        # without the rest of the URL, which may be a secret
        raise UrlError(
            f"{protocol}://...: a URL must not have a user name, password or parameters, because ledger and pages name "
            "it: set credentials in the environment of this process and of the workers"
        )
    if not is_plain(text):
        raise UrlError(f"{escape(text)}: the URL has unprintable characters: rename the folders")
    if protocol in ("file", "local"):
        return Path(text[found.end("protocol") + len("://") :])
    try:
        _file_system(protocol, host)
    except (ImportError, ValueError) as error:
        raise UrlError(f"{text}: {error}; s3:// needs `pip install glasswright[s3]`") from error
    except Exception as error:
        raise UrlError(f"{text}: {_describe(error)}") from None
    return RemotePath(text.rstrip("/"))


def is_remote(text: str) -> bool:
    """Return whether a shot's path is a URL."""
    return URL.match(text) is not None


class LocalCopies:
    """Local copies of remote files, in a temporary folder that is removed at the end.

    A killed process leaves its folder behind, unlocked; the next one removes it.
    """

    def __init__(self) -> None:
        """Start without copies."""
        self._folder: Path | None = None
        self._lock = -1
        self._copies: dict[str, Path] = {}

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Remove the copies."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            os.close(self._lock)

    def copy(self, path: RemotePath) -> Path:
        """Return a local copy with the same name; a file is copied once.

        Raises
        ------
        OSError
            If it cannot be read, or not written here.
        """
        if path.url not in self._copies:
            if self._folder is None:
                _remove_abandoned()
                self._folder, self._lock = _make_folder()
            folder = self._folder / str(len(self._copies))
            folder.mkdir()
            path.copy_to(folder / path.name)
            self._copies[path.url] = folder / path.name
        return self._copies[path.url]

    def name_sources(self, text: str) -> str:
        """Return a message with the URLs in place of the copies' paths."""
        for url, copy in self._copies.items():
            text = text.replace(str(copy), url)
        return text


def open_locally(path: AnyPath) -> AbstractContextManager[Path]:
    """Return a context with a path that any library can open: the file's own, or that of a copy of a remote file."""
    return _copied(path) if isinstance(path, RemotePath) else nullcontext(path)


@contextmanager
def _copied(path: RemotePath) -> Iterator[Path]:
    with LocalCopies() as copies:
        yield copies.copy(path)


def _make_folder() -> tuple[Path, int]:
    """Make a locked temporary folder; return it and the file descriptor of its lock."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=COPIES))
        with suppress(OSError):
            number = _lock(folder)
            if folder.exists():
                return folder, number
            # another process took it for abandoned before it was locked
            os.close(number)


def _lock(folder: Path) -> int:
    """Lock a folder until the returned file descriptor is closed, at the latest when the process ends.

    Raises
    ------
    BlockingIOError
        If a process holds it.
    """
    number = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(number)
        raise
    return number


@cache
def _remove_abandoned() -> None:
    """Remove the folders that killed processes left, once a process."""
    for folder in Path(tempfile.gettempdir()).glob(f"{COPIES}*"):
        with suppress(OSError):  # in use, or another user's
            number = _lock(folder)
            shutil.rmtree(folder, ignore_errors=True)
            os.close(number)


@cache
def _file_system(protocol: str, host: str) -> Any:  # noqa: ANN401 - fsspec has no types
    """Return the file system of a protocol and host; listings are not kept, because folders change."""
    from fsspec.core import url_to_fs

    return url_to_fs(f"{protocol}://{host}", use_listings_cache=False)[0]  # type: ignore[no-untyped-call]


@contextmanager
def _asking(url: str) -> Iterator[tuple[Any, str]]:
    """Yield a URL's file system and its path there; every error becomes an OSError."""
    found = URL.match(url)
    if found is None:
        raise AssertionError(f"{url} is not a URL")
    try:
        files = _file_system(found["protocol"].lower(), found["host"])
        yield files, files._strip_protocol(url)
    except FileNotFoundError:
        raise FileNotFoundError(errno.ENOENT, "there is no such file or folder", url) from None
    except Exception as error:  # each protocol's library has errors of its own
        raise OSError(errno.EIO, _describe(error), url) from None


def _describe(error: Exception) -> str:
    """Return an error's text on one line, without values of secret environment variables."""
    text = " ".join(f"{type(error).__name__}: {error}".split())
    for name, value in os.environ.items():
        if SECRET_NAME.search(name) and len(value) >= SHORTEST_SECRET:
            text = text.replace(value, "...")
    return escape(text)
