"""What looks at a stream while it flows: the last seconds of every channel, and how healthy the stream is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedHealth:
    """How a stream fares; NaN is "not known yet".

    Parameters
    ----------
    rate_hz, rate_low_hz, rate_high_hz : float
        Rate measured from the sender's time stamps, with its 95 % interval.
    clock_s, clock_age_s : float
        What is added to the sender's clock to get ours, and how long ago that was measured.
    silent_s : float
        How long no sample has come.
    samples, samples_lost : int
        Samples that came, and samples missing between them.
    stalls, restarts : int
        How often the stream stood still, and how often its sender began anew.
    words : tuple of str
        What is wrong now, each a plain sentence; empty where all is well.
    """

    rate_hz: float = math.nan
    rate_low_hz: float = math.nan
    rate_high_hz: float = math.nan
    clock_s: float = math.nan
    clock_age_s: float = math.nan
    silent_s: float = math.nan
    samples: int = 0
    samples_lost: int = 0
    stalls: int = 0
    restarts: int = 0
    words: tuple[str, ...] = ()


class LiveFeed(Protocol):
    """A stream that can be looked at from any thread."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """EMG channels first, then trigger and torque, each where there is one (kinds ``trigger``, ``other``)."""
        ...

    @property
    def rate_hz(self) -> float:
        """Rate of what ``recent_uv`` returns."""
        ...

    def recent_uv(self, seconds: float) -> NDArray[np.float32]:
        """Return the last ``seconds``, shape (n_channels, n_samples), newest last.

        EMG in microvolt, other channels in their own unit; NaN where samples were lost. Shorter where less has come yet.
        """
        ...

    def health(self) -> FeedHealth:
        """Say how the stream fares."""
        ...


@runtime_checkable
class InventedFeed(Protocol):
    """A feed whose person may be an invented one, who hears what the operator would say."""

    def hold(self, pct: float) -> None:
        """Have a contraction held from now on, in % MVC; a real person hears it from the operator alone."""
        ...
