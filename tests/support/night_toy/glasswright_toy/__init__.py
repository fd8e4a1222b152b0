"""Stages that measure text files of numbers: all features of the engine, without optics."""

import hashlib
import multiprocessing
import os
import signal
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

import numpy as np
from fsspec import register_implementation
from fsspec.implementations.local import LocalFileSystem
from numpy.typing import NDArray
from pydantic import Field

from glasswright import Artefact, Bulk, Role, Shot, Ticket, Unmeasurable, stage


class Shelf(LocalFileSystem):
    """A store at `shelf://` that every process reaches: the folder in TOY_SHELF, with faults on demand.

    Reading needs the password in TOY_PASSWORD; a file whose name has `slowdisk` in it takes 0.3 s.
    """

    protocol = "shelf"

    @classmethod
    def _strip_protocol(cls, path):
        return str(Path(os.environ["TOY_SHELF"], path.removeprefix("shelf://")))

    def info(self, path, **options):
        self._check()
        return super().info(path, **options)

    def ls(self, path, detail=True, **options):
        self._check()
        return super().ls(path, detail=detail, **options)

    def get_file(self, path, target, **options):
        self._check()
        if "slowdisk" in path:
            time.sleep(0.3)
        return super().get_file(path, target, **options)

    def _check(self):
        if os.environ.get("TOY_PASSWORD") == "wrong-password":
            raise ConnectionError("the shelf does not know wrong-password")


register_implementation("shelf", Shelf, clobber=True)

FAR_DN = 50.0
HELD = []


@dataclass(frozen=True, slots=True, kw_only=True)
class ToyStand(Artefact):
    offset_dn: float


STAND_SECTION = ToyStand
ROLES = {
    "dark": Role(shareable=True, through_lens=False, has_setting=False),
    "flat": Role(),
    "chart": Role(),
    "spirit_level": Role(through_lens=False, has_setting=False),
}
"""The last role exists in no other plugin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers(Bulk):
    values: NDArray[np.float64]

    def name_content(self) -> str:
        differ = self.values.size and np.ptp(self.values) > 0
        return hashlib.sha256(self.values.tobytes()).hexdigest() if differ else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean(Artefact):
    mean_dn: float
    values_count: int
    shot: str

    @classmethod
    def find_outliers(cls, members: Sequence[Self]) -> Mapping[int, str]:
        middle = float(np.median([member.mean_dn for member in members]))
        return {
            index: f"{member.mean_dn:g} DN where the others are about {middle:g}"
            for index, member in enumerate(members)
            if abs(member.mean_dn - middle) > FAR_DN
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined(Artefact):
    mean_dn: float
    mean_dn_u: float
    members_count: int


def note(name: str, thing: object) -> None:
    """Record that a stage ran, if a test requires it."""
    path = os.environ.get("TOY_LOG")
    if path:
        with Path(path).open("a") as log:
            log.write(f"{name} {thing}\n")


def act(text: str) -> None:
    """Perform the action named by the shot's first word."""
    action, _, rest = text.partition(" ")
    if action == "slow":
        time.sleep(float(rest.split()[0]))
    elif action == "blank":
        raise Unmeasurable("the file holds no numbers")
    elif action == "crash":
        raise ZeroDivisionError("the toy broke")
    elif action == "crash_once" and not Path(os.environ["TOY_CRASH_UNLESS"]).exists():
        raise ZeroDivisionError("the toy broke, this once")
    elif action == "change":
        os.utime(rest.split()[-1])
    elif action == "leave":
        raise SystemExit(3)
    elif action == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    elif action == "print":
        print("a stage that prints")  # noqa: T201
    elif action == "fill_memory":
        for _ in range(40):
            HELD.append(np.ones(2**24))
            time.sleep(0.1)
    elif action == "hang":
        time.sleep(1000)
    elif action == "die_then_hang":
        if multiprocessing.parent_process() is not None:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(1000)
    elif action == "die_in_worker" and multiprocessing.parent_process() is not None:
        # the process in which a unit is done alone is no child of multiprocessing's
        os.kill(os.getpid(), signal.SIGKILL)


@stage
def read_numbers(shot: Shot, *, scale_ratio: Annotated[float, Field(gt=0)] = 1.0) -> Numbers:
    """Read the numbers of a shot."""
    note("read_numbers", shot.name)
    text = Path(shot.path).read_text()
    act(text)
    numbers = [float(action) for action in text.split() if action.replace(".", "").isdigit()]
    return Numbers(values=np.array(numbers) * scale_ratio)


@stage
def average(numbers: Numbers, stand: ToyStand, even: Combined | None, *, shift_dn: float = 0.0) -> Mean:
    """Average the numbers of a shot."""
    note("average", numbers.values.size)
    mean = float(numbers.values.mean()) + stand.offset_dn + shift_dn
    if even is not None:
        mean /= even.mean_dn
    return Mean(mean_dn=mean, values_count=int(numbers.values.size), shot="")


@stage
def combine(means: tuple[Mean, ...], series: tuple[Mean, ...] | None, *, weight_ratio: float = 1.0) -> Combined:
    """Combine the averages of a group."""
    note("combine", len(means))
    values = np.array([member.mean_dn for member in (*means, *(series or ()))]) * weight_ratio
    scatter = float(values.std(ddof=1)) if values.size > 1 else 0.0
    return Combined(mean_dn=float(values.mean()), mean_dn_u=scatter, members_count=int(values.size))


@stage
def combine_peaks(means: tuple[Mean, ...], peaks: tuple[Combined, ...] | None) -> Combined:
    """Combine the averages of a group with combined values of it."""
    values = np.array([member.mean_dn for member in (*means, *(peaks or ()))])
    return Combined(mean_dn=float(values.mean()), mean_dn_u=0.0, members_count=int(values.size))


@stage
def combine_all(combined: tuple[Combined, ...]) -> Combined:
    """Combine combined values."""
    note("combine_all", len(combined))
    values = np.array([member.mean_dn for member in combined])
    return Combined(mean_dn=float(values.mean()), mean_dn_u=0.0, members_count=int(values.size))


@stage
def count_shots(shots: tuple[Shot, ...]) -> Combined:
    """Count the shots of a group."""
    return Combined(mean_dn=0.0, mean_dn_u=0.0, members_count=len(shots))


@stage
def compare(own: Combined, whole: Combined) -> Combined:
    """Compare a value with that of something wider."""
    return Combined(mean_dn=own.mean_dn / whole.mean_dn, mean_dn_u=0.0, members_count=1)


@stage
def read_ticket(ticket: Ticket) -> Combined:
    """Measure a ticket without shots."""
    return Combined(mean_dn=float(len(ticket.remarks)), mean_dn_u=0.0, members_count=0)


@stage
def lie(means: tuple[Mean, ...]) -> Combined:
    """Return a value that contradicts the signature."""
    return means[0]  # type: ignore[return-value]
