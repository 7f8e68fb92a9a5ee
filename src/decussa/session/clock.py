"""Time for a session: the real one, or one that runs as fast as it is asked to."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Says what time it is and waits."""

    def now(self) -> datetime:
        """Return the time, UTC."""
        ...

    def wait(self, seconds: float) -> None:
        """Return after ``seconds``."""
        ...


class RealClock:
    """The clock on the wall."""

    def now(self) -> datetime:
        """Return the time, UTC."""
        return datetime.now(UTC)

    def wait(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(max(0.0, seconds))


class VirtualClock:
    """A clock that is moved by waiting on it: intervals are recorded, not waited for."""

    def __init__(self, start: datetime) -> None:
        self._now = start

    def now(self) -> datetime:
        """Return the time it was moved to."""
        return self._now

    def wait(self, seconds: float) -> None:
        """Move on by ``seconds``."""
        self._now += timedelta(seconds=max(0.0, seconds))


def to_text(moment: datetime) -> str:
    """Return a moment as the journal keeps it: ISO 8601, UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def from_text(text: str) -> datetime:
    """Return the moment a journal entry names."""
    return datetime.fromisoformat(text)
