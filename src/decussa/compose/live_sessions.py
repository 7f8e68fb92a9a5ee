"""Sessions whose sweeps come by themselves, from live streams or a watched folder: joined for a page that shows the wait."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Literal, Protocol, Self

from decussa.compose.folders import watch_folder
from decussa.compose.looking import read_session
from decussa.compose.rehearsals import rehearsed_person
from decussa.compose.sessions import Outcome, run_in, seed_with_a_person
from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel
from decussa.protocol.schema import read_protocol
from decussa.session.clock import RealClock
from decussa.session.operator import Operator
from decussa.session.recovery import last_start
from decussa.session.scribe import Listener
from decussa.source.contract import Delivered, SeesPulses, Source, Unasked
from decussa.source.live import LiveFeed
from decussa.source.virtual.bench_feed import VirtualFeed
from decussa.store.study import open_study

#: Ways by which sweeps come without being typed.
LiveWay = Literal["folder", "stream"]
#: Hears words from any thread.
Tell = Callable[[str], None]


class PulseWatch(Protocol):
    """Whoever shows that a pulse is waited for."""

    def await_pulse(self, request: Deliver, number: int, give_up: Callable[[], None]) -> None:
        """Stimulus ``number`` is waited for; ``give_up`` ends the wait."""
        ...

    def pulse_over(self) -> None:
        """Nothing is waited for any more."""
        ...


def _nothing() -> None:
    """Nothing is shown of a source but its waits."""


class _Waiting(Source, Protocol):
    """A source that waits, and can be told not to."""

    def give_up(self) -> None: ...


class ShownSource:
    """A source whose waits are shown; ``opened`` is called once it is open, ``closed`` before it closes."""

    def __init__(
        self,
        inner: _Waiting,
        watch: PulseWatch,
        opened: Callable[[], None] = _nothing,
        closed: Callable[[], None] = _nothing,
    ) -> None:
        self._inner, self._watch, self._opened, self._closed = inner, watch, opened, closed
        self.name, self.can_reach_a_person = inner.name, inner.can_reach_a_person

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Those of the source."""
        return self._inner.channels

    def __enter__(self) -> Self:
        """Open the source."""
        self._inner.__enter__()
        self._opened()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the source."""
        self._closed()
        self._inner.__exit__(kind, error, trace)

    def skip_to(self, number: int) -> None:
        """Pass it on."""
        self._inner.skip_to(number)

    def deliver(self, request: Deliver, number: int) -> Delivered | None:
        """Have the wait shown while the source waits."""
        self._watch.await_pulse(request, number, self._inner.give_up)
        try:
            return self._inner.deliver(request, number)
        finally:
            self._watch.pulse_over()

    def answer(self, request: Ask) -> str | float | None:
        """Pass it on."""
        return self._inner.answer(request)

    def unasked(self) -> Sequence[Unasked]:
        """Return what the source saw, where it sees pulses by itself."""
        return self._inner.unasked() if isinstance(self._inner, SeesPulses) else ()


def go_on_live(
    folder: Path,
    session: str,
    way: LiveWay,
    operator: Operator,
    watch: PulseWatch,
    *,
    fresh: bool,
    watched: Path | None = None,
    tell: Tell,
    show_feed: Callable[[LiveFeed | None], None],
    listeners: Sequence[Listener] = (),
) -> Outcome:
    """Begin a session whose sweeps come by themselves, or go on with it; the order of a new one follows from its name.

    Parameters
    ----------
    watched : Path or None
        The folder to watch, where that is the way.
    tell : callable
        Hears, from any thread, what goes wrong with a stream.
    show_feed : callable
        Gets the live feed once it is open, None when it closes; never called where there is none.
    """
    with open_study(folder, write=True) as study:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        seed = seed_with_a_person(study, session)
        if way == "folder":
            source = ShownSource(watch_folder(watched, protocol), watch)
        else:
            from decussa.compose.feeds import StreamFeed
            from decussa.compose.streams import listen

            streams = listen(folder, session, protocol, tell=tell)
            source = ShownSource(streams, watch, lambda: show_feed(StreamFeed(streams)), lambda: show_feed(None))
        return run_in(study, session, source, operator, clock=RealClock(), seed=seed, fresh=fresh, listeners=listeners)


def rehearsal_feed(folder: Path, session: str) -> VirtualFeed:
    """Return the live signal of the virtual person of a rehearsal: what they hold between pulses can be looked at."""
    protocol, entries = read_session(folder, session)
    return VirtualFeed(rehearsed_person(protocol, session, last_start(entries)))
