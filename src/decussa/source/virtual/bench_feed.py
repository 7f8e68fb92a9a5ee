"""A virtual person in front of an amplifier, to be looked at before and between pulses: rest, and contractions on request."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel
from decussa.source.live import FeedHealth
from decussa.source.virtual.held import draw_held
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.recorder import RATE_HZ, convert, draw_noise

_PIECE_S = 0.5
_KEPT_S = 30.0
#: Chance for what is no part of a stimulus: beyond every number a stimulus has.
_FIRST = 2 * 10**9


class VirtualFeed:
    """A ``LiveFeed`` that is drawn as it is looked at.

    Parameters
    ----------
    person : VirtualParticipant
        Whose EMG it is; what the feed draws changes nothing of what the person answers to stimuli.
    seconds : callable
        A clock that only goes forward.
    """

    def __init__(self, person: VirtualParticipant, seconds: Callable[[], float] = time.monotonic) -> None:
        self.person, self._seconds = person, seconds
        self._began = seconds() - 2 * _PIECE_S
        self._pieces = 0
        self._kept: NDArray[np.float32] = np.zeros((len(person.channels), 0), dtype=np.float32)
        self._pct, self._only = 0.0, ""
        self._lock = threading.Lock()

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The person's channels."""
        return self.person.channels

    @property
    def rate_hz(self) -> float:
        """The invented recorder's rate."""
        return RATE_HZ

    def contract(self, pct: float, only: str = "") -> None:
        """Let the person contract from now on, in % MVC; ``only`` one muscle, by its label, or all of them."""
        with self._lock:
            if (pct, only) != (self._pct, self._only):
                self._draw()
                self._pct, self._only = pct, only

    def recent_uv(self, seconds: float) -> NDArray[np.float32]:
        """Return the last ``seconds``, shape (n_channels, n_samples), microvolt, newest last."""
        with self._lock:
            self._draw()
            return self._kept[:, -max(round(seconds * RATE_HZ), 1) :].copy()

    def health(self) -> FeedHealth:
        """Say that all is well: nothing of an invented stream is lost."""
        with self._lock:
            self._draw()
            count = round(self._pieces * _PIECE_S * RATE_HZ)
        return FeedHealth(rate_hz=RATE_HZ, silent_s=0.0, samples=count)

    def _draw(self) -> None:
        """Draw what was recorded since this was called last, in whole pieces."""
        due = int((self._seconds() - self._began) / _PIECE_S)
        for piece in range(max(self._pieces, due - round(_KEPT_S / _PIECE_S)), due):
            self._kept = np.concatenate([self._kept, self._piece(_FIRST + piece)], axis=1)
        self._pieces = max(self._pieces, due)
        self._kept = self._kept[:, -round(_KEPT_S * RATE_HZ) :]

    def _piece(self, number: int) -> NDArray[np.float32]:
        count = round(_PIECE_S * RATE_HZ)
        held = draw_held(self.person, self._pct, number, count)
        rows = []
        for row, (pathway, electrodes) in enumerate(zip(self.person.pathways, self.person.electrodes, strict=True)):
            trace = draw_noise(electrodes, count, self.person.rng(number, 51 + row)).astype(np.float64)
            if self._only in ("", pathway.site.channel):
                trace += held[row]
            rows.append(convert(trace, electrodes.rail_uv))
        return np.stack(rows)
