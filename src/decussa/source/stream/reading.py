"""What a cut says about the stimulus that was asked for: its sweep, and what speaks against it. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

import numpy as np

from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.quality.live_delivery import SeenPulses
from decussa.source.cutter import Cut
from decussa.source.stream.device import is_flat
from decussa.source.stream.settings import Marks

#: A sweep begins this long before the first pulse and ends this long after the test pulse.
BEFORE_MS = 150.0
AFTER_MS = 450.0
#: Lags that are remembered.
_LAGS = 50


def find_test_pulse(cut: Cut, stimulus: Stimulus, marks: Marks, rate_hz: float) -> tuple[int, float]:
    """Return the sample nearest to the test pulse's onset, and the onset minus that sample's time in ms.

    ``marks`` says what a pulse in the cut stands for: every pulse, or only the first or the last of the stimulus.
    """
    paired = math.isfinite(stimulus.isi_ms)
    if marks == "first pulse" and paired:
        at = cut.pulses[0] + stimulus.isi_ms * rate_hz / 1e3
        return round(at), (at - round(at)) * 1e3 / rate_hz
    if paired and marks == "every pulse":
        return cut.pulses[min(1, len(cut.pulses) - 1)], 0.0
    return cut.pulses[0], 0.0


def sweep_around(
    cut: Cut,
    test: int,
    shift_ms: float,
    stimulus: Stimulus,
    rate_hz: float,
    rows: Sequence[int],
    channels: Sequence[Channel],
) -> Sweep:
    """Return the sweep from 150 ms before the first pulse to 450 ms after the test pulse; NaN where nothing was recorded.

    ``test`` and ``shift_ms`` are what ``find_test_pulse`` returned.
    """
    onset = math.ceil((BEFORE_MS - stimulus.pulses[0].at_ms) * rate_hz / 1e3 - 1e-9)
    count = onset + round(AFTER_MS * rate_hz / 1e3)
    samples = np.full((len(rows), count), np.nan, dtype=np.float32)
    start = test - onset - cut.first
    low, high = max(start, 0), min(start + count, cut.samples.shape[1])
    samples[:, low - start : high - start] = cut.samples[list(rows), low:high]
    return Sweep(
        samples_uv=samples,
        rate_hz=rate_hz,
        onset_sample=onset,
        channels=tuple(channel.name for channel in channels),
        shift_ms=shift_ms,
    )


class Lags:
    """How long after its trigger the artifact of each pulse came, in ms: the history, newest last."""

    def __init__(self) -> None:
        self.history_ms: list[float] = []

    @property
    def usual_ms(self) -> float:
        """The median lag; NaN before the first."""
        return statistics.median(self.history_ms) if self.history_ms else math.nan

    def add(self, lag_ms: float) -> None:
        """Remember a lag; NaN is nothing."""
        if math.isfinite(lag_ms):
            self.history_ms = [*self.history_ms[1 - _LAGS :], lag_ms]


def seen_pulses(
    cut: Cut, sweep: Sweep, stimulus: Stimulus, marks: Marks, lags: Lags, *, from_artifact: bool
) -> SeenPulses:
    """Return the facts of one delivery."""
    rate_hz = sweep.rate_hz
    before = sweep.samples_uv[:, : sweep.onset_sample]
    flat = tuple(name for name, row in zip(sweep.channels, before, strict=True) if is_flat(row))
    countable = marks == "every pulse" and not from_artifact
    has_pair = countable and len(cut.pulses) > 1
    # After a nerve pulse the steepest step is the M-wave's: it says nothing of the stimulator.
    has_lag = cut.artifact >= 0 and not from_artifact and stimulus.stim_type != "nerve"
    lag_ms = (cut.artifact - cut.pulses[0]) * 1e3 / rate_hz if has_lag else math.nan
    return SeenPulses(
        asked=len(stimulus.pulses),
        seen=_count(cut, stimulus, countable=countable, from_artifact=from_artifact),
        apart_ms=(cut.pulses[1] - cut.pulses[0]) * 1e3 / rate_hz if has_pair else math.nan,
        isi_ms=stimulus.isi_ms,
        sample_ms=1e3 / rate_hz,
        lag_ms=lag_ms,
        usual_lag_ms=lags.usual_ms,
        lags=len(lags.history_ms),
        lost=int(np.isnan(sweep.samples_uv).any(axis=0).sum()),
        flat=flat,
    )


def _count(cut: Cut, stimulus: Stimulus, *, countable: bool, from_artifact: bool) -> int:
    """Return how many pulses were seen, 0 where that cannot be told: one mark stands for all pulses of a stimulus then."""
    if countable:
        return len(cut.pulses)
    if from_artifact or len(cut.pulses) == 1:
        return 0
    return len(stimulus.pulses) + len(cut.pulses) - 1
