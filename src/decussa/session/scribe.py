"""Writes a session's entries, tells those who look on, and knows the session's time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from decussa.model.sweep import Sweep
from decussa.session.clock import Clock, from_text, to_text
from decussa.store.chain import Entry
from decussa.store.journal import Journal
from decussa.store.kinds import Kind
from decussa.store.records import Body, ListenerFailed, Measured

Listener = Callable[[Entry], None]


class Scribe:
    """Puts entries on disk, then tells the listeners: one that fails is noted and dropped; a failing journal is not caught.

    Parameters
    ----------
    journal : Journal
        Where the entries go.
    clock : Clock
        Dates them.
    listeners : sequence of callables
        Hear every entry once it is on disk.
    began : datetime or None
        When the session's first entry was written; None before it is.
    """

    def __init__(self, journal: Journal, clock: Clock, listeners: Sequence[Listener], began: datetime | None) -> None:
        self._journal, self._clock, self._began = journal, clock, began
        self._listeners = list(listeners)

    def write(self, kind: Kind, body: Body, *, sweep: Sweep | None = None, measured: Measured | None = None) -> None:
        """Write an entry; on disk when this returns."""
        entry = self._journal.append(kind, body, at=to_text(self._clock.now()), sweep=sweep, measured=measured)
        if self._began is None:
            self._began = from_text(entry.at)
        self._tell(entry)

    def catch_up(self, entries: Sequence[Entry]) -> None:
        """Let the listeners see what was written before they came."""
        for entry in entries:
            self._tell(entry)

    def seconds(self) -> float:
        """Return the time since the session began."""
        return 0.0 if self._began is None else (self._clock.now() - self._began).total_seconds()

    def in_hours(self, hours: float) -> str:
        """Return the moment in so many hours, as an entry keeps it."""
        return to_text(self._clock.now() + timedelta(hours=hours))

    def _tell(self, entry: Entry) -> None:
        for listener in tuple(self._listeners):
            try:
                listener(entry)
            except Exception as error:  # noqa: BLE001 a guest may fail in any way; the session goes on without it
                self._listeners.remove(listener)
                name = getattr(listener, "__name__", type(listener).__name__)
                self.write("listener failed", ListenerFailed(listener=name, error=f"{type(error).__name__}: {error}"))
