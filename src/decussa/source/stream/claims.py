"""Whose pulse is it: that of the stimulus that waits for one, or of none. Its user holds the lock that the devices share."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from decussa.source.contract import Unasked
from decussa.source.cutter import Cut, LoneArtifact
from decussa.source.stream.device import DeviceFeed
from decussa.source.stream.keeper import Tell

#: Nobody answers faster: a pulse that comes sooner after a stimulus was asked for was given before.
SOONEST_S = 0.15
#: Samples are on their way for no longer than this while they flow.
_UNDER_WAY_S = 0.5
#: An artifact without a trigger is a pulse where it is this part of the usual one, known from so many pulses.
_LIKE_USUAL = 0.3
_FEWEST_ARTIFACTS = 3


@dataclass(slots=True)
class Asked:
    """A stimulus that is waited for: pulses count from a sample on."""

    number: int
    first: int
    cut: Cut | None = None
    has_lone: bool = False


class Claims:
    """Gives what the first device shows to the stimulus that waits, or says that it was not asked for.

    Parameters
    ----------
    feed : DeviceFeed
        The device by which pulses are told.
    tell : callable
        Hears of what was not asked for.
    stall_s : float
        Silence after which what comes may be as old as the silence.
    """

    def __init__(self, feed: DeviceFeed, tell: Tell, stall_s: float) -> None:
        self._feed, self._tell, self._stall_s = feed, tell, stall_s
        self._asked: Asked | None = None
        #: Of pulses that were not asked for: how many together, and the sample of the last.
        self._unasked: list[tuple[int, int]] = []
        self._artifacts_uv: deque[float] = deque(maxlen=20)

    def ask(self, number: int) -> Asked:
        """Wait for the pulse of a stimulus from now on; what comes is written into what is returned."""
        self._asked = Asked(number, self._first_answer())
        return self._asked

    def end(self) -> None:
        """Wait for nothing any more."""
        self._asked = None

    def learn(self, cut: Cut) -> None:
        """Learn from the pulse of a stimulus how large an artifact usually is."""
        if math.isfinite(cut.artifact_uv):
            self._artifacts_uv.append(cut.artifact_uv)

    def hear(self, one: Cut | LoneArtifact) -> None:
        """Give a pulse to the stimulus that waits for it, or say that it was not asked for."""
        asked = self._asked
        if isinstance(one, LoneArtifact):
            if self._is_pulse(one):
                self._feed.note(one.sample, "artifact without trigger")
                if asked is not None and one.sample >= asked.first:
                    asked.has_lone = True
                else:
                    self._tell("The EMG shows what looks like a pulse, without a trigger, while none was asked for.")
            return
        if asked is not None and asked.cut is None and one.pulses[0] >= asked.first:
            asked.cut = one
            return
        self._feed.note(one.pulses[0], "pulse, not asked for")
        self._unasked.append((len(one.pulses), one.pulses[-1]))
        self._tell(_unasked(one, asked))

    def take_unasked(self) -> tuple[Unasked, ...]:
        """Return the pulses that were not asked for, and forget them."""
        feed, seen = self._feed, self._unasked
        self._unasked = []
        end = feed.cutter.ring.end
        return tuple(Unasked(pulses=count, ago_s=(end - at) / feed.rate_hz + feed.silent_s) for count, at in seen)

    def _is_pulse(self, lone: LoneArtifact) -> bool:
        if len(self._artifacts_uv) < _FEWEST_ARTIFACTS:
            return False
        return lone.size_uv >= _LIKE_USUAL * float(np.median(self._artifacts_uv))

    def _first_answer(self) -> int:
        """Return the number of the first sample that can answer what is asked now: what is under way was taken before."""
        feed = self._feed
        late_s = feed.late_s()
        under_way = min(max(late_s, 0.0), _UNDER_WAY_S) if math.isfinite(late_s) else 0.0
        if feed.silent_s > self._stall_s:
            under_way = max(under_way, feed.silent_s)
        return feed.cutter.ring.end + math.ceil((under_way + SOONEST_S) * feed.rate_hz)


def _unasked(cut: Cut, asked: Asked | None) -> str:
    many = f"{len(cut.pulses)} pulses were" if len(cut.pulses) > 1 else "A pulse was"
    if asked is None or asked.cut is not None:
        return f"{many} given while none was asked for. No stimulus gets the sweep; it counts as given."
    return f"{many} given before stimulus {asked.number} was asked for. It is not its answer; it counts as given."
