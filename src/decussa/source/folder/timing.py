"""What time tells of a file: whether its pulse was given after it was asked for, and whether it may be a late one."""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Clocks of two machines may be read to a second each (EDF keeps whole seconds).
CLOCK_SLACK_S = 2.0


@dataclass(slots=True)
class ClockTie:
    """Between which bounds the recorder's clock is ahead of ours, from files that nobody doubts.

    A pulse was given after it was asked for and before its file was seen: each certain file narrows the bounds. A clock that does
    not go along with ours, or starts each file at the same moment, leaves none and is not believed from then on.
    """

    _least_s: float = -math.inf
    _most_s: float = math.inf
    _files: int = 0

    def learn(self, asked_at: float, seen_at: float, pulse_at: float) -> None:
        """Take in a stimulus whose file is certain; times in seconds, the last by the recorder's clock (NaN: not known)."""
        if math.isfinite(pulse_at):
            self._least_s = max(self._least_s, pulse_at - seen_at)
            self._most_s = min(self._most_s, pulse_at - asked_at)
            self._files += 1

    def was_after(self, asked_at: float, pulse_at: float) -> bool | None:
        """Return whether a pulse was given after it was asked for; None where the clock cannot tell."""
        if self._files < 2 or self._least_s > self._most_s + CLOCK_SLACK_S or not math.isfinite(pulse_at):
            return None
        earliest, latest = pulse_at - self._most_s, pulse_at - self._least_s
        if latest < asked_at - CLOCK_SLACK_S:
            return False
        return True if earliest >= asked_at - CLOCK_SLACK_S else None


class LateFiles:
    """Stimuli whose file did not come: a file without a clock may then be theirs, in whatever order files come.

    A stimulus stays open for twice the time a file is waited for. While one is open every file without a clock is set aside; the
    stimulus that was asked for meanwhile gets none (``sets_aside``), and is not open in its turn, or one loss would never end.
    """

    def __init__(self, patience_s: float) -> None:
        self._stays_s = 2 * patience_s
        self._open: list[float] = []
        self.sets_aside = False

    def none_came(self, asked_s: float) -> None:
        """Note that the wait for a stimulus asked for at ``asked_s`` is over, without its file."""
        if not self.sets_aside:
            self._open.append(asked_s)
        self.sets_aside = False

    def may_be_one(self, now_s: float) -> bool:
        """Return whether a file that came now may be a late one; it is then taken as set aside."""
        self._open = [asked_s for asked_s in self._open if now_s - asked_s < self._stays_s]
        self.sets_aside |= bool(self._open)
        return bool(self._open)
