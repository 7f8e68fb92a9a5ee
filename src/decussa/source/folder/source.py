"""The source behind a watched folder: waits for the file of the stimulus that was asked for, and pairs no other with it.

A file is paired when it is the only new sweep since the stimulus was asked for and contradicts nothing. What was there before,
came when nothing was asked for, holds several new sweeps, says something else, or could belong to an earlier stimulus that is
still missing, is set aside with words; the operator then says what became of the stimulus.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.errors import DecussaError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, Recording
from decussa.source.contract import Delivered
from decussa.source.folder.matching import SeenSweeps, difference, is_whole, kept_ms, order_words, words_of
from decussa.source.folder.reading import FoundSweep, read_sweeps
from decussa.source.folder.timing import ClockTie, LateFiles
from decussa.source.folder.watch import FolderWatch


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderSettings:
    """How a folder is watched: how long for the file of one stimulus, how often, and how long a file must stand still.

    A file that did not change for half a second is taken as written (common practice, no source).
    """

    patience_s: float = 60.0
    look_s: float = 0.2
    settle_s: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Time:
    """What the source needs of time: a clock that only goes forward, the time of day in seconds, and a way to wait."""

    steady: Callable[[], float] = time.monotonic
    of_day: Callable[[], float] = time.time
    wait: Callable[[float], None] = time.sleep


class FolderSource:
    """Sweeps out of the files that a recorder saves.

    Parameters
    ----------
    folder : Path
        Where the recorder saves.
    labels : sequence of str
        Channels by muscle and side, such as ``FCR left``; a file that lacks the muscle asked for is not taken.
    read : callable
        From a path to a ``Recording``; raises ``DecussaError`` for a file that cannot be read (yet).
    endings : collection of str
        Endings of the files that count.
    """

    name = "folder"
    can_reach_a_person = True

    def __init__(
        self,
        folder: Path,
        labels: Sequence[str],
        read: Callable[[Path], Recording],
        endings: Collection[str],
        *,
        settings: FolderSettings = FolderSettings(),
        clock: Time = Time(),
    ) -> None:
        self._read, self._settings, self._time = read, settings, clock
        self._given_up = threading.Event()
        self._watch = FolderWatch(folder, endings, clock.steady, settings.settle_s)
        self._channels = tuple(_channel(label) for label in labels)
        self._known = SeenSweeps()
        self._tie = ClockTie()
        self._late = LateFiles(settings.patience_s)
        #: How long after the pulse the last file went on: one that ends earlier is still being written.
        self._after_ms = 0.0
        self._last_file = ""
        self._last: Delivered | None = None
        #: Files that could not be read when the source was opened: what they hold is old, whenever it can be read.
        self._old_unread: set[Path] = set()
        #: Files that stood still half-written when they were last read.
        self._unfinished: set[Path] = set()

    @property
    def channels(self) -> tuple[Channel, ...]:
        """One channel for each muscle; its range is that of the last file."""
        return self._channels

    def __enter__(self) -> Self:
        """Take all that is there already as old."""
        self._watch.look()
        for path in self._watch.in_hand():
            self._old(path)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing needs closing."""

    def skip_to(self, number: int) -> None:
        """What is in the folder is old in any case."""

    def answer(self, request: Ask) -> str | float | None:  # noqa: ARG002
        """Leave the question to the operator."""
        return None

    def deliver(self, request: Deliver, number: int) -> Delivered:
        """Wait for the file of this stimulus; what else came is said."""
        if self._last is not None and self._last.number == number:
            return self._last
        self._given_up.clear()
        said = list(self._set_aside())
        begun_before = self._watch.in_hand() | self._unfinished
        asked = _Asked(request, at=self._time.of_day(), steady=self._time.steady())
        while self._time.steady() < asked.steady + self._settings.patience_s and not self._given_up.is_set():
            for path in self._watch.look():
                taken = self._try(path, asked, said, begun=path in begun_before)
                if taken is not None:
                    self._last = Delivered(number=number, sweep=taken.sweep, said=tuple(dict.fromkeys(said)))
                    return self._last
            self._time.wait(self._settings.look_s)
        self._late.none_came(asked.steady)
        said.append("No file came that is certain to be the one of this stimulus.")
        return Delivered(number=number, said=tuple(dict.fromkeys(said)))

    def give_up(self) -> None:
        """Stop waiting: the operator says that no file will come. Called from another thread."""
        self._given_up.set()

    def _try(self, path: Path, asked: _Asked, said: list[str], *, begun: bool) -> FoundSweep | None:
        """Return the sweep of a file where it is the one that was asked for; else say why it is not."""
        found = self._new_in(path, said)
        if not found:
            return None
        if problem := self._problem(found, asked, begun=begun):
            self._remember(found)
            said.append(f"{path.name} was set aside: {problem}.")
            return None
        self._remember(found)
        self._after_ms = kept_ms(found[0].sweep)
        self._tie.learn(asked.at, self._time.of_day(), found[0].pulse_at)
        if words := order_words(self._last_file, path.name):
            said.append(f"{words}.")
        self._last_file = path.name
        return found[0]

    def _problem(self, found: Sequence[FoundSweep], asked: _Asked, *, begun: bool) -> str:
        """Return why new sweeps of a file are not those of the stimulus asked for; empty where the only one is."""
        if len(found) > 1:
            return f"it holds {len(found)} new sweeps, one was asked for"
        one = found[0]
        if words := difference(one.event, asked.request, one.sweep.rate_hz):
            return words
        if begun:
            return "it was being written before the stimulus was asked for"
        was_after = self._tie.was_after(asked.at, one.pulse_at)
        if was_after is False:
            return "by the recorder's clock its pulse was given before it was asked for"
        if self._late.sets_aside or (was_after is None and self._late.may_be_one(self._time.steady())):
            return "it may be the late file of the stimulus before, and its clock cannot tell"
        return ""

    def _set_aside(self) -> Iterator[str]:
        """Take what came while nothing was asked for as nobody's."""
        strays: list[str] = []
        words: list[str] = []
        for path in self._watch.look():
            if found := self._new_in(path, words):
                self._remember(found)
                strays.append(path.name)
        yield from words
        if strays:
            yield f"{words_of(strays)} came when nothing was asked for, and was set aside."

    def _old(self, path: Path) -> None:
        """Learn the sweeps of a file without pairing them; one that cannot be read is old as it stands."""
        try:
            self._remember(self._sweeps(path))
        except Exception:  # noqa: BLE001 as below
            self._old_unread.add(path)
        self._watch.handled(path)

    def _new_in(self, path: Path, said: list[str]) -> list[FoundSweep]:
        """Return the whole sweeps of a file that no file before held."""
        self._watch.handled(path)  # whatever comes of it, it is read again once it has changed
        try:
            found = self._sweeps(path)
        except Exception as error:  # noqa: BLE001 whatever a reader makes of a half-written file, the session goes on
            why = error.what if isinstance(error, DecussaError) else type(error).__name__
            said.append(f"{path.name} cannot be read as it stands: {why}.")
            self._unfinished.add(path)
            return []
        said[:] = [words for words in said if not words.startswith(f"{path.name} cannot be read")]
        if path in self._old_unread:
            self._old_unread.remove(path)
            self._remember(found)
            return []
        if not found:
            said.append(f"{path.name} holds no stimulus that could be found.")
        fresh = [one for one in found if not self._known.holds(one.sweep)]
        whole = [one for one in fresh if is_whole(one.sweep) and kept_ms(one.sweep) >= 0.98 * self._after_ms]
        self._unfinished.discard(path)
        if fresh and not whole:
            self._unfinished.add(path)
            said.append(
                f"{path.name} cannot be read as it stands: it ends in mid-sweep, or earlier than the files before."
            )
        return whole

    def _remember(self, found: Sequence[FoundSweep]) -> None:
        for one in found:
            self._known.add(one.sweep)

    def _sweeps(self, path: Path) -> list[FoundSweep]:
        """Read the sweeps of a file, with the channels under their labels; ``RecordingError`` where it lacks one."""
        self._channels, found = read_sweeps(self._read(path), self._channels, path)
        return found


@dataclass(frozen=True, slots=True)
class _Asked:
    """A stimulus that is waited for: what, and when it was asked for, by the day's clock and by the steady one."""

    request: Deliver
    at: float
    steady: float


def _channel(label: str) -> Channel:
    muscle, side = muscle_and_side(label)
    return Channel(name=label, kind="emg", rate_hz=0.0, muscle=muscle, side=side)
