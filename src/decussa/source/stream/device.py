"""One device: its samples in order, whatever happens on their way. Gaps, stalls and a new start are seen, said, survived."""

from __future__ import annotations

import math
import time
from contextlib import AbstractContextManager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel
from decussa.model.sweep import SamplesUv
from decussa.source.cutter import AFTER_MS, LONG_AFTER_MS, Cut, Cutter, LoneArtifact
from decussa.source.live import FeedHealth
from decussa.source.stream.choice import Device
from decussa.source.stream.keeper import Keeper, Tell
from decussa.source.stream.library import Found, Lookout, SampleInlet, StreamLostError, now_s
from decussa.source.stream.settings import Marks, StreamSettings
from decussa.source.stream.settling import Settling, fill_gaps
from decussa.source.stream.stamps import SETTLE_S, Stamps

Lock = AbstractContextManager[Any]

#: A rate this far from the announced one is used in its place, where its interval excludes the announced one.
RATE_LIES = 0.002
#: Losses are summed up this often; a sender that is gone is looked for this often.
_SUM_UP_S = 10.0
_LOOK_EVERY_S = 1.0


class DeviceFeed:
    """Follows one stream.

    Parameters
    ----------
    found : Found
        The stream.
    device : Device
        Which of its channels are used.
    settings : StreamSettings
        Silence that counts as a stall, seconds to keep.
    tell : callable
        Hears what goes wrong, in words.
    lock : lock
        Held while samples are taken, so that others can look at them.
    marks : str
        What a mark of a pulse stands for.
    from_artifact : bool
        Whether pulses are found from the artifact.
    keeper : Keeper, optional
        Keeps the stream whole.
    """

    def __init__(
        self,
        found: Found,
        device: Device,
        settings: StreamSettings,
        *,
        tell: Tell,
        lock: Lock,
        marks: Marks = "every pulse",
        from_artifact: bool = False,
        keeper: Keeper | None = None,
    ) -> None:
        self.device, self._settings, self._tell, self._lock, self._keeper = device, settings, tell, lock, keeper
        self.name = device.stream.name
        kinds = [wired.channel.kind for wired in device.wired]
        self._rows = [wired.row for wired in device.wired]
        self._factors = np.array([[wired.factor] for wired in device.wired], dtype=np.float32)
        self.emg_rows = tuple(row for row, kind in enumerate(kinds) if kind == "emg")
        self.trigger_row = kinds.index("trigger") if "trigger" in kinds else -1
        self.torque_row = kinds.index("other") if "other" in kinds else -1
        self.rate_hz = device.stream.rate_hz
        self.cutter = Cutter(
            len(self._rows),
            self.rate_hz,
            emg_rows=self.emg_rows,
            trigger_row=self.trigger_row,
            trigger_level=settings.trigger.level,
            from_artifact=from_artifact,
            after_ms=LONG_AFTER_MS if marks == "first pulse" else AFTER_MS,
            keep_s=settings.keep_s,
        )
        self._settling = Settling(self.rate_hz)
        self.clock_s, self._clock_at = math.nan, math.nan
        self.lost = self.stalls = self.restarts = 0
        self._stalled = self._doubted = False
        self._arrived = time.monotonic()
        self._lost_told, self._told_at, self._looked = 0, -math.inf, -math.inf
        self._lookout: Lookout | None = None
        self._uid = found.description.uid
        self._inlet: SampleInlet | None = SampleInlet(found)

    def pull(self) -> list[Cut | LoneArtifact]:
        """Take what came and return what became complete; a sender that is gone is looked for."""
        if self._inlet is None:
            return self._look_again()
        try:
            samples, stamps = self._inlet.pull()
        except StreamLostError:
            self._gone()
            return []
        if stamps.size == 0:
            self._is_silent()
            return []
        self._flows()
        with self._lock:
            return self.take(samples[:, self._rows].T * self._factors, stamps, now_s())

    def take(self, samples: SamplesUv, stamps: NDArray[np.float64], arrived_s: float) -> list[Cut | LoneArtifact]:
        """Take a piece of the channels that are used, shape (n_channels, n), in the units inside."""
        pieces = self._settling.pass_on((samples, stamps, arrived_s))
        return [one for piece in pieces for one in self._take(*piece)]

    @property
    def stamps(self) -> Stamps:
        """What the time stamps say."""
        return self._settling.stamps

    @property
    def settled(self) -> bool:
        """Whether what comes is passed on: enough was seen to tell gaps."""
        return self._settling.is_over

    def _take(self, samples: SamplesUv, stamps: NDArray[np.float64], arrived_s: float) -> list[Cut | LoneArtifact]:
        taken = self.stamps.take(stamps, arrived_s)
        if taken.jump_s:
            self._tell(
                f"{self.name}: the sender's clock was set by {1e3 * taken.jump_s:+.0f} ms. No sample is missing."
            )
        if taken.gaps:
            self._lose(sum(gap.missing for gap in taken.gaps))
        if not self._doubted and self.stamps.taken * self.stamps.step_s >= SETTLE_S:
            self._doubted = True
            self._doubt_rate()
        return self._feed(*fill_gaps(samples, taken, self.cutter.ring.capacity))

    def _feed(self, samples: SamplesUv, stamps: NDArray[np.float64]) -> list[Cut | LoneArtifact]:
        if self._keeper is not None:
            self._keeper.write(samples)
        return self.cutter.feed(samples, stamps)

    def _lose(self, missing: int) -> None:
        self.lost += missing
        self._lost_told += missing
        if time.monotonic() - self._told_at >= _SUM_UP_S:
            self._told_at = time.monotonic()
            share = 100 * self.lost / (self.lost + self.stamps.taken)
            self._tell(f"{self.name}: {self._lost_told} samples were lost on their way, {share:.2g} % so far.")
            self._lost_told = 0

    def _doubt_rate(self) -> None:
        announced, rate = self.rate_hz, self.stamps.rate()
        if abs(rate.value / announced - 1) > RATE_LIES and not rate.low <= announced <= rate.high:
            self.rate_hz = rate.roundest
            self._tell(
                f"{self.name}: announces {announced:g} Hz, but {self.rate_hz:.1f} Hz come "
                f"({rate.low:.1f} to {rate.high:.1f}). Times are reckoned with {self.rate_hz:.7g} Hz."
            )

    def _is_silent(self) -> None:
        if not self._stalled and self.silent_s > self._settings.stall_s:
            self._stalled = True
            self.stalls += 1
            self._tell(f"{self.name}: no sample for {self.silent_s:.1f} s. Waiting; nothing is lost yet.")

    def _flows(self) -> None:
        if self._stalled:
            self._tell(f"{self.name}: flows again after {self.silent_s:.1f} s.")
        self._stalled = False
        self._arrived = time.monotonic()

    def _gone(self) -> None:
        self._tell(f"{self.name}: the sender is gone. Looking for it; the session waits.")
        self.close_inlet()
        self._lookout = Lookout()

    def _look_again(self) -> list[Cut | LoneArtifact]:
        """Look for the sender that is gone; return what the hole it left completes."""
        if self._lookout is None or not self._lookout.is_sure or time.monotonic() - self._looked < _LOOK_EVERY_S:
            return []
        self._looked = time.monotonic()
        fits = [
            found
            for found in self._lookout.see()
            if found.description.uid != self._uid and found.description.is_same_sender(self.device.stream)
        ]
        if len(fits) > 1:
            hosts = ", ".join(found.description.words for found in fits)
            self._tell(f"{self.name}: {len(fits)} senders fit ({hosts}). None is taken: stop all but one.")
        if len(fits) != 1:
            return []
        try:
            self._inlet = SampleInlet(fits[0])
        except StreamLostError:
            return []
        self._lookout, self._uid = None, fits[0].description.uid
        silent_s = self.silent_s
        self.restarts += 1
        self._stalled = False
        self._arrived = time.monotonic()
        self._tell(f"{self.name}: the sender is back after {silent_s:.1f} s. What lies between is missing.")
        with self._lock:
            return self._bridge(silent_s)

    def _bridge(self, seconds: float) -> list[Cut | LoneArtifact]:
        """Leave a hole as long as nothing came; its times go on from the last."""
        ring = self.cutter.ring
        missing = min(math.ceil(seconds * self.rate_hz), ring.capacity)
        start = ring.stamp(ring.end - 1) if ring.end else 0.0
        samples = np.full((len(self._rows), missing), np.nan, dtype=np.float32)
        self.stamps.begin_anew()
        return self._feed(samples, start + np.arange(1, missing + 1) / self.rate_hz)

    def set_clock(self) -> None:
        """Measure what is added to the sender's clock; the last value stays where that fails."""
        inlet = self._inlet
        correction = None if inlet is None else inlet.correction(1.0)
        if correction is not None:
            self.clock_s, self._clock_at = correction, time.monotonic()

    @property
    def silent_s(self) -> float:
        """How long no sample has come."""
        return time.monotonic() - self._arrived

    @property
    def emg_channels(self) -> tuple[Channel, ...]:
        """The EMG channels, in the order of ``emg_rows``."""
        return tuple(self.device.wired[row].channel for row in self.emg_rows)

    def at(self, ours_s: float) -> int:
        """Return the number of the sample that was taken at a moment of our clock."""
        return self.cutter.ring.at(ours_s - (0.0 if math.isnan(self.clock_s) else self.clock_s))

    def taken_s(self, sample: int) -> float:
        """Return when a sample was taken, by our clock; NaN where it is no longer kept or the clocks were not compared yet."""
        return self.cutter.ring.stamp(sample) + self.clock_s

    def late_s(self) -> float:
        """Return how old the newest sample is by the clocks; NaN where they do not tell."""
        return now_s() - self.taken_s(self.cutter.ring.end - 1)

    def note(self, sample: int, text: str) -> None:
        """Keep words about a sample with the stream that is kept."""
        if self._keeper is not None:
            self._keeper.note(sample, text)

    def health(self) -> FeedHealth:
        """Say how the stream fares."""
        rate = self.stamps.rate()
        return FeedHealth(
            rate_hz=rate.value,
            rate_low_hz=rate.low,
            rate_high_hz=rate.high,
            clock_s=self.clock_s,
            clock_age_s=time.monotonic() - self._clock_at,
            silent_s=self.silent_s,
            samples=self.stamps.taken,
            samples_lost=self.lost,
            stalls=self.stalls,
            restarts=self.restarts,
            words=tuple(self._words()),
        )

    def _words(self) -> list[str]:
        words = []
        if self._inlet is None:
            words.append(f"{self.name}: the sender is gone since {self.silent_s:.0f} s. Start it again.")
        elif self._stalled:
            words.append(f"{self.name}: no sample for {self.silent_s:.1f} s. Look at amplifier and network.")
        if self.rate_hz != self.device.stream.rate_hz:
            words.append(f"{self.name}: announces {self.device.stream.rate_hz:g} Hz, sends {self.rate_hz:g} Hz.")
        recent = self.cutter.ring.read(self.cutter.ring.end - round(self.rate_hz), self.cutter.ring.end)
        flat = [
            channel.name for channel, row in zip(self.emg_channels, self.emg_rows, strict=True) if is_flat(recent[row])
        ]
        if flat:
            words.append(f"{', '.join(flat)}: flat. Look at lead and amplifier.")
        return words

    def close_inlet(self) -> None:
        """Let the stream go."""
        if self._inlet is not None:
            self._inlet.close()
            self._inlet = None

    def close(self) -> None:
        """Let the stream go and end its file."""
        self.close_inlet()
        if self._keeper is not None:
            self._keeper.close()


def is_flat(samples: SamplesUv) -> bool:
    """Whether samples came, and none differed from the next."""
    known = samples[np.isfinite(samples)]
    return known.size > 1 and bool(known.min() == known.max())
