"""The bench before the first pulse: looks at a live feed for a study, one check after the other, and keeps the last of each."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.recording import Channel
from decussa.protocol.schema import Protocol
from decussa.quality.clock_check import check_rate, check_trigger
from decussa.quality.contraction_check import check_contraction
from decussa.quality.finding import Finding
from decussa.quality.signal_check import CheckLimits, Lead, check_rest
from decussa.quality.stretches import stretch_rms
from decussa.recording.trigger import rising_edges
from decussa.source.live import LiveFeed

#: How much signal is judged: at rest, in a contraction; and how long a level is worked out over, in s.
REST_S, CONTRACTION_S, LEVEL_S = 5.0, 2.0, 0.5
#: So many arrivals are remembered for the sampling rate.
_ARRIVALS = 2000


class SignalBench:
    """What was looked at so far.

    Parameters
    ----------
    feed : LiveFeed
        What is looked at.
    protocol : Protocol
        Which muscles are wanted, with the limit of each at rest.
    seconds : callable
        A clock that only goes forward.
    """

    def __init__(self, feed: LiveFeed, protocol: Protocol, seconds: Callable[[], float] = time.monotonic) -> None:
        self.feed, self.protocol, self._seconds = feed, protocol, seconds
        self.findings: dict[tuple[str, str], Finding] = {}
        self._rest: NDArray[np.float32] | None = None
        self._arrivals: list[tuple[float, int]] = []
        self._firing_since: float | None = None

    @property
    def muscles(self) -> tuple[str, ...]:
        """The EMG channels of the feed, by label."""
        return tuple(channel.name for channel in self.feed.channels if channel.kind == "emg")

    @property
    def has_trigger(self) -> bool:
        """Whether the feed has a trigger channel."""
        return any(channel.kind == "trigger" for channel in self.feed.channels)

    @property
    def is_firing(self) -> bool:
        """Whether pulses are being fired for the trigger check."""
        return self._firing_since is not None

    def found(self) -> tuple[Finding, ...]:
        """Return the last finding of every check."""
        return tuple(self.findings.values())

    def glance(self) -> Mapping[str, float]:
        """Return the level of each muscle now, RMS in µV (NaN: not known), and note what has arrived."""
        health = self.feed.health()
        self._arrivals = [*self._arrivals[-_ARRIVALS:], (self._seconds(), health.samples)]
        recent = self._emg(LEVEL_S)
        levels = {}
        for name, trace in zip(self.muscles, recent, strict=True):
            finite = trace[np.isfinite(trace)]
            levels[name] = float(finite.std()) if finite.size > 1 else float("nan")
        return levels

    def look_at_rest(self) -> tuple[Finding, ...]:
        """Check every channel on the last seconds, in which the participant was at rest, and the sampling rate."""
        self._rest = self._emg(REST_S)
        leads = [
            Lead(name=channel.name, low_uv=channel.low_uv, high_uv=channel.high_uv, limits=self._limits(channel.name))
            for channel in self.feed.channels
            if channel.kind == "emg"
        ]
        for key in [key for key in self.findings if key[1] in self.muscles]:
            del self.findings[key]  # what was found of leads no longer counts once they were touched
        found = (*check_rest(self._rest.astype(np.float64), self.feed.rate_hz, leads), self._look_at_rate())
        return self._keep(*found)

    def look_at_contraction(self, muscle: str) -> Finding:
        """Check that the channel of a muscle rises while the participant contracts it, against the rest that was looked at.

        Raises
        ------
        UsageError
            If there is no such channel, or rest was not looked at before.
        """
        if muscle not in self.muscles:
            raise UsageError("there is no such channel", expected=", ".join(self.muscles), found=repr(muscle))
        if self._rest is None:
            raise UsageError("rest was not looked at yet", do="look at all channels at rest first")
        now = self._emg(CONTRACTION_S).astype(np.float64)
        found = check_contraction(self._rest.astype(np.float64), now, self.feed.rate_hz, self.muscles, muscle)
        return self._keep(found)[0]

    def begin_firing(self) -> None:
        """Count the marks of the trigger channel from now on.

        Raises
        ------
        UsageError
            If the feed has no trigger channel.
        """
        if not self.has_trigger:
            raise UsageError("the feed has no trigger channel", do="choose one under [trigger] in streams.toml")
        self._firing_since = self._seconds()

    def look_at_trigger(self, fired: int) -> Finding:
        """Check that every pulse that was fired into the air since ``begin_firing`` left one mark."""
        if self._firing_since is None:
            raise UsageError("nobody said that firing begins", do="begin the trigger check, then fire")
        since = self._seconds() - self._firing_since
        self._firing_since = None
        row = next(row for row, channel in enumerate(self.feed.channels) if channel.kind == "trigger")
        levels = np.nan_to_num(self.feed.recent_uv(since)[row])
        onsets_s = rising_edges(levels) / self.feed.rate_hz
        return self._keep(check_trigger(list(onsets_s), fired))[0]

    def _look_at_rate(self) -> Finding:
        clock = np.array([at for at, _ in self._arrivals])
        counts = np.array([count for _, count in self._arrivals])
        return check_rate(clock, counts, self.feed.rate_hz)

    def _emg(self, seconds: float) -> NDArray[np.float32]:
        return self.feed.recent_uv(seconds)[: len(self.muscles)]

    def _limits(self, label: str) -> CheckLimits:
        limit = next((one.rest_limit_uv for one in self.protocol.muscles if one.label == label), CheckLimits().rest_uv)
        return replace(CheckLimits(), rest_uv=limit, careful_uv=min(CheckLimits().careful_uv, limit))

    def _keep(self, *findings: Finding) -> tuple[Finding, ...]:
        for finding in findings:
            self.findings[finding.check, finding.channel] = finding
        return findings


def level_uv(feed: LiveFeed, muscle: str, seconds: float = LEVEL_S) -> float:
    """Return the RMS about the mean of a muscle over the last ``seconds`` in µV; NaN where it is not known."""
    for row, channel in enumerate(feed.channels):
        if channel.name == muscle:
            levels = stretch_rms(feed.recent_uv(seconds)[row], feed.rate_hz, 1e3 * seconds * 0.98)
            return float(levels[-1]) if levels.size else float("nan")
    return float("nan")


def torque_channel(feed: LiveFeed) -> tuple[int, Channel] | None:
    """Return row and channel of the torque; None where a live signal has none."""
    return next(((row, channel) for row, channel in enumerate(feed.channels) if channel.kind == "other"), None)


def torque_level(feed: LiveFeed, seconds: float = LEVEL_S) -> tuple[float, float]:
    """Return mean and standard deviation of the torque over the last ``seconds``; NaN where none came or some is missing."""
    torque = torque_channel(feed)
    recent = feed.recent_uv(seconds)[torque[0]] if torque is not None else np.empty(0)
    return (float(recent.mean()), float(recent.std())) if recent.size else (math.nan, math.nan)
